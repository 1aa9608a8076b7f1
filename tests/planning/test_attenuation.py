"""How the reach changes with the size of a pipe."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.layers.vocabulary import MATERIALS
from netcorr.planning.attenuation import LEAST_FACTOR, USUAL, pipe_loss_db_m, size_factor
from netcorr.planning.reach import COMMON_BUDGET, ReachTable, SoundBudget
from netcorr.speed.pipe import pipe_wall
from netcorr.speed.soil import LOOSE_SOIL
from netcorr.speed.wavenumber import attenuation_db_m, pipe_wavenumber

SIZES = (80.0, 100.0, 150.0, 200.0, 300.0, 450.0)
#: Materials of which pipes of all these sizes are made.
MADE = ("grey_iron", "ductile_iron", "steel", "asbestos_cement", "pvc", "pe100")


def test_every_material_has_a_usual_size_and_frequency() -> None:
    assert set(USUAL) == set(MATERIALS)
    assert all(size_factor(material, USUAL[material][1]) == 1 for material in USUAL)


def test_loss_is_that_of_the_wave_in_soil_with_joints() -> None:
    # the wave alone in soil (Muggleton, Brennan and Linford 2004), and 8.686 Re(k) 0.005 / 2 for the joints
    k = pipe_wavenumber([500.0], pipe_wall("ductile_iron", 150), soil=LOOSE_SOIL)
    joints_db_m = 8.686 * k[0].real * 0.005 / 2
    assert pipe_loss_db_m("ductile_iron", 150) == pytest.approx(
        attenuation_db_m(k)[0] + joints_db_m, rel=1e-3
    )


@given(st.sampled_from(MADE), st.sampled_from(SIZES), st.sampled_from(SIZES))
def test_less_loss_never_shortens_the_reach(material: str, a_mm: float, b_mm: float) -> None:
    table = ReachTable()
    if pipe_loss_db_m(material, a_mm) <= pipe_loss_db_m(material, b_mm):
        assert table.reach_m(material, diameter_mm=a_mm) >= table.reach_m(material, diameter_mm=b_mm)


@given(st.sampled_from([*sorted(USUAL), None]), st.floats(10, 2000) | st.just(math.nan) | st.none())
def test_common_practice_is_never_exceeded_nor_cut_below_the_least(
    material: str | None, diameter_mm: float | None
) -> None:
    assert LEAST_FACTOR <= size_factor(material, diameter_mm) <= 1
    assert ReachTable().reach_m(material, diameter_mm=diameter_mm) <= ReachTable().reach_m(material)


@given(st.floats(0, 60), st.floats(0, 30), st.floats(0.5, 600), st.floats(1, 20))
def test_a_louder_leak_and_a_longer_recording_reach_farther(
    source_db: float, more_db: float, recording_s: float, longer: float
) -> None:
    less = ReachTable(budget=SoundBudget(source_db=source_db, recording_s=recording_s))
    more = ReachTable(budget=SoundBudget(source_db=source_db + more_db, recording_s=recording_s * longer))
    for material in ("grey_iron", "pe100", None):
        assert more.reach_m(material, diameter_mm=150) >= less.reach_m(material, diameter_mm=150)


def test_the_usual_budget_is_common_practice() -> None:
    assert ReachTable(budget=COMMON_BUDGET).reach_m("grey_iron", diameter_mm=150) == 135
    # twice the time is 3 dB more
    assert SoundBudget(recording_s=20).budget_db - COMMON_BUDGET.budget_db == pytest.approx(3.0103, abs=1e-4)

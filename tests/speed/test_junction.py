"""Joints against laws of energy and the wave solver, losses against the full wavenumber."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import SpeedError
from netcorr.simulation.acoustics import Line, transfer_functions
from netcorr.speed.junction import relative_admittance, transmission, wave_loss_np_m
from netcorr.speed.section import PipeWall
from netcorr.speed.water import water_at
from netcorr.speed.wavenumber import TYPICAL_EXTRA_LOSS_FACTOR, pipe_wavenumber

admittances = st.floats(0.01, 100.0)


@given(incoming=admittances, others=st.lists(admittances, max_size=5))
@settings(max_examples=30, deadline=None)
def test_a_joint_keeps_the_energy(incoming: float, others: list[float]) -> None:
    through = transmission(incoming, others)
    # power of a wave is its pressure squared times its admittance
    back = (through - 1) ** 2 * incoming
    assert back + through**2 * sum(others) == pytest.approx(incoming)
    assert 0 < through <= 2


def test_a_pipe_that_goes_on_alike_throws_nothing_back() -> None:
    assert transmission(3.0, [3.0]) == pytest.approx(1.0)


def test_a_dead_end_doubles_and_a_vast_pipe_swallows() -> None:
    assert transmission(1.0, []) == 2
    assert transmission(1.0, [1e9]) == pytest.approx(0, abs=1e-8)


def test_a_tee_is_that_of_the_network_solver() -> None:
    # three endless pipes at one joint; a source in the first: pressure at the joint over that of no joint
    w = np.array([2 * np.pi * 300.0])
    bores_m, speed_m_s = (0.1, 0.15, 0.3), 1250.0
    y = [relative_admittance(bore_m=bore_m, speed_m_s=speed_m_s) / 1000.0 for bore_m in bores_m]
    line = Line(0, 1, 20.0, w / speed_m_s + 0j, np.array([1 / y[0] + 0j]))
    ends = {0: np.array([y[0] + 0j]), 1: np.array([y[1] + y[2] + 0j])}
    at_joint = transfer_functions([line], sources=[0], receivers=[1], terminations=ends)[0, 0]
    alone = transfer_functions(
        [line], sources=[0], receivers=[1], terminations={0: ends[0], 1: np.array([y[0] + 0j])}
    )[0, 0]
    # what comes back from the joint runs out through the endless pipe behind the source
    assert abs(at_joint[0] / alone[0]) == pytest.approx(transmission(y[0], y[1:]))


def test_losses_are_those_of_the_full_wavenumber_at_low_frequency() -> None:
    water = water_at(10.0)
    for wall in (
        PipeWall(0.158, 0.006, 170e9, 0.28, 7050.0, 0.001),
        PipeWall(0.100, 0.0055, 3.3e9, 0.4, 1400.0, 0.04),
    ):
        k = complex(pipe_wavenumber([50.0], wall, extra_loss_factor=TYPICAL_EXTRA_LOSS_FACTOR)[0])
        speed_m_s = 2 * math.pi * 50 / k.real
        loss = wave_loss_np_m(
            50.0, speed_m_s=speed_m_s, water_speed_m_s=water.speed_m_s, wall_loss_factor=wall.loss_factor
        )
        assert loss == pytest.approx(-k.imag, rel=0.05)


def test_a_wave_as_fast_as_in_open_water_loses_nothing_to_the_wall() -> None:
    losses = [
        wave_loss_np_m(100.0, speed_m_s=1450.0, water_speed_m_s=1447.0, wall_loss_factor=eta)
        for eta in (0.0, 0.1)
    ]
    assert losses[0] == losses[1] > 0


@pytest.mark.parametrize(("bore_m", "speed_m_s"), [(0.0, 1000.0), (0.1, -1.0), (math.nan, 1000.0)])
def test_pipes_that_cannot_be_are_refused(bore_m: float, speed_m_s: float) -> None:
    with pytest.raises(SpeedError, match="pipe at a joint"):
        relative_admittance(bore_m=bore_m, speed_m_s=speed_m_s)
    with pytest.raises(SpeedError, match="joint of pipes"):
        transmission(0.0, [1.0])
    with pytest.raises(SpeedError, match="joint of pipes"):
        transmission(1.0, [-1.0])

"""The calibration file: what is written is read again, the narrowest group wins, faults are named."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import SpeedError
from netcorr.speed import (
    MEASURED,
    PIPE_MATERIALS,
    Calibration,
    SpeedScale,
    WaveSpeed,
    calibration_toml,
    pipe_wave_speed,
    read_calibration,
)

LIMITS = st.none() | st.tuples(st.floats(1, 3000), st.floats(1, 3000)).map(lambda p: (min(p), max(p)))
SCALES = st.builds(
    SpeedScale,
    material=st.sampled_from(sorted(PIPE_MATERIALS)),
    scale=st.floats(0.5, 2.0),
    scale_sd=st.floats(1e-4, 0.5),
    surveys=st.integers(1, 1000),
    diameter_mm=LIMITS,
    years=LIMITS,
    source=st.text(st.characters(codec="utf-8", exclude_characters="\x7f"), max_size=20),
)


@settings(deadline=None, max_examples=30)
@given(st.lists(SCALES, max_size=5, unique_by=lambda s: s.label))
def test_what_is_written_is_read_again(
    tmp_path_factory: pytest.TempPathFactory, scales: list[SpeedScale]
) -> None:
    file = tmp_path_factory.mktemp("calibration") / "ours.toml"
    file.write_text(calibration_toml(Calibration(tuple(scales))), encoding="utf-8")
    assert read_calibration(file) == Calibration(tuple(scales), source="ours.toml")


GENERAL = SpeedScale("grey_iron", 0.97, 0.01, 6)
OLD = SpeedScale("grey_iron", 0.93, 0.01, 4, years=(1900, 1945))
OLD_SMALL = SpeedScale("grey_iron", 0.91, 0.02, 2, years=(1900, 1945), diameter_mm=(80, 150))
KNOWN = Calibration((GENERAL, OLD, OLD_SMALL))


@pytest.mark.parametrize(
    ("material", "diameter_mm", "year", "wanted"),
    [
        ("grey_iron", 100.0, 1930.0, OLD_SMALL),
        ("grey_iron", 150.0, 1945.0, OLD_SMALL),
        ("grey_iron", 200.0, 1930.0, OLD),
        ("grey_iron", 100.0, 1960.0, GENERAL),
        ("grey_iron", math.nan, math.nan, GENERAL),
        ("grey_iron", None, 1930.0, OLD),
        ("steel", 100.0, 1930.0, None),
        (None, 100.0, 1930.0, None),
    ],
)
def test_the_narrowest_group_that_holds_wins(
    material: str | None, diameter_mm: float | None, year: float | None, wanted: SpeedScale | None
) -> None:
    assert KNOWN.scale_of(material, diameter_mm=diameter_mm, year=year) == wanted


def test_a_scale_moves_the_speed_and_narrows_what_the_material_shares() -> None:
    table = pipe_wave_speed("grey_iron", 150)
    better = KNOWN.apply(table, material="grey_iron", diameter_mm=150)
    assert better.speed_m_s == pytest.approx(0.97 * table.speed_m_s)
    assert better.common_sd_m_s < table.common_sd_m_s / 2
    assert better.pipe_sd_m_s == pytest.approx(0.97 * table.pipe_sd_m_s)
    assert better.assumptions == table.assumptions
    assert "6 confirmed surveys" in better.source


def test_a_doubtful_scale_never_makes_a_speed_less_certain_than_the_tables() -> None:
    vague = Calibration((SpeedScale("ductile_iron", 1.0, 0.4, 1),))
    table = pipe_wave_speed("ductile_iron", 150)
    assert vague.apply(table, material="ductile_iron").common_sd_m_s == table.common_sd_m_s


def test_a_measured_speed_and_an_unknown_material_stay_as_they_are() -> None:
    measured = WaveSpeed(1200.0, 0.0, 6.0, MEASURED, MEASURED)
    assert KNOWN.apply(measured, material="grey_iron") is measured
    plastic = pipe_wave_speed("pe100", 110)
    assert KNOWN.apply(plastic, material="pe100") is plastic


def test_pipes_with_scales_of_their_own_do_not_share_an_error() -> None:
    table = pipe_wave_speed("grey_iron", 150)
    old = KNOWN.apply(table, material="grey_iron", year=1930)
    new = KNOWN.apply(table, material="grey_iron", year=1960)
    assert old.group != new.group


GOOD = 'material = "grey_iron"\nscale = 0.97\nscale_sd = 0.01\nsurveys = 3\n'


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[speed]]\n" + GOOD.replace("grey_iron", "cheese"), "no such material"),
        ("[[speed]]\n" + GOOD.replace("0.97", "3.0"), "0.5 to 2"),
        ("[[speed]]\n" + GOOD.replace("0.97", '"fast"'), "'fast' is not a number"),
        ("[[speed]]\n" + GOOD.replace("0.97", "nan"), "nan is not a number"),
        ("[[speed]]\n" + GOOD.replace("0.01", "0.0"), "scale_sd"),
        ("[[speed]]\n" + GOOD.replace("= 3", "= 0"), "surveys"),
        ("[[speed]]\n" + GOOD.replace("= 3", "= 1.5"), "whole number"),
        ("[[speed]]\n" + GOOD + "diameter_mm = 100", "not a pair of limits"),
        ("[[speed]]\n" + GOOD + "years = [1950, 1900]", "lower one first"),
        ("[[speed]]\n" + GOOD + "colour = 1", "colour"),
        ('[[speed]]\nmaterial = "steel"', "no scale"),
        ("[[speed]]\n" + GOOD + "[[speed]]\n" + GOOD, "twice"),
        ("[[speeds]]\n" + GOOD, "speeds"),
        ("speed = [1]", "not a table"),
        ("speed = ", "not TOML"),
    ],
)
def test_faults_of_a_file_are_named(tmp_path: Path, text: str, said: str) -> None:
    file = tmp_path / "ours.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SpeedError, match=r"ours\.toml") as caught:
        read_calibration(file)
    assert said in str(caught.value)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SpeedError, match=r"none\.toml"):
        read_calibration(tmp_path / "none.toml")

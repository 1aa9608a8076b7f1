"""Speeds from finds: against the answer by hand, and against speeds that were drawn, many times over."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from netcorr.path import CorrelationPath
from netcorr.position import LocateSettings, path_speeds, path_times
from netcorr.speed import calibration_toml, read_calibration
from netcorr.verification import SpeedEvidence, learn_speeds
from netcorr.verification.speeds import DAY_SD, ERA_SHARE, era_of
from tests.verification.conftest import path_of


def evidence(
    path: CorrelationPath,
    found_m: float,
    *,
    slowness: float | list[float] = 1.0,
    sd_m: float = 0.4,
    survey: str = "s1",
) -> SpeedEvidence:
    """A find whose delay is that of pipes so many times as slow as the tables say."""
    settings = LocateSettings()
    speeds = path_speeds(path, settings=settings)
    factors = np.broadcast_to(slowness, len(speeds))
    true = [replace(s, speed_m_s=s.speed_m_s / f) for s, f in zip(speeds, factors, strict=True)]
    times = path_times(path, true, settings=settings, clock_sd_s=0.0)
    delay_s = float(np.interp(found_m, times.position_m, times.delay_s))
    return SpeedEvidence(survey, path, found_m, delay_s, sd_m)


def test_one_find_on_one_pipe_by_hand() -> None:
    path = path_of(120.0)
    (speed,) = path_speeds(path, settings=LocateSettings())
    one = evidence(path, 10.0, slowness=1.05)
    lesson = learn_speeds([one])
    (general,) = lesson.speeds
    # 100 m more on B's side than on A's: the delay moves by 100 m of slowness for each unit of deviation
    per_unit_s = 100.0 / speed.speed_m_s
    common = (speed.common_sd_m_s / speed.speed_m_s) ** 2
    others = DAY_SD**2 + (speed.pipe_sd_m_s / speed.speed_m_s) ** 2
    noise = (2 * 0.4 / speed.speed_m_s / per_unit_s) ** 2
    gain = common / (common + others + noise)
    assert general.scale == pytest.approx(1 / (1 + gain * 0.05), rel=1e-6)
    assert general.table_sd == pytest.approx(common**0.5)
    assert general.scale_sd == pytest.approx((common * (1 - gain)) ** 0.5 * general.scale**2, rel=1e-6)
    assert (general.finds, general.surveys, general.years) == (1, 1, None)


def test_a_find_in_the_middle_teaches_nothing() -> None:
    middle = learn_speeds([evidence(path_of(120.0), 60.0, slowness=1.04)])
    assert not middle.speeds[0].is_learned
    assert middle.calibration().scales == ()
    assert learn_speeds([evidence(path_of(120.0), 8.0, slowness=1.04)]).speeds[0].is_learned


def test_more_finds_on_more_pipes_say_more() -> None:
    found = [
        evidence(path_of(100.0 + i, pipe_ids=(f"P{i}",)), 10.0, slowness=1.05, survey=f"s{i}")
        for i in range(12)
    ]
    sds = [learn_speeds(found[:n]).speeds[0].scale_sd for n in (1, 3, 6, 12)]
    assert sds == sorted(sds, reverse=True)
    best = learn_speeds(found).speeds[0]
    assert best.scale == pytest.approx(1 / 1.05, abs=2 * best.scale_sd)
    assert best.scale_sd < 0.35 * best.table_sd
    assert (best.finds, best.surveys) == (12, 12)


def test_the_order_of_finds_never_matters() -> None:
    found = [
        evidence(
            path_of(40.0 + i, 60.0, pipe_ids=(f"P{i}", f"Q{i}")), 12.0, slowness=1 + 0.01 * i, survey=f"s{i}"
        )
        for i in range(6)
    ]
    one, other = learn_speeds(found), learn_speeds(found[::-1])
    for a, b in zip(one.speeds, other.speeds, strict=True):
        assert (a.scale, a.scale_sd) == pytest.approx((b.scale, b.scale_sd))


def test_the_posterior_is_as_wide_as_the_truth_scatters() -> None:
    """Speeds drawn as the tables' spreads say: the learned scale misses by what it claims."""
    rng = np.random.default_rng(11)
    deviations = []
    for _ in range(150):
        material, found = rng.normal(), []
        for i in range(5):
            path = path_of(55.0, 65.0, pipe_ids=(f"A{i}", f"B{i}"))
            speeds = path_speeds(path, settings=LocateSettings())
            common = speeds[0].common_sd_m_s / speeds[0].speed_m_s
            own = speeds[0].pipe_sd_m_s / speeds[0].speed_m_s
            day = DAY_SD * rng.normal()
            slowness = [1 + common * material + day + own * rng.normal() for _ in range(2)]
            where = rng.uniform(5, 30)
            one = evidence(path, where, slowness=slowness, survey=f"s{i}")
            error_s = 2 * 0.4 / speeds[0].speed_m_s * rng.normal()
            found.append(replace(one, delay_s=one.delay_s + error_s))
        learned = learn_speeds(found).speeds[0]
        deviations.append((1 / learned.scale - 1 - common * material) / (learned.scale_sd / learned.scale**2))
    assert np.std(deviations) == pytest.approx(1.0, abs=0.17)  # three standard errors of 150 draws
    assert abs(np.mean(deviations)) < 0.25


def test_eras_differ_and_unknown_years_take_the_whole() -> None:
    old = [
        evidence(path_of(110.0, year=1910.0, pipe_ids=(f"O{i}",)), 8.0, slowness=1.06, survey=f"s{i}")
        for i in range(6)
    ]
    new = [
        evidence(path_of(110.0, year=1965.0, pipe_ids=(f"N{i}",)), 8.0, slowness=1.0, survey=f"t{i}")
        for i in range(6)
    ]
    whole, first, second = learn_speeds([*old, *new]).speeds
    assert (whole.years, first.years, second.years) == (None, (1750, 1929), (1960, 1989))
    assert first.scale < whole.scale < second.scale
    assert whole.scale_sd > max(first.scale_sd, second.scale_sd)
    known = learn_speeds([*old, *new]).calibration("ours.toml")
    assert known.scale_of("grey_iron", year=1905.0, diameter_mm=150.0) == first.as_scale
    assert known.scale_of("grey_iron", year=math.nan, diameter_mm=150.0) == whole.as_scale
    # an era of which nothing was found shares the material's part only
    unknown = learn_speeds(old).speeds[0]
    assert unknown.scale_sd**2 > ERA_SHARE * unknown.table_sd**2


def test_a_find_that_no_speed_explains_is_left_out_and_said() -> None:
    good = [
        evidence(path_of(110.0, pipe_ids=(f"P{i}",)), 10.0, slowness=1.02, survey=f"s{i}") for i in range(4)
    ]
    wrong = replace(good[0], survey="elsewhere", found_from_a_m=70.0)
    lesson = learn_speeds([*good, wrong])
    assert lesson.speeds == learn_speeds(good).speeds
    assert len(lesson.left_out) == 1
    assert lesson.left_out[0].startswith("elsewhere: the find lies")


def test_measured_pipes_teach_nothing_about_tables() -> None:
    measured = path_of(120.0, wave_speed_m_s=1200.0)
    assert learn_speeds([evidence(measured, 10.0, slowness=1.05)]).speeds == ()
    assert learn_speeds([]).speeds == ()
    unknown = path_of(120.0, material="no such thing")
    assert learn_speeds([SpeedEvidence("s", unknown, 10.0, 0.08, 0.4)]).speeds == ()


def test_leads_are_pipe_too() -> None:
    path = path_of(120.0, lead_a_m=6.0)
    right = learn_speeds([evidence(path, 10.0)]).speeds[0]
    assert right.scale == pytest.approx(1.0, abs=1e-6)
    without = replace(evidence(path, 10.0), path=path_of(120.0))
    assert learn_speeds([without]).speeds[0].scale != pytest.approx(1.0, abs=1e-3)


def test_what_is_learned_is_a_calibration_file(tmp_path: object) -> None:
    known = learn_speeds([evidence(path_of(120.0), 8.0, slowness=1.04)]).calibration("speeds.toml")
    file = tmp_path / "speeds.toml"  # type: ignore[operator]
    file.write_text(calibration_toml(known), encoding="utf-8")
    assert read_calibration(file) == known
    assert known.scales[0].source == "1 find along the pipe"


@pytest.mark.parametrize(
    ("year", "era"), [(1929.0, (1750, 1929)), (1930.0, (1930, 1959)), (2005.5, (1990, 2005)), (0.0, None)]
)
def test_eras(year: float, era: tuple[int, int] | None) -> None:
    assert era_of(year) == era

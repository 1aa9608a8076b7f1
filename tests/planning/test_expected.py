"""The expected 95 % stretch: against Monte Carlo of the position formula, and its laws."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.delay.bound import delay_bound_s
from netcorr.errors import PlanError
from netcorr.planning.expected import (
    METAL_BAND_HZ,
    FixSettings,
    PlannedPath,
    expected_stretch_m,
    position_sd_m,
)
from netcorr.planning.reach import SoundBudget
from netcorr.position.settings import LocateSettings


def path(seed: int, *, parts: int = 4) -> PlannedPath:
    """A path of a few pipes of two materials, one of them in two parts."""
    rng = np.random.default_rng(seed)
    length_m = rng.uniform(5, 60, parts)
    group = np.arange(parts) % 2
    speed = np.where(group == 0, 1240.0, 420.0)
    pipe = np.arange(parts)
    pipe[-1] = pipe[0]
    return PlannedPath(
        length_m=length_m,
        speed_m_s=speed,
        common_sd_m_s=0.025 * speed,
        pipe_sd_m_s=0.02 * speed,
        group=group,
        pipe=pipe,
        share=length_m / 400.0,
        node_share=np.full(parts - 1, 0.03),
        plastic=group == 1,
    )


def simulated_m(
    route: PlannedPath, leak_m: float, settings: FixSettings, budget: SoundBudget, *, draws: int
) -> np.ndarray:
    """Positions that a locator with the nominal speeds would give, for speeds drawn as stated.

    The delay is summed pipe by pipe with the true speeds, and inverted pipe by pipe with the nominal ones.
    """
    rng = np.random.default_rng(3)
    ends = np.cumsum(route.length_m)
    starts = ends - route.length_m
    groups, pipes = int(route.group.max()) + 1, int(route.pipe.max()) + 1
    common, own = rng.standard_normal((draws, groups)), rng.standard_normal((draws, pipes))
    slowness = (
        1 / route.speed_m_s
        - common[:, route.group] * route.common_sd_m_s / route.speed_m_s**2
        - own[:, route.pipe] * route.pipe_sd_m_s / route.speed_m_s**2
    )
    on_a = np.clip(leak_m, starts, ends) - starts
    delay_s = (slowness * (route.length_m - 2 * on_a)).sum(axis=1)
    delay_s += rng.standard_normal(draws) * math.sqrt(2) * settings.clock_sd_s
    delay_s += rng.standard_normal(draws) * timing_sd_s(route, leak_m, budget)
    grid = np.linspace(0, ends[-1], 20001)
    nominal = ((route.length_m - 2 * (np.clip(grid[:, None], starts, ends) - starts)) / route.speed_m_s).sum(
        1
    )
    found = np.interp(-delay_s, -nominal, grid)
    length_sd_m = math.hypot(settings.length_sd_m, settings.length_sd_share * ends[-1])
    found += rng.standard_normal(draws) * length_sd_m / 2
    return np.asarray(found + rng.standard_normal(draws) * settings.model_sd_m)


def timing_sd_s(route: PlannedPath, leak_m: float, budget: SoundBudget) -> float:
    """Cramer-Rao bound by the function that the locator's own benchmark uses."""
    ends = np.cumsum(route.length_m)
    starts = ends - route.length_m
    share_a = float(((np.clip(leak_m, starts, ends) - starts) * route.share / route.length_m).sum())
    share_a += float(route.node_share[ends[:-1] < leak_m].sum())
    total = float(route.share.sum() + route.node_share.sum())
    ratios = [10 ** ((budget.source_db - s * budget.budget_db) / 10) for s in (share_a, total - share_a)]
    coherence = float(np.prod([r / (1 + r) for r in ratios]))
    low, high = (40.0, 160.0) if route.plastic.any() else METAL_BAND_HZ
    frequency_hz = np.linspace(low, high, 4001)
    return delay_bound_s(frequency_hz, np.full(4001, coherence), duration_s=budget.recording_s)


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("share", [0.35, 0.5, 0.62])
def test_the_stretch_holds_what_monte_carlo_gives(seed: int, share: float) -> None:
    route, budget, chosen = path(seed), SoundBudget(), FixSettings()
    leak_m = share * float(route.length_m.sum())
    found = simulated_m(route, leak_m, chosen, budget, draws=20_000)
    half_m = expected_stretch_m(route, np.array([leak_m]), budget=budget)[0] / 2
    # where the speed jumps within the stretch the linear formula is off a little
    assert np.mean(np.abs(found - leak_m) <= half_m) == pytest.approx(0.95, abs=0.025)


def test_one_pipe_is_the_formula_of_the_textbook() -> None:
    # sd^2 = (c^2 (2 clock^2 + timing^2) + length^2 + (2 d - L)^2 (sd_c / c)^2) / 4, model error apart
    iron = PlannedPath(
        *(np.array([one]) for one in (200.0, 1250.0, 50.0, 0.0)),
        np.array([0]),
        np.array([0]),
        np.array([0.0]),
        np.zeros(0),
        np.array([False]),
    )
    loud = SoundBudget(source_db=60.0)
    chosen = FixSettings(clock_sd_s=0.0001, length_sd_m=1.0, length_sd_share=0.0, model_sd_m=0.0)
    for d in (5.0, 50.0, 100.0):
        wanted = 0.5 * math.sqrt(1250**2 * 2 * 0.0001**2 + 1.0 + ((2 * d - 200) * 50 / 1250) ** 2)
        sd_m = position_sd_m(iron, np.array([d]), settings=chosen, budget=loud)[0]
        assert sd_m == pytest.approx(wanted, rel=0.01)


def test_defaults_are_those_of_locating() -> None:
    ours, theirs = FixSettings(), LocateSettings()
    for name in ("clock_sd_s", "length_sd_m", "length_sd_share", "model_sd_m", "level"):
        assert getattr(ours, name) == getattr(theirs, name)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 999), st.floats(0.0, 1.0), st.floats(5.0, 40.0), st.floats(0.0, 20.0))
def test_a_louder_leak_is_placed_better(seed: int, share: float, source_db: float, more_db: float) -> None:
    route = path(seed)
    x = np.array([share * route.length_m.sum()])
    faint, loud = (
        position_sd_m(route, x, settings=FixSettings(), budget=SoundBudget(source_db=level))
        for level in (source_db, source_db + more_db)
    )
    assert loud[0] <= faint[0] * (1 + 1e-9)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 999), st.floats(0.0, 1.0), st.floats(0.0, 0.01), st.floats(0.0, 0.01))
def test_a_worse_clock_never_helps_and_the_stretch_stays_on_the_path(
    seed: int, share: float, clock_s: float, more_s: float
) -> None:
    route = path(seed)
    x = np.array([share * route.length_m.sum()])
    better, worse = (
        expected_stretch_m(route, x, settings=FixSettings(clock_sd_s=sd))[0]
        for sd in (clock_s, clock_s + more_s)
    )
    assert 0 < better <= worse * (1 + 1e-9)
    assert worse <= route.length_m.sum() + 1e-9


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 999), st.floats(0.01, 0.99))
def test_from_b_to_a_is_the_same_path(seed: int, share: float) -> None:
    route = path(seed)
    turned = replace(
        route,
        **{
            name: getattr(route, name)[::-1]
            for name in ("length_m", "speed_m_s", "common_sd_m_s", "pipe_sd_m_s", "group", "pipe", "share")
        },
        node_share=route.node_share[::-1],
        plastic=route.plastic[::-1],
    )
    total_m = route.length_m.sum()
    one = expected_stretch_m(route, np.array([share * total_m]))
    other = expected_stretch_m(turned, np.array([total_m - share * total_m]))
    assert one[0] == pytest.approx(other[0], rel=1e-6)


def test_an_unknown_speed_gives_no_number() -> None:
    route = replace(path(1), speed_m_s=np.array([1240.0, np.nan, 1240.0, 420.0]))
    assert np.isnan(expected_stretch_m(route, np.array([3.0]))).all()


@pytest.mark.parametrize("wrong", [{"clock_sd_s": -1.0}, {"length_sd_m": math.inf}, {"level": 1.0}])
def test_settings_that_cannot_be_right(wrong: dict[str, float]) -> None:
    with pytest.raises(PlanError, match="setting"):
        FixSettings(**wrong)

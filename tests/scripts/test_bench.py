"""The benchmarks judge rightly: shares, targets, answers, bounds, and what their exit code says."""

from __future__ import annotations

import importlib
import math
import os
import sys
from types import ModuleType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy import stats

from netcorr.delay import delay_bound_s


@pytest.fixture
def bench() -> ModuleType:
    return importlib.import_module("bench")


@pytest.fixture
def tables() -> ModuleType:
    return importlib.import_module("bench_table")


@pytest.fixture
def delays() -> ModuleType:
    return importlib.import_module("bench_delay")


@pytest.fixture
def surveys() -> ModuleType:
    return importlib.import_module("bench_surveys")


@pytest.fixture
def located() -> ModuleType:
    return importlib.import_module("bench_locate")


@pytest.mark.parametrize(("hits", "of"), [(0, 7), (3, 24), (95, 100), (200, 200)])
def test_interval_of_a_share_is_that_of_scipy(tables: ModuleType, hits: int, of: int) -> None:
    expected = stats.binomtest(hits, of).proportion_ci(0.95, method="wilson")
    assert tables.interval(hits, of=of) == pytest.approx((expected.low, expected.high), abs=1e-6)


def test_nothing_measured_says_nothing(tables: ModuleType) -> None:
    assert tables.share(0, of=0) == "0 of 0 (0-100 %)"


def test_tables_align(tables: ModuleType) -> None:
    lines = tables.table(("name", "value"), [("a", 1), ("longer", 12.5)]).splitlines()
    assert lines == ["name    value", "------  -----", "a           1", "longer   12.5"]


def test_a_missed_target_is_shown(tables: ModuleType) -> None:
    text = tables.target_table([tables.Target("x", "1", "2", False), tables.Target("y", "1", "1", True)])
    assert "MISSED" in text.splitlines()[2]
    assert text.splitlines()[3].endswith(" met")


@pytest.mark.parametrize(("met", "code"), [(True, 0), (False, 1)])
def test_exit_code_tells_whether_targets_were_met(
    bench: ModuleType, tables: ModuleType, monkeypatch: pytest.MonkeyPatch, met: bool, code: int
) -> None:
    monkeypatch.setattr(bench, "_run", lambda _: [tables.Target("x", "1", "2", met)])
    assert bench.main(["start"]) == code


@pytest.mark.parametrize(
    "words", [[], ["everything"], ["locate", "--surveys", "0"], ["delay", "--seed", "x"]]
)
def test_what_cannot_be_run_is_refused(bench: ModuleType, words: list[str]) -> None:
    with pytest.raises(SystemExit) as stopped:
        bench.main(words)
    assert stopped.value.code == 2


def test_jobs_run_in_order_in_processes_with_one_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    pool = importlib.import_module("bench_pool")
    for name in pool.ONE_THREAD:
        monkeypatch.setenv(name, "2")  # put back what was there when the test ends
    assert pool.run_all(math.sqrt, [4.0, 9.0, 1.0], workers=2) == [2.0, 3.0, 1.0]
    assert os.environ["OPENBLAS_NUM_THREADS"] == "1"


# --- delay


def test_bound_is_that_of_the_library(delays: ModuleType) -> None:
    # two ways to the same bound: in closed form here, by integration there
    for case in delays.CASES:
        coherence = (1 / (1 + 10 ** (-case.snr_db / 10))) ** 2
        frequency_hz = np.linspace(case.low_hz, case.high_hz, 4001)
        bound_s = delay_bound_s(frequency_hz, np.full(4001, coherence), duration_s=delays.DURATION_S)
        assert case.bound_s == pytest.approx(bound_s, rel=1e-4)


@settings(max_examples=10, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(delay_s=st.floats(-0.1, 0.1), seed=st.integers(0, 2**31))
def test_recordings_have_the_delay_and_level_that_they_should(
    delays: ModuleType, delay_s: float, seed: int
) -> None:
    case = delays.Case(100, 900, 20)
    heard = delays.record(case, delay_s, np.random.default_rng(seed))
    assert heard.shape == (2, 40000)
    found_s = delays.textbook_delays(heard)
    assert found_s == pytest.approx([delay_s] * 4, abs=1 / delays.SAMPLE_RATE_HZ)
    # 20 dB over white noise of power 1, in 800 of 2000 Hz
    assert heard.var(axis=1) == pytest.approx([1 + 100 * 0.4] * 2, rel=0.05)


def test_worst_case_counts(delays: ModuleType) -> None:
    good, bad = delays.Figures(0.0, 1.02, 0.0, 1.01), delays.Figures(0.02, 1.2, 0.0, 0.8)
    assert [one.met for one in delays.targets([good, good])] == [True] * 3
    assert [one.met for one in delays.targets([good, bad])] == [False] * 3


def test_figures_of_errors_that_are_known(delays: ModuleType) -> None:
    case = delays.Case(200, 900, 0)
    errors = 1.1 * case.bound_s * np.tile([1.0, -1.0], 50)
    results = [delays.Errors(0, (e, 0, 0, 0, 0), 1.1 * case.bound_s) for e in errors]
    results.append(delays.Errors(0, (0.02, 0, 0, 0, 0), case.bound_s))
    figures = delays._figures(case, results)
    assert figures.ratio == pytest.approx(1.1)
    assert figures.spread == pytest.approx(1.0)
    assert figures.gross == pytest.approx(1 / 101)


@pytest.fixture
def estimators() -> ModuleType:
    return importlib.import_module("bench_estimators")


@pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the other libraries
@pytest.mark.parametrize("pipe", ["PLASTIC", "IRON"])
def test_every_estimator_finds_a_clear_leak(estimators: ModuleType, pipe: str) -> None:
    scenes = importlib.import_module("bench_scenes")
    scene = scenes.Scene(getattr(scenes, pipe), 12.0)
    heard, from_a_m = scenes.record_scene(scene, np.random.default_rng(1), leak=True)
    for name, method in estimators.METHODS.items():
        found = method(heard, scene.pipe)
        place_m = (scene.pipe.length_m - scene.pipe.speed_m_s * found.delay_s) / 2
        assert place_m == pytest.approx(from_a_m, abs=0.5), name


def test_scenes_hold_what_they_say(estimators: ModuleType) -> None:
    scenes = importlib.import_module("bench_scenes")
    scene = scenes.Scene(scenes.PLASTIC, 0.0)
    levels = {}
    for name, changed in (("clean", {}), ("lines", {"lines": True}), ("bursts", {"bursts": True})):
        one = scenes.Scene(scene.pipe, scene.snr_db, **changed)
        heard, _ = scenes.record_scene(one, np.random.default_rng(2), leak=False)
        levels[name] = heard.std(axis=1)
        again, _ = scenes.record_scene(one, np.random.default_rng(2), leak=False)
        np.testing.assert_array_equal(heard, again)
    # lines of twice the leak's rms, which is that of the noise in the band here: 170 of 500 Hz
    added = np.sqrt(levels["lines"] ** 2 - levels["clean"] ** 2)
    assert added == pytest.approx([2 * math.sqrt(170 / 500)] * 2, rel=0.05)
    assert (levels["bursts"] > 1.3 * levels["clean"]).all()
    assert {one.pipe.name for one in estimators.SCENES} == {"plastic", "iron"}


def test_ours_are_judged_against_the_best_of_the_others(estimators: ModuleType) -> None:
    count = len(estimators.METHODS)

    def figures(ours: float, *, alarms: float) -> Any:
        near = np.full(count, 0.5)
        near[-1] = ours
        false = np.full(count, 0.02)
        false[-1] = alarms
        return estimators.Figures(near=near, called=near, alarms=false, median_m=near)

    good, bad = figures(0.9, alarms=0.01), figures(0.5, alarms=0.05)
    worse = estimators.Figures(
        near=np.linspace(1, 0, count), called=good.called, alarms=bad.alarms, median_m=good.near
    )
    assert [one.met for one in estimators.estimator_targets([good, good])] == [True, True]
    assert [one.met for one in estimators.estimator_targets([good, worse])] == [False, False]


# --- locate


def answer(surveys: ModuleType, kind: str, **changes: Any) -> Any:
    given = {"truth": "between", "outcome": "between", "error_m": 0.2, "held": True} | changes
    return surveys.Answer(surveys.Job(kind, 1, 0), 100.0, 0.0, **given)


def survey_answers(surveys: ModuleType, *, missed: int) -> dict[str, list[Any]]:
    """A hundred answers of each kind, some of them wrong."""
    quiet = {"truth": "no leak heard", "outcome": "no leak heard", "error_m": math.nan}
    beyond = {"truth": "at or beyond A", "outcome": "at or beyond A", "error_m": math.nan}
    right = {"given": {}, "not given": {}, "no leak": quiet, "beyond": beyond}
    wrong = {
        "given": {"error_m": -0.91},
        "not given": {"held": False},
        "no leak": quiet | {"alarm": 0.51},
        "beyond": beyond | {"outcome": "at or beyond B"},
    }
    return {
        kind: [answer(surveys, kind, **wrong[kind])] * missed
        + [answer(surveys, kind, **right[kind])] * (100 - missed)
        for kind in right
    }


@pytest.mark.parametrize(
    ("missed", "met"),
    [
        (0, [True, False, True, True]),  # an area that always holds the leak is too large
        (1, [True, True, True, True]),
        (5, [True, True, False, True]),
        (10, [False, True, False, False]),
        (11, [False, False, False, False]),
    ],
)
def test_targets_of_surveys(surveys: ModuleType, located: ModuleType, missed: int, met: list[bool]) -> None:
    targets = located.targets(survey_answers(surveys, missed=missed))
    assert [one.met for one in targets] == met


@pytest.mark.parametrize(
    ("kind", "changes", "wrong"),
    [
        ("given", {"error_m": 0.89, "held": False}, False),
        ("given", {"error_m": 0.91}, True),
        ("plastic", {"error_m": 5.0}, False),  # the area says how far it may be off
        ("plastic", {"error_m": 0.1, "held": False}, True),
        ("no leak", {"truth": "no leak heard", "outcome": "no leak heard"}, False),
        ("no leak", {"truth": "no leak heard", "alarm": 0.6}, True),
        ("beyond", {"truth": "at or beyond A"}, True),
        ("given", {"fault": "no path"}, True),
    ],
)
def test_what_counts_against_a_target(
    surveys: ModuleType, located: ModuleType, kind: str, changes: dict[str, Any], wrong: bool
) -> None:
    assert located.is_wrong(answer(surveys, kind, **changes)) is wrong


def test_no_position_is_no_hit(surveys: ModuleType, located: ModuleType) -> None:
    assert not located.is_near(answer(surveys, "given", error_m=math.nan))


def test_a_failure_is_not_silence(surveys: ModuleType, located: ModuleType) -> None:
    assert located.is_alarm(answer(surveys, "no leak", fault="recordings: silent"))


def candidate(outcome: str, **changes: float) -> SimpleNamespace:
    values = {"probability": 0.9, "from_a_m": 50.0, "low_m": 48.0, "high_m": 53.0, "sd_m": 1.0} | changes
    return SimpleNamespace(outcome=outcome, in_bracket=outcome == "between", **values)


@pytest.mark.parametrize(
    ("side", "from_a_m", "candidates", "held", "right", "error_m"),
    [
        ("between", 49.0, [candidate("between")], True, True, 1.0),
        ("between", 47.0, [candidate("between")], False, False, 3.0),
        (
            "between",
            70.0,
            [candidate("between"), candidate("between", low_m=68.0, high_m=72.0)],
            True,
            False,
            -20.0,
        ),
        ("between", 49.0, [candidate("at or beyond A"), candidate("between")], True, False, math.nan),
        ("A", 0.0, [candidate("at or beyond A")], False, True, math.nan),
        ("A", 0.0, [candidate("at or beyond B")], False, False, math.nan),
        ("A", 0.0, [candidate("between", low_m=0.0)], False, False, math.nan),
        ("between", 49.0, [], False, False, math.nan),
    ],
)
def test_answers_are_judged(
    surveys: ModuleType,
    side: str,
    from_a_m: float,
    candidates: list[SimpleNamespace],
    held: bool,
    right: bool,
    error_m: float,
) -> None:
    leak = SimpleNamespace(side=side, from_a_m=from_a_m)
    pair = SimpleNamespace(outcome="between", candidates=candidates)
    judged = surveys.judge(answer(surveys, "given", error_m=math.nan, held=False), pair, leak=leak)
    assert (judged.held, judged.right) == (held, right)
    assert judged.error_m == pytest.approx(error_m, nan_ok=True)


def test_without_a_leak_no_candidate_is_right(surveys: ModuleType) -> None:
    pair = SimpleNamespace(outcome="between", candidates=[candidate("between", probability=0.7)])
    judged = surveys.judge(answer(surveys, "no leak", held=False), pair, leak=None)
    assert (judged.held, judged.right, judged.alarm) == (False, False, 0.7)


def test_every_kind_has_streets_of_its_own(surveys: ModuleType) -> None:
    codes = [kind.code for kind in surveys.KINDS.values()]
    assert len(set(codes)) == len(codes)


# --- start


def test_help_loads_nothing_heavy() -> None:
    assert importlib.import_module("bench_start").loaded_by_help() == ""


def test_the_least_time_is_kept_and_failures_are_not_timed() -> None:
    start = importlib.import_module("bench_start")
    timing = start.time_of([sys.executable, "-c", "import time; time.sleep(0.05)"], runs=2)
    assert 0.05 <= timing.wall_s < 30
    with pytest.raises(SystemExit, match="ended with 3"):
        start.time_of([sys.executable, "-c", "raise SystemExit(3)"], runs=1)

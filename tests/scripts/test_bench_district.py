"""The district benchmark: its surveys are what they are said to be, and it judges rightly."""

from __future__ import annotations

import importlib
import math
from dataclasses import replace
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import networkx as nx
import numpy as np
import pytest
from shapely import LineString, Point

from netcorr.rehearsal import leak_place
from netcorr.simulation import Place, place_on_pipe
from netcorr.speed import SpeedScale


@pytest.fixture
def bench() -> ModuleType:
    return importlib.import_module("bench_district")


@pytest.fixture
def told() -> ModuleType:
    return importlib.import_module("bench_district_report")


@pytest.fixture
def scenes() -> ModuleType:
    return importlib.import_module("bench_district_scenes")


@pytest.fixture
def methods() -> ModuleType:
    return importlib.import_module("bench_district_methods")


def test_a_district_is_one_looped_network(scenes: ModuleType) -> None:
    network, dead_ends = scenes.draw_district(np.random.default_rng(3), pipes="iron")
    assert nx.is_connected(network.graph)
    assert nx.cycle_basis(nx.Graph(network.graph)), "without loops it would be a tree"
    assert len(network.fittings) == 33
    assert (network.fittings["node"] >= 0).all()
    assert all(network.graph.degree(network.node_of(name)) == 1 for name in dead_ends)


def test_bracketed_means_on_a_shortest_way(scenes: ModuleType) -> None:
    network, _ = scenes.draw_district(np.random.default_rng(3), pipes="iron")
    names = [str(name) for name in network.fittings.index[:6]]
    lengths = dict(nx.all_pairs_dijkstra_path_length(nx.Graph(network.graph), weight="length_m"))
    for u, v, key in list(network.graph.edges(keys=True))[:25]:
        data = network.edge(u, v, key)
        place = Place((u, v, key), data["length_m"] / 2)
        half = data["length_m"] / 2
        away = {n: min(lengths[network.node_of(n)][u], lengths[network.node_of(n)][v]) + half for n in names}
        on_one = any(
            away[a] + away[b] <= lengths[network.node_of(a)][network.node_of(b)] + 0.01
            for a in names
            for b in names
            if a < b
        )
        assert scenes.is_bracketed(network, names, place) == on_one


def test_swapped_loggers_are_noted_at_each_others_fitting(scenes: ModuleType) -> None:
    plain = scenes.Condition("x", "iron", 4, 6.0, "swapped")
    survey = scenes.draw_survey(plain, seed=1, number=1)
    assert len(survey.at_fault) == 2
    at = {r.logger: r.deployment.fitting for r in survey.recordings.rounds[0].recordings}
    assert len(set(at.values())) == 4
    again = scenes.draw_survey(plain, seed=1, number=1)
    assert again.leaks[0].place == survey.leaks[0].place, "the same words give the same survey"


def test_a_branch_has_its_leak_and_its_logger(scenes: ModuleType) -> None:
    for scene in ("branch with", "branch without"):
        survey = scenes.draw_survey(scenes.Condition("x", "iron", 3, 6.0, scene), seed=1, number=2)
        stand = {r.deployment.fitting for r in survey.recordings.rounds[0].recordings}
        assert ("D0" in stand) == (scene == "branch with")
        ends = survey.leaks[0].place.edge[:2]
        assert survey.network.node_of("D0") in ends


@pytest.mark.parametrize(("scene", "between"), [("leak", True), ("outside", False)])
def test_a_leak_lies_between_loggers_or_outside(scenes: ModuleType, scene: str, between: bool) -> None:
    survey = scenes.draw_survey(scenes.Condition("x", "iron", 6, 6.0, scene), seed=3, number=1)
    assert len(survey.leaks) == 1
    assert survey.bracketed == between


def test_methods_find_a_leak_that_nothing_hides(scenes: ModuleType, methods: ModuleType) -> None:
    # exact delays of one source, as peaks of made-up curves: every fusion of all pairs has to find it
    survey = scenes.draw_survey(scenes.Condition("x", "iron", 5, 20.0), seed=2, number=1)
    grid = methods._places(survey)
    truth = int(np.argmin([abs(k - 700) for k in range(len(grid.places))]))
    delays = grid.time_s[:, truth]
    axis = np.arange(-0.6, 0.6, 1e-4)
    curves = [
        methods.Curve(a, b, axis, np.exp(-(((axis - (delays[b] - delays[a])) / 3e-4) ** 2)))
        for a in range(5)
        for b in range(a + 1, 5)
    ]
    for score in (methods._summed(grid, curves), methods._delay_fit(grid, curves)):
        found = int(np.argmax(score))
        np.testing.assert_allclose(
            np.subtract.outer(grid.time_s[:, found], grid.time_s[:, found]),
            np.subtract.outer(delays, delays),
            atol=5e-4,
        )
    score = methods._best_pair(grid, curves)
    assert score.max() > -1.0


def outcome(bench: ModuleType, kind: str, number: int, error_m: float, **more: Any) -> Any:
    values: dict[str, Any] = {"bracketed": True, "probability": 0.9, "between": True, "in_area": True}
    errors = dict.fromkeys(importlib.import_module("bench_district_methods").METHODS, error_m + 10) | {
        bench.OURS: error_m
    }
    return bench.Outcome(kind, 1, number, **(values | {"error_m": errors} | more))


def good(bench: ModuleType) -> list[Any]:
    """Outcomes that meet every target."""
    rng = np.random.default_rng(1)
    found = []
    for kind, condition in bench.CONDITIONS.items():
        for number in range(400 if kind == "iron+6" else 40):
            more: dict[str, Any] = {"levels": (float(rng.random()),) * 2, "right_pipe": True}
            if condition.scene == "two":
                more["both"] = {bench.OURS: True}
            if condition.scene in ("swapped", "misplaced", "clock", "deaf"):
                more |= {"at_fault": ["L01", "L02"], "accused": [["L01", "L02"]]}
            more |= {"speed_errors": {"ductile_iron": 0.004}, "speed_sds": {"ductile_iron": 0.005}}
            found.append(outcome(bench, kind, number, 1.0, **more))
    return found


def test_good_outcomes_meet_every_target(bench: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    assert [one.name for one in bench.report(good(bench)) if not one.met] == []
    assert "100 % (1.0, 1.0)" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("changes", "missed"),
    [
        ({"error_m": {}}, "iron+6: within 5 m"),
        ({"error_m": {"netcorr": 3.0}}, "loggers at planned sites: within 2 m"),
        ({"levels": (0.999, 0.999)}, "95% area holds the leak"),
        ({"in_area": False}, "branch without: inside the area"),
        ({"right_pipe": False}, "branch with a logger: right pipe"),
        ({"accused": [["L03"]]}, "loggers accused wrongly"),
        ({"accused": []}, "swapped loggers found"),
        ({"both": {}}, "two leaks: both"),
        (
            {"speed_errors": {"ductile_iron": 0.03}},
            "wave speed within 1 %, where it is stated to 1 % or better",
        ),
        (
            {"speed_errors": {"pvc": -0.05}, "speed_sds": {"pvc": 0.02}},
            "wave speeds within twice the error stated",
        ),
    ],
)
def test_what_is_wrong_is_noticed(
    bench: ModuleType, told: ModuleType, changes: dict[str, Any], missed: str
) -> None:
    wrong = [replace(one, **changes) for one in good(bench)]
    assert missed in [one.name for one in told.targets(wrong) if not one.met]


def test_what_was_not_measured_is_no_target(bench: ModuleType, told: ModuleType) -> None:
    iron = {"speed_errors": {"ductile_iron": 0.004}, "speed_sds": {"ductile_iron": 0.005}}
    some = [outcome(bench, "iron-6", k, 1.0, **iron) for k in range(5)]
    names = [one.name for one in told.targets(some)]
    assert "iron-6: within 5 m" in names
    assert not [name for name in names if "two leaks" in name or "iron+6" in name or "plastic" in name]


def test_a_method_that_names_no_place_counts_as_far_away(bench: ModuleType, told: ModuleType) -> None:
    some = [outcome(bench, "iron+6", k, 1.0) for k in range(10)]
    some[0] = replace(some[0], error_m={})
    errors = told.errors_of(some, bench.OURS)
    assert np.isinf(errors).sum() == 1
    assert told.quantile(errors, 0.9) == 1.0
    assert math.isinf(told.quantile(errors, 0.95))


def test_outcomes_add_up_in_a_file(bench: ModuleType, tmp_path: Path) -> None:
    path = tmp_path / "outcomes.jsonl"
    assert bench.read_outcomes(path) == []
    first, second = (outcome(bench, "iron+6", k, math.inf, levels=(0.3, 0.4)) for k in (1, 2))
    bench.append_outcomes(path, [first])
    bench.append_outcomes(path, [second])
    with path.open("a", encoding="utf-8") as stream:
        stream.write('{"code": "another", "outcome": {}}\n{"code": "cut o')
    assert bench.read_outcomes(path) == [first, second]


def stretch(line: LineString, probability: float, *, told_apart: bool = True) -> Any:
    return SimpleNamespace(
        line=line, probability=probability, told_apart=told_apart, length_m=line.length, pipe_id="M"
    )


def test_levels_of_the_area_that_just_holds_the_leak(bench: ModuleType) -> None:
    fix = SimpleNamespace(
        likelihood=(
            stretch(LineString([(0, 0), (1, 0)]), 0.5),
            stretch(LineString([(1, 0), (11, 0)]), 0.3),
            stretch(LineString([(11, 0), (111, 0)]), 0.1, told_apart=False),
            stretch(LineString([(111, 0), (111, 50)]), 0.1, told_apart=False),
        )
    )

    def levels(x: float, y: float = 0.0) -> Any:
        return bench.levels_at(fix, SimpleNamespace(point=Point(x, y)))

    assert levels(0.5) == pytest.approx((0.0, 0.5))
    assert levels(5.0) == pytest.approx((0.5, 0.8))
    assert levels(60.0) == levels(111.0, 20.0) == pytest.approx((0.8, 1.0)), "a set counts whole"
    assert bench.levels_at(SimpleNamespace(likelihood=()), SimpleNamespace(point=Point(0, 0))) == ()


def test_both_leaks_need_a_choice_each(bench: ModuleType, scenes: ModuleType) -> None:
    network, _ = scenes.draw_district(np.random.default_rng(3), pipes="iron")
    spots = [place_on_pipe(network, "M0", into_m=at) for at in (10.0, 12.0, 60.0, 62.0)]
    survey = SimpleNamespace(
        network=network, leaks=[leak_place(network, spots[0]), leak_place(network, spots[2])]
    )
    assert bench._both(survey, [spots[1], spots[3]])
    assert bench._both(survey, [spots[3], spots[1]])
    assert not bench._both(survey, [spots[0], spots[1]]), "both choices are the same leak"
    assert not bench._both(survey, [spots[0]])


def test_the_command_takes_its_options(monkeypatch: pytest.MonkeyPatch, bench: ModuleType) -> None:
    seen: dict[str, Any] = {}
    monkeypatch.setattr(bench, "bench_district", lambda **given: seen.update(given) or [])
    command = ["district", "--surveys", "3", "--kind", "two,none", "--outcomes", "there.jsonl"]
    assert importlib.import_module("bench").main(command) == 0
    assert seen == {
        "surveys": 3,
        "seed": 1,
        "workers": 2,
        "outcomes": Path("there.jsonl"),
        "kind": "two,none",
    }


def test_speeds_are_those_that_the_survey_keeps(bench: ModuleType) -> None:
    # 1.02 of the tables where the truth is 1.01 of them
    survey = SimpleNamespace(factors={"ductile_iron": 1.01})
    fix = SimpleNamespace(speeds=(SpeedScale("ductile_iron", scale=1.02, scale_sd=0.005, surveys=1),))
    speeds = bench._speeds(survey, fix)
    assert speeds["speed_errors"] == pytest.approx({"ductile_iron": 1.02 / 1.01 - 1})
    assert speeds["speed_sds"] == pytest.approx({"ductile_iron": 0.005 / 1.02})
    nothing = bench._speeds(survey, SimpleNamespace(speeds=()))
    assert nothing == {"speed_errors": {}, "speed_sds": {}}


def test_notes_on_loggers_are_read_as_the_locator_writes_them(bench: ModuleType) -> None:
    survey = SimpleNamespace(
        recordings=SimpleNamespace(
            rounds=[SimpleNamespace(recordings=[SimpleNamespace(logger=f"L0{k}") for k in range(1, 6)])]
        ),
    )
    note = "L03 fits N1 better than N2, and L05 ...: were they swapped? ... counts less in this answer"
    assert bench._accused(survey, SimpleNamespace(notes=("something else", note))) == [["L03", "L05"]]


@pytest.mark.parametrize("scene", ["misplaced", "clock", "deaf"])
def test_one_logger_is_not_as_the_table_says(scenes: ModuleType, scene: str) -> None:
    def drawn(of: str) -> Any:
        # the same word of the condition, the same survey but for the fault
        return scenes.draw_survey(scenes.Condition("x", "iron", 4, 6.0, of), seed=4, number=2)

    wrong, right = drawn(scene), drawn("leak")
    [name] = wrong.at_fault
    assert right.at_fault == ()
    for one, other in zip(
        wrong.recordings.rounds[0].recordings, right.recordings.rounds[0].recordings, strict=True
    ):
        same_place = one.deployment.fitting == other.deployment.fitting
        late_s = (one.start - other.start).total_seconds()
        same_sound = np.array_equal(one.samples, other.samples)
        if one.logger != name:
            assert (same_place, late_s, same_sound) == (True, 0.0, True)
        elif scene == "misplaced":
            assert (same_place, late_s, same_sound) == (False, 0.0, True)
        elif scene == "clock":
            assert (same_place, same_sound) == (True, True)
            assert 0.005 <= abs(late_s) <= 0.06
        else:
            assert (same_place, late_s, same_sound) == (True, 0.0, False)
            assert np.std(one.samples) == pytest.approx(np.std(other.samples), rel=0.05)
            assert abs(np.corrcoef(one.samples, other.samples)[0, 1]) < 0.2

"""Reasons why a main lies between no two sensors, on small streets where the answer is plain."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.planning.candidates import candidate_sites, sites_of
from netcorr.planning.from_network import PlanningMap, planning_map
from netcorr.planning.reach import ReachTable
from netcorr.planning.why_not_covered import REASONS, reasons_not_covered
from tests.planning.conftest import town


def reasons(
    network: PipeNetwork, sensors: list[str], *, reach_m: float = 150.0
) -> tuple[PlanningMap, dict[tuple[str, int], str], dict[tuple[str, int], set[str]]]:
    """Reason and fittings to add for each piece of main, by id and number along it."""
    mains = planning_map(network, reach=ReachTable.with_own({"all": reach_m}))
    candidates = candidate_sites(network)
    found = reasons_not_covered(mains, sites_of(network, network.fittings.index.isin(sensors)), candidates)
    why: dict[tuple[str, int], str] = {}
    add: dict[tuple[str, int], set[str]] = {}
    for k, edge in enumerate(mains.edges):
        number = sum(name == edge["pipe_id"] for name, _ in why)
        why[edge["pipe_id"], number] = found.reason[k]
        add[edge["pipe_id"], number] = {str(candidates.fitting[s]) for s in found.needs[k].tolist() if s >= 0}
    return mains, why, add


def street(*places: float, reach_m: float = 150.0, end: float = 200.0, **more: Any) -> PipeNetwork:
    """One straight main with valves V0, V1 ... at the places given."""
    del reach_m
    return town({"M": [(0, 0), (end, 0)]}, {f"V{k}": (x, 0) for k, x in enumerate(places)}, **more)


def test_every_reason_is_in_words() -> None:
    assert len(REASONS) == 6
    assert all(REASONS.values())


def test_a_sensor_is_missing_beyond_one_end() -> None:
    _, why, add = reasons(street(0, 70, 200), ["V0"])
    assert why["M", 0] == "no sensor beyond"
    assert add["M", 0] == {"V1"}


def test_two_sensors_are_missing() -> None:
    _, why, add = reasons(street(0, 60, 120, 180, 240, end=240.0), ["V0"])
    assert why["M", 3] == "no sensor beyond"
    assert add["M", 3] == {"V3", "V4"}


def test_a_dead_end_has_no_fitting_beyond() -> None:
    _, why, add = reasons(street(0, 70), ["V0", "V1"])
    assert why["M", 1] == "no fitting beyond"
    assert add["M", 1] == set()


def test_fittings_too_far_apart_for_the_material() -> None:
    _, why, _ = reasons(street(0, 200), ["V0", "V1"], reach_m=150.0)
    assert why["M", 0] == "too far for the material"
    _, why, _ = reasons(street(0, 200), ["V0"], reach_m=250.0)
    assert why["M", 0] == "no sensor beyond"


def test_a_piece_of_its_own() -> None:
    network = town(
        {"M": [(0, 0), (100, 0)], "N": [(0, 50), (100, 50)]},
        {"V0": (0, 0), "V1": (100, 0), "V2": (0, 50), "V3": (100, 50)},
    )
    _, why, _ = reasons(network, ["V0", "V1"])
    assert why["N", 0] == "broken map"


def test_a_ring_at_the_end_of_a_branch_is_a_dead_end_too() -> None:
    network = town(
        {
            "M": [(0, 0), (100, 0)],
            "B": [(50, 0), (50, 40)],
            "R": [(50, 40), (70, 60), (30, 60)],
            "S": [(30, 60), (50, 40)],
        },
        {"V0": (0, 0), "V1": (100, 0)},
    )
    _, why, _ = reasons(network, ["V0", "V1"])
    assert {why[name, 0] for name in "BRS"} == {"no fitting beyond"}


def test_a_closed_valve_parts_the_mains_from_all_sensors() -> None:
    network = town(
        {"M": [(0, 0), (60, 0)], "N": [(60, 0), (120, 0)]},
        {"V0": (0, 0), "V1": (60, 0), "V2": (120, 0)},
        closed=["V1"],
    )
    _, why, _ = reasons(network, ["V0"])
    assert why["N", 0] == "closed valve"


def test_a_closed_valve_that_carries_no_logger_hides_what_lies_beyond() -> None:
    network = town(
        {"M": [(0, 0), (60, 0)], "N": [(60, 0), (120, 0)]},
        {"V0": (0, 0), "V1": (60, 0), "V2": (120, 0)},
        closed=["V1"],
    )
    mains = planning_map(network, reach=ReachTable.with_own({"all": 150.0}))
    ends = sites_of(network, network.fittings.index.isin(["V0", "V2"]))
    found = reasons_not_covered(mains, ends, ends)
    assert set(found.reason) == {"closed valve"}


def test_another_way_round_is_shorter() -> None:
    network = town(
        {"M": [(0, 0), (50, 0)], "N": [(0, 0), (0, 30), (50, 30), (50, 0)]},
        {"V0": (0, 0), "V1": (50, 0)},
    )
    _, why, _ = reasons(network, ["V0", "V1"], reach_m=300.0)
    assert why["N", 0] == "another way round"


@pytest.mark.parametrize("seed", range(4))
def test_fittings_to_add_do_cover_on_a_tree(seed: int) -> None:
    """On a tree there is one way, so adding what is asked for must cover the main."""
    from netcorr.planning import build_problem, covered_by

    rng = np.random.default_rng(seed)
    mains, fittings, tips = {}, {"V0": (0.0, 0.0)}, [(0.0, 0.0)]
    for k in range(1, 14):
        x, y = tips[int(rng.integers(0, len(tips)))]
        tip = (x + float(rng.uniform(30, 60)), y + 200.0 * k / 14 * float(rng.choice([-1, 1])))
        mains[f"M{k}"] = [(x, y), tip]
        fittings[f"V{k}"] = tip
        tips.append(tip)
    network = town(mains, fittings)
    planned = planning_map(network, reach=ReachTable.with_own({"all": 900.0}))
    candidates = candidate_sites(network)
    sensors = ["V0", "V5"]
    found = reasons_not_covered(planned, sites_of(network, network.fittings.index.isin(sensors)), candidates)
    problem = build_problem(planned.graph, candidates)
    number = {str(name): k for k, name in enumerate(candidates.fitting)}
    checked = 0
    for k in np.flatnonzero(found.reason == "no sensor beyond").tolist():
        added = [int(s) for s in found.needs[k] if s >= 0]
        assert added
        sites = sorted({*(number[name] for name in sensors), *added})
        assert covered_by(problem, sites).covered()[k]
        checked += 1
    assert checked

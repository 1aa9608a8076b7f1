"""Which pairs of loggers are compared: those within reach; of many loggers no path is sought for others."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from typing import Any

import pytest

from netcorr.errors import PositionError
from netcorr.network import PipeNetwork
from netcorr.path import correlation_path
from netcorr.position import planned
from netcorr.position.planned import KnownClocks, plan_pairs
from netcorr.position.settings import LocateSettings
from netcorr.position.sites import Site

Maker = Callable[..., PipeNetwork]
#: One street with a hydrant every 50 m, and one far off that no pipe joins.
MAINS = {"M1": [(0, 0), (1000, 0)], "X1": [(0, 900), (200, 900)]}
FITTINGS = {f"H{k:02d}": (50 * k, 0) for k in range(20)} | {"Y1": (0, 900), "Y2": (200, 900)}


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    return make_network(MAINS, FITTINGS, speed_m_s=1250.0)


def sites(*fittings: str) -> list[Site]:
    return [Site(f"L-{one}", one, lead_m=0.0, clock_sd_s=1e-4) for one in fittings]


def planned_fittings(pairs: list[planned.PlannedPair]) -> set[frozenset[str]]:
    return {frozenset((pair.a.fitting, pair.b.fitting)) for pair in pairs}


MANY = tuple(f"H{k:02d}" for k in range(0, 20, 2))


@pytest.mark.parametrize("reach_m", [120.0, 250.0, 399.9, 2000.0])
def test_of_many_loggers_the_same_pairs_are_compared_as_by_their_paths(
    street: PipeNetwork, reach_m: float
) -> None:
    found, _ = plan_pairs(street, sites(*MANY), settings=LocateSettings(reach_m=reach_m))
    expected = {
        frozenset((a, b))
        for a, b in combinations(MANY, 2)
        if correlation_path(street, a, fitting_b=b).length_m <= reach_m
    }
    assert planned_fittings(found) == expected


def test_no_path_is_sought_for_what_is_beyond_reach(
    street: PipeNetwork, monkeypatch: pytest.MonkeyPatch
) -> None:
    sought: list[tuple[str, str]] = []

    def counted(network: PipeNetwork, a: str, *, fitting_b: str, **more: Any) -> Any:
        sought.append((a, fitting_b))
        return correlation_path(network, a, fitting_b=fitting_b, **more)

    monkeypatch.setattr(planned, "correlation_path", counted)
    found, _ = plan_pairs(street, sites(*MANY), settings=LocateSettings(reach_m=120.0))
    assert len(sought) == len(found) == len(MANY) - 1


def test_what_is_beyond_reach_is_counted_and_a_logger_without_partner_named(street: PipeNetwork) -> None:
    _, notes = plan_pairs(street, sites(*MANY, "Y1"), settings=LocateSettings(reach_m=120.0))
    assert notes == [
        "46 of 55 pairs of loggers were not compared: no way of 120 m or less along open mains joins them",
        "L-Y1 was compared with none: no other logger stands within 120 m along the main",
    ]


def test_of_few_loggers_every_pair_beyond_reach_is_listed_with_its_length(street: PipeNetwork) -> None:
    _, notes = plan_pairs(street, sites("H00", "H02", "H08"), settings=LocateSettings(reach_m=320.0))
    assert notes == ["L-H00 and L-H08 were not compared: 400 m apart along the main, reach is 320 m"]


def test_many_loggers_none_of_them_near_another_are_refused(street: PipeNetwork) -> None:
    with pytest.raises(PositionError, match=r"no two loggers to compare \(45 of 45 pairs"):
        plan_pairs(street, sites(*MANY), settings=LocateSettings(reach_m=60.0))


def test_loggers_at_one_place_are_named_however_many_there_are(make_network: Maker) -> None:
    network = make_network(MAINS, FITTINGS | {"H00x": (0, 0.01)}, speed_m_s=1250.0)
    found, notes = plan_pairs(network, sites(*MANY, "H00x"), settings=LocateSettings(reach_m=150.0))
    assert frozenset(("H00", "H00x")) not in planned_fittings(found)
    assert any("L-H00 and L-H00x were not compared" in note and "same place" in note for note in notes)


def test_a_known_offset_of_two_clocks_is_taken_over(street: PipeNetwork) -> None:
    clocks = KnownClocks({("L-H00", "L-H02"): (0.003, 5e-5)})
    found, _ = plan_pairs(street, sites("H00", "H02", "H04"), settings=LocateSettings(), clocks=clocks)
    by_pair = {(one.a.fitting, one.b.fitting): one for one in found}
    assert by_pair["H00", "H02"].offset_s == 0.003
    assert by_pair["H00", "H02"].times.clock_sd_s == pytest.approx(5e-5)
    assert by_pair["H02", "H04"].offset_s == 0.0

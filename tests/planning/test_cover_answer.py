"""What became of the sites that were given, and what would help at a dead end."""

from __future__ import annotations

import numpy as np
import pytest

from netcorr.errors import PlanError
from netcorr.network import PipeNetwork
from netcorr.planning.candidates import sites_of, why_not
from netcorr.planning.cover_answer import CoverAnswer, candidates_with, given_sites, lonely_sensors
from netcorr.planning.cover_map import cover_map
from netcorr.planning.cover_totals import cover_totals
from netcorr.planning.dead_ends import find_dead_ends
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import ReachTable
from tests.planning.conftest import town


def remedies(network: PipeNetwork, **rules: object) -> list[str]:
    reason = why_not(network, **rules)  # type: ignore[arg-type]
    mains = planning_map(network, reach=ReachTable())
    might = sites_of(network, reason == "")
    cover = cover_map(mains, might, might, reach=ReachTable())
    answer = CoverAnswer(
        cover,
        totals=cover_totals(cover),
        dead_ends=find_dead_ends(mains, might, wanted=np.ones(len(mains.graph), dtype=bool)),
        why_not={str(name): why for name, why in zip(network.fittings.index, reason, strict=True) if why},
        zones=None,
        loose_from_m=10.0,
        given=(),
        unused={},
    )
    return [answer.remedy(one) for one in answer.dead_ends]


def test_a_service_at_the_end_of_a_branch_would_help() -> None:
    network = town(
        {"M": [(0, 0), (100, 0)], "B": [(50, 0), (50, 40)], "C": [(50, 40), (80, 40)]},
        {"V0": (0, 0), "V1": (100, 0), "W9": (80, 40)},
    )
    assert remedies(network) == ["make meter W9 usable (not valve or hydrant)"]
    assert remedies(network, kinds=("valve", "meter")) == []


def test_a_fitting_that_is_buried_is_named_with_its_reason() -> None:
    network = town(
        {"M": [(0, 0), (100, 0)], "B": [(50, 0), (50, 40)]}, {"V0": (0, 0), "V1": (100, 0), "V2": (50, 40)}
    )
    assert remedies(network, excluded={"V2": "buried"}) == ["make valve V2 usable (buried)"]


def test_an_end_with_nothing_on_the_map_needs_a_new_point_of_contact() -> None:
    network = town({"M": [(0, 0), (100, 0)], "B": [(50, 0), (50, 40)]}, {"V0": (0, 0), "V1": (100, 0)})
    (one,) = remedies(network)
    assert one.startswith("needs a new point of contact")


def test_sites_at_one_place_count_once_and_those_on_no_main_are_told() -> None:
    network = town({"M": [(0, 0), (90, 0)]}, {"V0": (0, 0), "H0": (0, 0.01), "V7": (40, 30), "V1": (90, 0)})
    sites, unused = given_sites(network, ["V0", "H0", "V7"])
    assert sites.fitting.tolist() == ["V0"]
    assert unused["H0"] == "stands at the place of V0"
    assert unused["V7"].startswith("sits on no main: the nearest is 30.0 m away")
    with pytest.raises(PlanError, match="none of the 1 sites sits on a main"):
        given_sites(network, ["V7"])


def test_sensors_count_as_candidates_whatever_the_rules_say() -> None:
    network = town({"M": [(0, 0), (90, 0)]}, {"W0": (0, 0), "V1": (90, 0)})
    sites, _ = given_sites(network, ["W0"])
    might = candidates_with(network, why_not(network), sites)
    assert set(might.fitting) == {"W0", "V1"}


def test_lonely_sensors_know_how_far_the_nearest_is() -> None:
    network = town(
        {"M": [(0, 0), (400, 0)], "N": [(0, 90), (50, 90)]},
        {"V0": (0, 0), "V1": (300, 0), "V2": (400, 0), "V3": (0, 90)},
        columns={"M": {"material": "pe100", "diameter_mm": 110.0}},
    )
    mains = planning_map(network, reach=ReachTable())
    sensors = sites_of(network, network.fittings.index.isin(["V0", "V1", "V3"]))
    lonely = lonely_sensors(cover_map(mains, sensors, sensors, reach=ReachTable()))
    assert set(lonely) == {"V0", "V1", "V3"}
    assert lonely["V0"] == ("V1", pytest.approx(300.0, abs=0.3))
    assert lonely["V1"] == ("V0", pytest.approx(300.0, abs=0.3))
    assert lonely["V3"] is None

"""A network looked over as a whole: what the verdict rests on, and what to fix in which order."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from netcorr.errors import CancelledError
from netcorr.feedback import NoFeedback
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import Tolerances, build_network
from netcorr.network.map_check import MapCheck, check_network

Maker = Callable[..., NetworkLayers]
STREET: dict[str, Any] = {"A": [(0, 0), (400, 0)], "B": [(400, 0), (1000, 0)]}
SITES = {"V1": (10.0, 0.0), "V2": (390.0, 0.0), "H1": (700.0, 2.0)}


def checked(make: Maker, mains: dict[str, Any], sites: dict[str, Any] | None = None, **more: Any) -> MapCheck:
    return check_network(build_network(make(mains, SITES if sites is None else sites, **more)))


def values(check: MapCheck) -> dict[str, float]:
    return {one.rule: one.value for one in check.judged}


def test_a_street_without_faults_is_fit(make_layers: Maker) -> None:
    check = checked(make_layers, STREET)
    assert check.level == "fit"
    assert check.fixes == ()
    assert values(check)["sites"] == 3


def test_fixes_are_ordered_by_their_share_of_the_network(make_layers: Maker) -> None:
    mains = STREET | {"C": [(200, 3), (200, 203)], "D": [(600, 4), (600, 44)]}
    unknown = {"B": {"material": None, "material_text": "AC"}}
    check = checked(make_layers, mains, SITES | {"V9": (0, 500)}, columns=unknown)
    assert [(fix.kind, fix.subject) for fix in check.fixes] == [
        ("material", "AC"),
        ("fittings", ""),
        ("gap", "C"),
        ("gap", "D"),
    ]
    assert [round(fix.amount) for fix in check.fixes] == pytest.approx([600, 1, 200, 40], abs=1)
    assert values(check)["apart"] == pytest.approx(240 / 1240, abs=1e-3)
    assert values(check)["unknown"] == pytest.approx(600 / 1240, abs=1e-3)
    assert values(check)["off main"] == pytest.approx(1 / 4)
    assert check.level == "not yet"


@pytest.mark.parametrize("text", [None, "unbekannt", "N/A", "-"])
def test_a_word_for_unknown_is_nothing_to_explain(make_layers: Maker, text: str | None) -> None:
    unknown = {"B": {"material": None, "material_text": text}}
    (fix,) = checked(make_layers, STREET, columns=unknown).fixes
    assert (fix.kind, fix.subject, fix.other) == ("attribute", "material", "B")


def test_a_measured_speed_needs_neither_material_nor_diameter(make_layers: Maker) -> None:
    bare = {"material": None, "diameter_mm": np.nan}
    assert values(checked(make_layers, STREET, columns={"A": bare}))["unknown"] > 0.3
    known = {"A": bare | {"wave_speed_m_s": 1200.0}}
    check = checked(make_layers, STREET, columns=known)
    assert values(check)["unknown"] == 0
    assert check.lacking["pipe_id"].tolist() == ["A"], "it is listed all the same"


def test_mains_out_of_service_count_for_nothing(make_layers: Maker) -> None:
    mains = STREET | {"X": [(100, 2), (100, 900)]}
    check = checked(make_layers, mains, out_of_service=["X"], columns={"X": {"material": None}})
    assert check.level == "fit"
    assert check.parts.total_m == pytest.approx(1000, abs=0.5)


def test_another_village_is_a_system_and_a_leftover_is_not(make_layers: Maker) -> None:
    village = checked(make_layers, STREET | {"Z": [(0, 5000), (700, 5000)]})
    assert values(village)["apart"] == 0
    leftover = checked(make_layers, STREET | {"Z": [(0, 5000), (50, 5000)]})
    assert values(leftover)["apart"] == pytest.approx(50 / 1050, abs=1e-3)
    assert leftover.fixes == (), "nothing comes near to it, so no gap can be named"


def test_ends_moved_far_are_an_assumption(make_layers: Maker) -> None:
    layers = make_layers(STREET | {"C": [(200, 3), (200, 203)]}, SITES)
    check = check_network(build_network(layers, tolerances=Tolerances(cut_m=4.0)))
    assert values(check)["moved"] == pytest.approx(3.0, abs=0.01)
    assert check.level == "usable"


def test_pieces_at_widths_up_to_the_distance_asked_for(make_layers: Maker) -> None:
    network = build_network(make_layers(STREET | {"C": [(200, 3), (200, 203)]}, SITES))
    check = check_network(network, near_m=8.0)
    assert check.remaining == ((0.1, 2), (0.2, 2), (0.5, 2), (1.0, 2), (2.0, 2), (5.0, 1), (8.0, 1))


def test_gaps_within_one_piece_come_last(make_layers: Maker) -> None:
    ring = STREET | {"C": [(200, 0), (200, 100), (600, 100), (600, 3)], "D": [(900, 5), (900, 9)]}
    check = checked(make_layers, ring)
    assert [fix.kind for fix in check.fixes] == ["gap", "loops"]
    assert check.level == "fit", "four metres of 1.5 km"


def test_it_can_be_cancelled(make_layers: Maker) -> None:
    class Stop(NoFeedback):
        cancelled = True

    with pytest.raises(CancelledError):
        check_network(build_network(make_layers(STREET, SITES)), feedback=Stop())

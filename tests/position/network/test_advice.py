"""The next logger goes where it tells most, and nowhere when nothing is open."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations
from typing import Any

import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.locate import NetworkFix, locate_on_network
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0

#: A main with a long side street and a short one.
MAINS = {"M": [(0, 0), (200, 0)], "S": [(80, 0), (80, 150)], "T": [(160, 0), (160, 60)]}
FITTINGS = {"V1": (0, 0), "V2": (200, 0), "V3": (140, 0), "H4": (80, 150), "H5": (160, 60), "V6": (40, 0)}


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


def located(network: PipeNetwork, make_pairs: Maker, *, shows_at_m: float) -> NetworkFix:
    """Three loggers on the main, which hear a leak that lies at or behind a point of it."""
    used = ["V1", "V2", "V3"]
    delays = {}
    for a, b in combinations(used, 2):
        delay_s = (abs(shows_at_m - FITTINGS[b][0]) - abs(shows_at_m - FITTINGS[a][0])) / SPEED
        delays[a, b] = {delay_s: 600.0}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(used)]
    return locate_on_network(network, sites, make_pairs(network, used, delays), settings=LocateSettings())


def test_a_leak_behind_a_tee_asks_for_a_logger_at_the_end_of_the_side_street(
    streets: PipeNetwork, make_pairs: Maker
) -> None:
    fix = located(streets, make_pairs, shows_at_m=80.0)
    [note] = [note for note in fix.notes if note.startswith("a logger on")]
    assert note.startswith("a logger on H4 would settle most")


def test_a_place_that_is_known_asks_for_nothing(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, shows_at_m=30.0)
    assert not any(note.startswith("a logger on") for note in fix.notes)

"""Loggers that were swapped are named; loggers that were not are not."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import combinations
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.locate import NetworkFix, locate_on_network
from netcorr.position.sites import Site

Maker = Callable[..., Any]
SPEED = 1250.0
CLEAR = 500.0

#: A main with two side streets; no two sensors are alike.
MAINS = {
    "M": [(0, 0), (300, 0)],
    "S": [(110, 0), (110, 90)],
    "T": [(210, 0), (210, -70)],
}
FITTINGS = {"V1": (0, 0), "V2": (300, 0), "H3": (110, 85), "H4": (210, -60), "V5": (160, 0)}


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


def away_m(leak_m: float, fitting: str) -> float:
    """Along the mains from a leak on M, by hand."""
    x, y = FITTINGS[fitting]
    return abs(leak_m - x) + abs(y)


def located(
    network: PipeNetwork, make_pairs: Maker, *, leak_m: float, stood_at: Sequence[str], wrong: int = 0
) -> NetworkFix:
    """Survey whose table names the fittings in order, while the loggers stood elsewhere; some hear echoes."""
    rng = np.random.default_rng(5)
    named = list(FITTINGS)
    really = dict(zip(named, stood_at, strict=True))
    delays = {}
    for number, (a, b) in enumerate(combinations(named, 2)):
        delay_s = (away_m(leak_m, really[b]) - away_m(leak_m, really[a])) / SPEED
        far_s = float(rng.uniform(-0.05, 0.05)) if number < wrong else 0.0
        delays[a, b] = {delay_s + far_s: CLEAR}
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(named)]
    return locate_on_network(network, sites, make_pairs(network, named, delays), settings=LocateSettings())


@pytest.mark.parametrize(("first", "second"), [("V1", "H3"), ("V2", "H4"), ("V1", "V2")])
def test_swapped_loggers_are_named(streets: PipeNetwork, make_pairs: Maker, first: str, second: str) -> None:
    stood = [{first: second, second: first}.get(name, name) for name in FITTINGS]
    fix = located(streets, make_pairs, leak_m=65.0, stood_at=stood)
    [note] = [note for note in fix.notes if "were they swapped?" in note]
    number = {name: f"L{k + 1}" for k, name in enumerate(FITTINGS)}
    assert note.startswith(f"{number[first]} fits {second} better than {first}")


def test_without_a_swap_nobody_is_accused(streets: PipeNetwork, make_pairs: Maker) -> None:
    for leak_m in (65.0, 140.0, 250.0):
        fix = located(streets, make_pairs, leak_m=leak_m, stood_at=list(FITTINGS))
        assert not any("swapped" in note for note in fix.notes)


def test_echoes_are_no_swap(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, leak_m=65.0, stood_at=list(FITTINGS), wrong=4)
    assert not any("swapped" in note for note in fix.notes)

"""Several leaks in one survey: none speaks against the other, and echoes are no leaks."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import combinations
from typing import Any

import pytest

from netcorr.errors import PositionError
from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.locate import NetworkFix, locate_on_network
from netcorr.position.sites import Site

Maker = Callable[..., Any]
CORNER = (350_000.0, 5_205_000.0)
SPEED = 1250.0
CLEAR = 400.0

#: Two streets, joined by a main so long that a leak in one is not heard in the other.
MAINS = {"M": [(0, 0), (100, 0)], "J": [(100, 0), (100, 300)], "N": [(100, 300), (0, 300)]}
FITTINGS = {"V1": (0, 0), "V2": (100, 0), "V3": (100, 300), "V4": (0, 300)}
ALONG = {"V1": 0.0, "V2": 100.0, "V3": 400.0, "V4": 500.0}


@pytest.fixture(scope="module")
def streets(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(MAINS, FITTINGS, speed_m_s=SPEED)
    return made


def heard(
    leak_m: float, pairs: Sequence[tuple[str, str]], level: float = CLEAR
) -> dict[Any, dict[float, float]]:
    """Delay of a leak along the streets, for the pairs that hear it."""
    return {(a, b): {(abs(leak_m - ALONG[b]) - abs(leak_m - ALONG[a])) / SPEED: level} for a, b in pairs}


def located(
    network: PipeNetwork,
    make_pairs: Maker,
    peaks: Mapping[Any, Mapping[float, float]],
    settings: LocateSettings | None = None,
) -> NetworkFix:
    every = {pair: dict(peaks.get(pair, {})) for pair in combinations(FITTINGS, 2)}
    pairs = make_pairs(network, list(FITTINGS), every)
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(FITTINGS)]
    return locate_on_network(network, sites, pairs, settings=settings or LocateSettings())


def test_two_leaks_each_heard_by_its_own_pair_both_remain(streets: PipeNetwork, make_pairs: Maker) -> None:
    peaks = heard(30, [("V1", "V2")]) | heard(480, [("V3", "V4")])
    fix = located(streets, make_pairs, peaks)
    # one pair alone may be wrong, which no other pair could tell
    strong = [one for one in fix.candidates if one.probability > 0.6]
    places = sorted((one.point.x - CORNER[0], one.point.y - CORNER[1]) for one in strong)
    assert places == [pytest.approx((20, 300), abs=1.0), pytest.approx((30, 0), abs=1.0)]


def test_one_of_them_alone_is_one_candidate(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, heard(30, [("V1", "V2")]))
    assert [one.pipe_id for one in fix.candidates if one.probability > 0.3] == ["M"]


def test_of_two_leaks_each_pair_hears_the_louder_one(streets: PipeNetwork, make_pairs: Maker) -> None:
    # the second is in the middle of J: pairs on either side of it have nothing of the first
    pairs = list(combinations(FITTINGS, 2))
    of_second = [("V2", "V3"), ("V3", "V4"), ("V2", "V4")]
    of_first = [pair for pair in pairs if pair not in of_second]
    fix = located(streets, make_pairs, heard(30, of_first, 900.0) | heard(250, of_second, 900.0))
    likely = [one for one in fix.candidates if one.probability > 0.5]
    assert {one.pipe_id for one in likely} == {"M", "J"}


def test_what_is_second_in_every_pair_is_not_told_from_echoes(
    streets: PipeNetwork, make_pairs: Maker
) -> None:
    pairs = list(combinations(FITTINGS, 2))
    first, second = heard(30, pairs, 900.0), heard(250, pairs, 400.0)
    fix = located(streets, make_pairs, {pair: first[pair] | second[pair] for pair in pairs})
    assert [one.pipe_id for one in fix.candidates if one.probability > 0.3] == ["M"]


def test_an_echo_in_every_pair_is_no_second_leak(streets: PipeNetwork, make_pairs: Maker) -> None:
    pairs = list(combinations(FITTINGS, 2))
    peaks = heard(30, pairs)
    late_s = (0.013, -0.021, 0.034, 0.017, -0.029, 0.023)
    for one, late in zip(peaks.values(), late_s, strict=True):
        one[next(iter(one)) + late] = 0.4 * CLEAR
    fix = located(streets, make_pairs, peaks)
    assert [one.pipe_id for one in fix.candidates if one.probability > 0.5] == ["M"]


def test_along_the_mains_both_leaks_count(streets: PipeNetwork, make_pairs: Maker) -> None:
    fix = located(streets, make_pairs, heard(30, [("V1", "V2")]) | heard(480, [("V3", "V4")]))
    for pipe_id in ("M", "N"):
        assert sum(one.probability for one in fix.likelihood if one.pipe_id == pipe_id) > 0.65


def test_leaks_that_are_known_to_be_there_come_first(streets: PipeNetwork, make_pairs: Maker) -> None:
    peaks = heard(30, list(combinations(FITTINGS, 2)))
    one = located(streets, make_pairs, peaks)
    two = located(streets, make_pairs, peaks, LocateSettings(leaks=2))
    assert [c.rank for c in two.candidates] == list(range(1, len(two.candidates) + 1))
    assert len(two.candidates) > len(one.candidates)
    first, second = two.candidates[:2]
    assert (first.point.x, first.point.y) == pytest.approx((CORNER[0] + 30, CORNER[1]), abs=1.0)
    assert first.point.distance(second.point) > 10
    # it is listed because it was asked for, and is said to be improbable
    assert second.probability < 0.3


def test_a_leak_that_is_known_to_be_there_is_listed_though_nothing_is_heard(
    streets: PipeNetwork, make_pairs: Maker
) -> None:
    assert not located(streets, make_pairs, {}).candidates
    asked = located(streets, make_pairs, {}, LocateSettings(leaks=1)).candidates
    assert len(asked) == 1
    assert asked[0].probability < 0.2


def test_no_more_leaks_can_be_known_than_are_told_apart() -> None:
    with pytest.raises(PositionError, match="setting leaks: 5"):
        LocateSettings(leaks=5)

"""One answer from several loggers, on networks whose answers can be worked by hand."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings, pair_posterior
from netcorr.position.network.answer import Scene
from netcorr.position.network.area import likely_areas
from netcorr.position.network.evidence import NetworkEvidence
from netcorr.position.network.locate import NetworkFix, _worth_telling, gather_evidence, locate_on_network
from netcorr.position.network.weigh import weigh
from netcorr.position.sites import Site

Maker = Callable[..., Any]
CORNER = (350_000.0, 5_205_000.0)

#: Evidence of a clear leak. [nats]
CLEAR = 400.0
#: Fig. 16.11 of Thornton, Sturm and Kunkel, Water Loss Control (2008), p. 273, with the numbers worked out
#: for a main of 110 m with a tee at 60 m, a branch of 40 m and a leak 25 m up it, at 1200 m/s: what pairs of
#: sensors show, from the first of them. 1 and 2 are the ends of the main, 3 is at the tee, 4 at the end of
#: the branch.
TEE_RULE = {("V1", "V2"): 60.0, ("V1", "V4"): 85.0, ("V2", "V4"): 75.0, ("V1", "V3"): 60.0}
TEE_LENGTHS = {("V1", "V2"): 110.0, ("V1", "V4"): 100.0, ("V2", "V4"): 90.0, ("V1", "V3"): 60.0}


def sites(fittings: Sequence[str]) -> list[Site]:
    return [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(fittings)]


@pytest.fixture(scope="module")
def tee(make_network: Maker) -> PipeNetwork:
    made: PipeNetwork = make_network(
        {"M1": [(0, 0), (60, 0)], "M2": [(60, 0), (110, 0)], "B": [(60, 0), (60, 40)]},
        {"V1": (0, 0), "V2": (110, 0), "V3": (60, 0), "V4": (60, 40)},
        speed_m_s=1200.0,
    )
    return made


def tee_delays(
    pairs: Sequence[tuple[str, str]], speed_m_s: float = 1200.0
) -> dict[Any, Mapping[float, float]]:
    """Delay of each pair that puts the leak where the rule says: (length - 2 x from the first) / speed."""
    return {pair: {(TEE_LENGTHS[pair] - 2 * TEE_RULE[pair]) / speed_m_s: CLEAR} for pair in pairs}


def open_minded(evidence: NetworkEvidence) -> NetworkEvidence:
    """Speeds as good as unknown, the same in all pipes: what a rule without tables supposes."""
    none = np.zeros_like(evidence.pipes.own_share)
    return replace(evidence, pipes=replace(evidence.pipes, own_share=none, common_share=none + 0.06))


def located(network: PipeNetwork, fittings: Sequence[str], pairs: Any, **settings: Any) -> NetworkFix:
    return locate_on_network(network, sites(fittings), pairs, settings=LocateSettings(**settings))


def test_tee_rule_two_sensors_on_the_main_cannot_tell_the_branch(tee: PipeNetwork, make_pairs: Maker) -> None:
    pairs = make_pairs(tee, ["V1", "V2", "V3"], tee_delays([("V1", "V2"), ("V1", "V3")]))
    (best, *_) = located(tee, ["V1", "V2", "V3"], pairs).candidates
    # at the tee by the pair on the main; all of the branch is in the area
    assert best.from_a_m == pytest.approx(60.0, abs=1.0)
    on_branch = sum(part.to_m - part.from_m for part in best.area if part.pipe_id == "B")
    assert on_branch == pytest.approx(40.0, abs=1.0)
    assert best.probability > 0.9


def test_tee_rule_a_sensor_on_the_branch_finds_the_place(tee: PipeNetwork, make_pairs: Maker) -> None:
    used = [("V1", "V2"), ("V1", "V4"), ("V2", "V4")]
    pairs = make_pairs(tee, ["V1", "V2", "V4"], tee_delays(used))
    (best, *_) = located(tee, ["V1", "V2", "V4"], pairs).candidates
    assert best.pipe_id == "B"
    assert (best.point.x, best.point.y) == pytest.approx((CORNER[0] + 60, CORNER[1] + 25), abs=0.5)
    assert best.from_a_m == pytest.approx(TEE_RULE[best.sensor_a, best.sensor_b], abs=0.5)
    assert best.probability > 0.9
    assert all(part.pipe_id == "B" for part in best.area)


#: Fig. 16.12 of the same book, p. 273: leak and end of a main at one end, the other sensor at four distances;
#: length against delay is a line whose slope is the speed, 1180 m/s here, and which meets zero delay at twice
#: the distance of the leak from the near sensor, 65 m.
REGRESSION_M = (90.0, 120.0, 150.0, 185.0)
REGRESSION_MS = (21.186, 46.610, 72.034, 101.695)


def test_regression_rule_speed_and_place_together(make_network: Maker, make_pairs: Maker) -> None:
    far = {f"V{k + 1}": (length, 0) for k, length in enumerate(REGRESSION_M)}
    network = make_network({"M": [(0, 0), (200, 0)]}, {"V0": (0, 0)} | far)
    delays = {("V0", f"V{k + 1}"): {ms / 1000: CLEAR} for k, ms in enumerate(REGRESSION_MS)}
    fittings = ["V0", *far]
    pairs = make_pairs(network, fittings, delays)
    evidence = gather_evidence(network, sites(fittings), pairs, settings=LocateSettings())
    weighed = weigh(open_minded(evidence))
    speed = float(evidence.pipes.speed_m_s[0] / weighed.slowness[0])
    slope = np.polyfit(np.array(REGRESSION_MS) / 1000, REGRESSION_M, 1)[0]
    assert slope == pytest.approx(1180.0, rel=1e-3)  # the rule itself
    assert speed == pytest.approx(slope, rel=0.01)
    assert weighed.slowness_sd[0] < 0.02  # the tables were given 0.06
    best = located(network, fittings, pairs).candidates[0]
    assert best.point.x - CORNER[0] == pytest.approx(32.5, abs=1.0)


def test_three_sensors_in_a_row_in_closed_form(make_network: Maker, make_pairs: Maker) -> None:
    """Leak between the first two of three: the second pair hears the speed, the first then the place.

    Sensors at 0, 100 and 220 m, leak at 30 m, true speed 1150 m/s: delays 40/c, 160/c and 120/c. The
    last says c = 120 m / delay; then the leak is (100 m - c x first delay) / 2 from the first sensor.
    """
    fittings = {"V1": (0, 0), "V2": (100, 0), "V3": (220, 0)}
    network = make_network({"M": [(0, 0), (220, 0)]}, fittings)
    c = 1150.0
    delays = {("V1", "V2"): 40 / c, ("V1", "V3"): 160 / c, ("V2", "V3"): 120 / c}
    pairs = make_pairs(network, list(fittings), {pair: {s: CLEAR} for pair, s in delays.items()})
    found = 120 / delays["V2", "V3"]
    by_hand = (100 - found * delays["V1", "V2"]) / 2
    evidence = gather_evidence(network, sites(list(fittings)), pairs, settings=LocateSettings())
    weighed = weigh(open_minded(evidence))
    assert by_hand == pytest.approx(30.0)
    assert float(evidence.pipes.speed_m_s[0] / weighed.slowness[0]) == pytest.approx(found, rel=0.01)
    best = located(network, list(fittings), pairs).candidates[0]
    # by the spread of the tables the speed is known less well here
    assert best.point.x - CORNER[0] == pytest.approx(by_hand, abs=1.0)


#: A main between two sensors and on past both, of one material or of two.
ONE_MAIN = {"M": [(-80.0, 0.0), (200.0, 0.0)]}
TWO_MAINS = {"W": [(-80.0, 0.0), (70.0, 0.0)], "E": [(70.0, 0.0), (200.0, 0.0)]}
IRON_AND_PE = {"W": {"material": "ductile_iron"}, "E": {"material": "pe100", "diameter_mm": 160.0}}


@pytest.mark.parametrize(
    ("mains", "attributes", "peaks"),
    [
        pytest.param(ONE_MAIN, {}, {0.02: 9.0}, id="one material"),
        pytest.param(ONE_MAIN, {}, {-0.07: 40.0}, id="clear, near the second"),
        pytest.param(ONE_MAIN, {}, {0.02: 9.0, -0.04: 8.5}, id="two places nearly alike"),
        pytest.param(ONE_MAIN, {}, {0.0: 4.0}, id="hardly anything"),
        pytest.param(ONE_MAIN, {}, {}, id="nothing"),
        pytest.param(ONE_MAIN, {}, {-0.0955: 25.0}, id="beyond or just before the second"),
        pytest.param(TWO_MAINS, IRON_AND_PE, {0.03: 12.0}, id="in the slower of two materials"),
        pytest.param(TWO_MAINS, IRON_AND_PE, {0.15: 12.0}, id="in the quicker of two materials"),
    ],
)
def test_one_pair_is_weighed_as_a_pair_by_itself(
    make_network: Maker, make_pairs: Maker, mains: Any, attributes: Any, peaks: dict[float, float]
) -> None:
    network = make_network(mains, {"V1": (0, 0), "V2": (120, 0)}, attributes=attributes)
    pairs = make_pairs(network, ["V1", "V2"], {("V1", "V2"): peaks})
    [(fix, times)] = pairs
    settings = LocateSettings()
    alone = pair_posterior(times, fix.evidence, settings=settings)
    evidence = gather_evidence(network, sites(["V1", "V2"]), pairs, settings=settings)
    weighed = weigh(evidence)
    between = weighed.leak * float(weighed.probability[weighed.bracketed].sum())
    assert between == pytest.approx(alone.between, abs=0.02)
    assert weighed.leak == pytest.approx(1 - alone.none, abs=0.02)
    # the position, and how sure it is
    inside = weighed.bracketed
    from_a = _from_v1(evidence, weighed)[inside]
    mass = weighed.probability[inside] / weighed.probability[inside].sum()
    x, density = alone.position_m, alone.density_per_m
    step = float(x[1] - x[0])
    for level in (0.05, 0.5, 0.95):
        order = np.argsort(from_a)
        ours = np.interp(level, np.cumsum(mass[order]), from_a[order])
        theirs = np.interp(level, np.cumsum(density) * step, x)
        assert ours == pytest.approx(theirs, abs=0.4)


def _from_v1(evidence: Any, weighed: Any) -> Any:
    """Distance along the straight main from V1."""
    shapes = [data["geometry"] for data in evidence.pipes.data]
    return np.array(
        [
            shapes[piece].interpolate(at).x - CORNER[0]
            for piece, at in zip(weighed.places.piece, weighed.places.from_m, strict=True)
        ]
    )


def test_silence_is_no_leak(tee: PipeNetwork, make_pairs: Maker) -> None:
    pairs = make_pairs(tee, ["V1", "V2", "V4"], {p: {} for p in [("V1", "V2"), ("V1", "V4"), ("V2", "V4")]})
    fix = located(tee, ["V1", "V2", "V4"], pairs)
    assert fix.leak < 0.5
    assert all(one.probability < 0.5 for one in fix.candidates)


def test_beyond_all_sensors_is_one_set(make_network: Maker, make_pairs: Maker) -> None:
    mains = {"M": [(0, 0), (200, 0)], "X": [(200, 0), (300, 0)], "Y": [(200, 0), (200, 80)]}
    fittings = {"V1": (0, 0), "V2": (100, 0), "V3": (200, 0)}
    network = make_network(mains, fittings, speed_m_s=1250.0)
    delays = {
        (a, b): {-abs(fittings[b][0] - fittings[a][0]) / 1250: CLEAR}
        for a, b in itertools.combinations(fittings, 2)
    }
    fix = located(network, list(fittings), make_pairs(network, list(fittings), delays))
    best = fix.candidates[0]
    assert not best.in_bracket
    assert best.beyond == "V3"
    told = {name: sum(p.to_m - p.from_m for p in best.area if p.pipe_id == name) for name in ("X", "Y")}
    assert told == {"X": pytest.approx(100.0), "Y": pytest.approx(80.0)}
    assert "cannot be told apart" in best.note


@pytest.mark.parametrize(("there", "told"), [(0.03, True), (0.004, False), (0.2, True)])
def test_the_best_place_metre_by_metre_is_told_beside_a_long_set(
    make_network: Maker, make_pairs: Maker, there: float, told: bool
) -> None:
    mains = {"M": [(0, 0), (200, 0)], "X": [(200, 0), (600, 0)]}
    fittings = {"V1": (0, 0), "V2": (100, 0), "V3": (200, 0)}
    network = make_network(mains, fittings, speed_m_s=1250.0)
    pairs = itertools.combinations(fittings, 2)
    delays = {pair: {0.0: CLEAR} for pair in pairs}
    evidence = gather_evidence(
        network, sites(list(fittings)), make_pairs(network, list(fittings), delays), settings=LocateSettings()
    )
    weighed = weigh(evidence)
    from_v1_m, places = _from_v1(evidence, weighed), weighed.places
    place, beyond = np.abs(from_v1_m - 50.0) <= 2.0, from_v1_m > 200.0
    mass = np.where(place, places.width_m, 0.0) * there / places.width_m[place].sum()
    mass += np.where(beyond, places.width_m, 0.0) * (1 - there) / places.width_m[beyond].sum()
    scene = Scene(network, evidence, replace(weighed, probability=mass, leak=1.0), ())
    assert int(scene.weighed.best) in np.flatnonzero(place) or there < 0.01
    worth = [
        _worth_telling(area, scene, settings=LocateSettings())
        for area in likely_areas(scene.weighed, evidence.pipes, level=0.999)
        if np.isin(area.rows, np.flatnonzero(place)).any()
    ]
    assert worth == [told]
    # of a leak that is hardly there nothing is told for being the best
    doubted = replace(scene, weighed=replace(scene.weighed, leak=0.2))
    [best] = [
        area
        for area in likely_areas(doubted.weighed, evidence.pipes, level=0.999)
        if np.isin(area.rows, np.flatnonzero(place)).any()
    ]
    assert not _worth_telling(best, doubted, settings=LocateSettings())


def test_probabilities_along_the_mains_sum_to_that_of_a_leak(tee: PipeNetwork, make_pairs: Maker) -> None:
    used = [("V1", "V2"), ("V1", "V4"), ("V2", "V4")]
    fix = located(tee, ["V1", "V2", "V4"], make_pairs(tee, ["V1", "V2", "V4"], tee_delays(used)))
    assert sum(one.probability for one in fix.likelihood) == pytest.approx(fix.leak)
    assert sum(one.length_m for one in fix.likelihood) == pytest.approx(150.0)
    assert sum(one.line.length for one in fix.likelihood) == pytest.approx(150.0, abs=0.1)
    assert max(fix.likelihood, key=lambda one: one.probability_per_m).pipe_id == "B"

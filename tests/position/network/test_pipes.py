"""What the tables leave open of speeds: of each pipe by itself, or of all pipes of a material alike."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from netcorr.network import PipeNetwork
from netcorr.position import LocateSettings
from netcorr.position.network.evidence import gather_evidence
from netcorr.position.network.pipes import (
    MOST_OWN_SHARE,
    UNKNOWN_GROUP,
    UNKNOWN_SHARE,
    ReachedPipes,
    alike_in_groups,
    pipes_within_reach,
)
from netcorr.position.sites import Site

Maker = Callable[..., Any]
MAINS = {
    "I": [(0.0, 0.0), (100.0, 0.0)],
    "P": [(100.0, 0.0), (220.0, 0.0)],
    "N": [(220.0, 0.0), (300.0, 0.0)],
}
OF_MAINS = {
    "I": {"material": "ductile_iron"},
    "P": {"material": "pe100", "diameter_mm": 160.0},
    "N": {"material": None, "material_text": None},
}
FITTINGS = {"V1": (0, 0), "V2": (100, 0), "V3": (220, 0)}


@pytest.fixture(scope="module")
def street(make_network: Maker) -> PipeNetwork:
    """Iron, polyethylene, and a pipe of which the map does not say what it is made of."""
    made: PipeNetwork = make_network(MAINS, FITTINGS, attributes=OF_MAINS)
    return made


@pytest.fixture(scope="module")
def pipes(street: PipeNetwork) -> ReachedPipes:
    return pipes_within_reach(street, [street.node_of("V1")], settings=LocateSettings(reach_m=400.0))


def row(pipes: ReachedPipes, name: str) -> int:
    [found] = [number for number, data in enumerate(pipes.data) if data["pipe_id"] == name]
    return found


def test_by_the_tables_a_plastic_pipe_has_most_to_itself(pipes: ReachedPipes) -> None:
    iron, plastic = row(pipes, "I"), row(pipes, "P")
    assert pipes.own_share[plastic] > MOST_OWN_SHARE > pipes.own_share[iron]


def test_every_speed_is_as_uncertain_as_before(pipes: ReachedPipes) -> None:
    alike = alike_in_groups(pipes)
    before, after = (np.hypot(one.common_share, one.own_share) for one in (pipes, alike))
    assert after == pytest.approx(before)
    assert (alike.own_share <= pipes.own_share).all()
    assert alike.own_share[row(pipes, "P")] == MOST_OWN_SHARE
    assert alike.own_share[row(pipes, "I")] == pytest.approx(pipes.own_share[row(pipes, "I")])


def test_once_is_enough(pipes: ReachedPipes) -> None:
    once = alike_in_groups(pipes)
    twice = alike_in_groups(once)
    assert twice.own_share == pytest.approx(once.own_share)
    assert twice.common_share == pytest.approx(once.common_share)


def test_a_pipe_of_unknown_material_has_nothing_in_common_with_others(pipes: ReachedPipes) -> None:
    unknown = row(pipes, "N")
    assert pipes.groups[pipes.group[unknown]] == UNKNOWN_GROUP
    alike = alike_in_groups(pipes)
    assert alike.own_share[unknown] == pytest.approx(UNKNOWN_SHARE)
    assert math.isclose(alike.common_share[unknown], 0.0, abs_tol=1e-12)


def test_several_loggers_share_what_a_pair_alone_does_not(street: PipeNetwork, make_pairs: Maker) -> None:
    sites = [Site(f"L{k + 1}", fitting, 0.0, 1e-4) for k, fitting in enumerate(FITTINGS)]
    two, three = (
        gather_evidence(
            street,
            sites[:count],
            make_pairs(street, list(FITTINGS)[:count], {pair: {0.0: 20.0} for pair in some}),
            settings=LocateSettings(),
        ).pipes
        for count, some in ((2, [("V1", "V2")]), (3, [("V1", "V2"), ("V2", "V3")]))
    )
    assert two.own_share[row(two, "P")] > MOST_OWN_SHARE
    assert three.own_share[row(three, "P")] == MOST_OWN_SHARE

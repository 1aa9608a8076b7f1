"""What is passed on the way: where it is, on which side, and the same from the other end."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.path import CorrelationPath, Landmark, correlation_path, landmarks
from netcorr.path.landmarks import BEND_DEG

XY = tuple[float, float]
MakeNetwork = Callable[..., Any]

STREET: Mapping[str, Sequence[XY]] = {
    "M1": [(0, 0), (100, 0)],
    "M2": [(100, 0), (100, 80)],
    "S1": [(40, 0), (40, 30)],  # to the left of one who walks east
    "S2": [(70, 0), (70, -30)],  # to the right
    "S3": [(100, 50), (130, 50)],  # to the right of one who walks north
    "S4": [(100, 50), (60, 50)],  # to the left
}
FITTINGS: Mapping[str, XY] = {"V1": (0, 0), "H2": (100, 80), "V5": (25, 0), "H9": (60, 0)}


def seen(marks: Sequence[Landmark], kind: str) -> list[tuple[float, Any]]:
    return [
        (round(m.from_a_m), m.side if kind in {"tee", "bend"} else m.names) for m in marks if m.kind == kind
    ]


def test_tees_bends_and_fittings_of_a_street(make_network: MakeNetwork) -> None:
    network = make_network(STREET, FITTINGS)
    path = correlation_path(network, "V1", fitting_b="H2")
    marks = landmarks(network, path)
    assert seen(marks, "tee") == [(40.0, "left"), (70.0, "right"), (150.0, "both sides")]
    assert [m.names for m in marks if m.kind == "tee"][:2] == [("S1",), ("S2",)]
    assert seen(marks, "fitting") == [(25.0, ("V5",)), (60.0, ("H9",))]
    assert [m.fitting_kind for m in marks if m.kind == "fitting"] == ["valve", "hydrant"]
    assert seen(marks, "bend") == [(100.0, "left")]
    [bend] = [m for m in marks if m.kind == "bend"]
    assert bend.turn_deg == pytest.approx(-90, abs=0.1)
    assert bend.bearing_deg % 360 == pytest.approx(0, abs=0.5)
    assert list(marks) == sorted(marks, key=lambda m: m.from_a_m)


def test_a_closed_side_pipe_is_no_tee(make_network: MakeNetwork) -> None:
    network = make_network(STREET, FITTINGS, out_of_service=("S1",))
    marks = landmarks(network, correlation_path(network, "V1", fitting_b="H2"))
    assert 40.0 not in [at for at, _ in seen(marks, "tee")]


def test_a_change_of_size_is_said_and_a_straight_joint_is_not(make_network: MakeNetwork) -> None:
    network = make_network(
        {"M1": [(0, 0), (50, 0)], "M2": [(50, 0), (90, 0)], "M3": [(90, 0), (120, 0)]},
        {"V1": (0, 0), "V2": (120, 0)},
    )
    for _, _, data in network.graph.edges(data=True):
        data["diameter_mm"] = 200.0 if data["pipe_id"] == "M3" else 150.0
    [change] = landmarks(network, correlation_path(network, "V1", fitting_b="V2"))
    assert (change.kind, round(change.from_a_m, 1), change.diameter_mm) == ("change", 90.0, 200.0)


@pytest.mark.parametrize(("angle_deg", "bends"), [(10, 0), (BEND_DEG - 1, 0), (BEND_DEG + 1, 1), (90, 1)])
@pytest.mark.parametrize("crs", ["EPSG:32633", "EPSG:4326", "EPSG:3857"])
def test_a_bend_counts_from_thirty_degrees_in_any_crs(
    make_network: MakeNetwork, angle_deg: float, bends: int, crs: str
) -> None:
    turned = np.radians(angle_deg)
    end = (50 + 40 * np.cos(turned), 40 * np.sin(turned))
    network = make_network({"M1": [(0, 0), (50, 0), end]}, {"V1": (0, 0), "V2": end}, crs=crs)
    found = [
        m for m in landmarks(network, correlation_path(network, "V1", fitting_b="V2")) if m.kind == "bend"
    ]
    assert len(found) == bends
    for bend in found:
        assert bend.turn_deg == pytest.approx(-angle_deg, abs=0.3)
        assert bend.from_a_m == pytest.approx(50, rel=1e-3)


def test_a_rounded_corner_is_one_bend_at_its_middle(make_network: MakeNetwork) -> None:
    # a right angle drawn as nine short chords of a 3 m curve, with a vertex on the straight before it
    arc = [(50 + 3 * np.sin(a), 3 - 3 * np.cos(a)) for a in np.linspace(0, np.pi / 2, 10)]
    network = make_network({"M1": [(0, 0), (48.5, 0), *arc, (53, 60)]}, {"V1": (0, 0), "V2": (53, 60)})
    [bend] = landmarks(network, correlation_path(network, "V1", fitting_b="V2"))
    assert bend.turn_deg == pytest.approx(-90, abs=1)
    assert bend.from_a_m == pytest.approx(50 + 3 * np.pi / 4, abs=0.1)


def test_a_jog_is_two_bends_one_each_way(make_network: MakeNetwork) -> None:
    network = make_network({"M1": [(0, 0), (40, 0), (40, 4), (90, 4)]}, {"V1": (0, 0), "V2": (90, 4)})
    marks = landmarks(network, correlation_path(network, "V1", fitting_b="V2"))
    assert [(m.kind, m.side) for m in marks] == [("bend", "left"), ("bend", "right")]


MIRROR = {"left": "right", "right": "left", "both sides": "both sides", None: None}


def turned(marks: Sequence[Landmark], path: CorrelationPath) -> list[tuple[Any, ...]]:
    """What one meets who comes from the other end."""
    return sorted(
        (
            round(path.length_m - m.from_a_m, 5),
            m.kind,
            m.names,
            MIRROR[m.side] if m.kind != "fitting" else None,
        )
        for m in marks
        if m.kind != "change"
    )


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 10_000), crs=st.sampled_from(["EPSG:32633", "EPSG:4326"]))
def test_from_the_other_end_all_is_mirrored(make_random_town: MakeNetwork, seed: int, crs: str) -> None:
    network = make_random_town(seed % 50, size=4, crs=crs)
    rng = np.random.default_rng(seed)
    a, b = rng.choice([str(name) for name in network.fittings.index], 2, replace=False)
    try:
        path = correlation_path(network, a, fitting_b=b)
    except ValueError:
        return  # not connected in this town
    there, back = landmarks(network, path), landmarks(network, path.reversed())
    here = sorted((round(m.from_a_m, 5), m.kind, m.names, m.side) for m in back if m.kind != "change")
    assert [row[1:] for row in here] == [row[1:] for row in turned(there, path)]
    np.testing.assert_allclose([row[0] for row in here], [row[0] for row in turned(there, path)], atol=1e-4)
    for bend, other in zip(
        [m for m in there if m.kind == "bend"],
        [m for m in reversed(back) if m.kind == "bend"],
        strict=True,
    ):
        assert bend.turn_deg == pytest.approx(-other.turn_deg, abs=1e-3)
    assert all(0 < m.from_a_m < path.length_m for m in there)

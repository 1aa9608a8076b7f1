"""Lines cut into pieces: nothing lost, nothing added."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pyproj
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.network_layers import NetworkLayers
from netcorr.network.ground import geodesic_lengths_m
from netcorr.network.lines import Lines
from netcorr.network.pieces import Cuts, cut_lines

Maker = Callable[..., NetworkLayers]
UTM = pyproj.CRS(32633)


def random_cuts(make_layers: Maker, seed: int) -> tuple[Lines, Cuts, Any]:
    """Lines, cuts at random places and at vertices, and places of nodes that move nothing."""
    rng = np.random.default_rng(seed)
    mains = {f"M{k}": rng.uniform(0, 100, size=(rng.integers(2, 7), 2)) for k in range(5)}
    lines = Lines.from_frame(make_layers(mains).mains, UTM)
    line = rng.integers(0, 5, 8)
    along_m = rng.uniform(0.05, 0.95, 8) * lines.length_m[line]
    for k in np.flatnonzero(np.diff(lines.first) > 2)[:2]:
        line, along_m = np.append(line, k), np.append(along_m, lines.along_m[lines.first[k] + 1])
    cuts = Cuts.sorted_from(line, along_m=along_m, node=10 + np.arange(len(line)))
    ends = np.column_stack([lines.first[:-1], lines.first[1:] - 1]).ravel()
    node_xy = np.zeros((10 + len(line), 2))
    node_xy[:10] = lines.xyz[ends, :2]
    node_xy[cuts.node] = lines.at(cuts.line, cuts.along_m)[:, :2]
    return lines, cuts, node_xy


def test_more_cuts_are_put_in_order(make_layers: Maker) -> None:
    _, cuts, _ = random_cuts(make_layers, 3)
    some = np.arange(len(cuts.line)) % 2 == 0
    few = Cuts(cuts.line[some], cuts.along_m[some], cuts.node[some])
    again = few.with_more(cuts.line[~some], along_m=cuts.along_m[~some], node=cuts.node[~some])
    assert again.line.tolist() == cuts.line.tolist()
    assert again.along_m.tolist() == cuts.along_m.tolist()
    assert again.node.tolist() == cuts.node.tolist()


def test_drawn_length_of_each_piece_with_and_without_heights(make_layers: Maker) -> None:
    # Outside: geodesic_lengths_m of the pieces as shapes; see its own tests against pyproj.
    lines, cuts, node_xy = random_cuts(make_layers, 4)
    ends = np.arange(10)
    flat = cut_lines(lines, cuts, end_node=ends, node_xy=node_xy, crs=UTM)
    np.testing.assert_allclose(flat.drawn_m, geodesic_lengths_m(flat.geometry, UTM), rtol=1e-12)
    xyz = lines.xyz.copy()
    xyz[:, 2] = np.random.default_rng(5).uniform(0, 40, len(xyz))
    xyz[1, 2] = np.nan
    high = replace(lines, xyz=xyz)
    steep = cut_lines(high, cuts, end_node=ends, node_xy=node_xy, crs=UTM)
    whole = shapely.linestrings(xyz, indices=np.repeat(np.arange(len(lines)), np.diff(lines.first)))
    none = Cuts.sorted_from(np.zeros(0, dtype=np.intp), along_m=np.zeros(0), node=np.zeros(0, dtype=np.intp))
    uncut = cut_lines(high, none, end_node=ends, node_xy=node_xy, crs=UTM)
    np.testing.assert_allclose(uncut.drawn_m, geodesic_lengths_m(whole, UTM), rtol=1e-12)
    assert (steep.drawn_m >= flat.drawn_m).all()
    np.testing.assert_allclose(np.bincount(steep.line, steep.drawn_m)[1:], uncut.drawn_m[1:], rtol=1e-6)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 100_000))
def test_pieces_make_up_their_line(make_layers: Maker, seed: int) -> None:
    lines, cuts, node_xy = random_cuts(make_layers, seed)
    pieces = cut_lines(lines, cuts, end_node=np.arange(10), node_xy=node_xy, crs=UTM)
    assert len(pieces.line) == 5 + len(cuts.line)
    for k, shape in enumerate(lines.frame.geometry):
        mine = np.flatnonzero(pieces.line == k)
        assert pieces.from_node[mine[0]] == 2 * k
        assert pieces.to_node[mine[-1]] == 2 * k + 1
        assert (pieces.to_node[mine[:-1]] == pieces.from_node[mine[1:]]).all()
        assert shapely.length(pieces.geometry[mine]).sum() == pytest.approx(shape.length, rel=1e-9)
        joined = shapely.line_merge(shapely.multilinestrings(pieces.geometry[mine]))
        assert joined.hausdorff_distance(shape) < 1e-6
    for geometry in pieces.geometry:
        steps = np.diff(shapely.get_coordinates(geometry), axis=0)
        assert (np.hypot(*steps.T) > 0).all()  # a cut at a vertex leaves no vertex twice


def test_without_cuts_lines_stay_as_they_are(make_layers: Maker) -> None:
    lines, cuts, node_xy = random_cuts(make_layers, 1)
    none = Cuts(cuts.line[:0], cuts.along_m[:0], cuts.node[:0])
    pieces = cut_lines(lines, none, end_node=np.arange(10), node_xy=node_xy, crs=UTM)
    assert shapely.equals(pieces.geometry, shapely.force_2d(lines.frame.geometry.to_numpy())).all()
    some = pieces.take(pieces.line > 2)
    assert some.line.tolist() == [3, 4]


def test_ends_go_to_their_nodes_and_the_rest_stays(make_layers: Maker) -> None:
    lines = Lines.from_frame(make_layers({"M": [(0, 0), (50, 0), (100, 0)]}).mains, UTM)
    node_xy = np.array([[500300, 5400700.1], [500400, 5400700], [500325, 5400700.2]])
    cuts = Cuts(np.array([0]), np.array([25.0 / 0.9996]), np.array([2]))
    pieces = cut_lines(lines, cuts, end_node=np.array([0, 1]), node_xy=node_xy, crs=UTM)
    assert list(pieces.geometry[0].coords) == [(500300, 5400700.1), (500325, 5400700.2)]
    assert list(pieces.geometry[1].coords) == [(500325, 5400700.2), (500350, 5400700), (500400, 5400700)]


def test_height_counts_by_the_share_of_each_piece(make_layers: Maker) -> None:
    lines = Lines.from_frame(make_layers({"M": [(0, 0, 100), (40, 0, 130)]}).mains, UTM)
    node_xy = np.array([[500300, 5400700], [500340, 5400700], [500310, 5400700]])
    cuts = Cuts(np.array([0]), np.array([10.0 / 0.9996]), np.array([2]))
    pieces = cut_lines(lines, cuts, end_node=np.array([0, 1]), node_xy=node_xy, crs=UTM)
    slope = np.hypot(40 / 0.9996, 30)
    assert pieces.drawn_m == pytest.approx([slope / 4, slope * 3 / 4], rel=1e-5)

"""Whatever is drawn: the network is well formed, and says so or says why not."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import shapely
from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from netcorr.errors import NetworkError
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import CHANGES, Tolerances, build_network

Maker = Callable[..., NetworkLayers]


def scrawl(make_layers: Maker, seed: int) -> NetworkLayers:
    """Lines between few points: overlaps, touches, crossings, loops and slivers in plenty."""
    rng = np.random.default_rng(seed)
    scale = rng.choice([0.1, 0.3, 1, 10])
    noise = rng.choice([0, 0.02, 0.1])
    mains = {
        f"M{k}": rng.integers(0, 6, size=(rng.integers(2, 7), 2)) * scale + rng.normal(0, noise, 2)
        for k in range(rng.integers(1, 25))
    }
    fittings = {f"V{k}": tuple(rng.integers(0, 6, 2) * scale + rng.normal(0, 0.3, 2)) for k in range(10)}
    closed = [name for name in fittings if rng.random() < 0.4]
    out = [name for name in mains if rng.random() < 0.2]
    return make_layers(mains, fittings, closed=closed, out_of_service=out)


@settings(max_examples=60, deadline=None, phases=[Phase.explicit, Phase.generate])
@given(
    seed=st.integers(0, 1_000_000),
    join_m=st.sampled_from([0.0, 0.05, 0.2, 0.5]),
    cut_m=st.sampled_from([0.0, 0.05, 0.2, 0.5]),
)
@example(seed=524, join_m=0.5, cut_m=0.0)  # a valve on the vertex to which its main's start was moved
def test_network_is_well_formed(make_layers: Maker, seed: int, join_m: float, cut_m: float) -> None:
    layers = scrawl(make_layers, seed)
    try:
        network = build_network(layers, tolerances=Tolerances(join_m=join_m, cut_m=cut_m))
    except NetworkError as error:
        if "no main has a length" not in str(error):
            raise
        return
    graph = network.graph
    assert all(degree > 0 for _, degree in graph.degree())
    assert set(network.log["change"]) <= set(CHANGES)
    for _, _, data in graph.edges(data=True):
        is_link = data["pipe_id"] in network.fittings.index
        assert (data["drawn_length_m"] == 0) is is_link
        assert np.isfinite(data["length_m"])
        ends = shapely.get_coordinates(data["geometry"])[[0, -1]]
        for node, place in zip((data["from_node"], data["to_node"]), ends, strict=True):
            assert (graph.nodes[node]["x"], graph.nodes[node]["y"]) == tuple(place)
    assert set(network.fittings["node"]) <= {-1, *graph.nodes}
    # no main vanishes without a row in the log
    drawn = {data["pipe_id"] for *_, data in graph.edges(data=True)}
    gone = set(layers.mains["asset_id"]) - drawn
    told = set(network.log["source_id"][network.log["change"].isin(["zero_length", "duplicate", "spur"])])
    assert gone <= told

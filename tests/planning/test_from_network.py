"""The sample town as a planning problem."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely

from netcorr.errors import PlanError
from netcorr.layers import read_network_layers
from netcorr.network import PipeNetwork, build_network
from netcorr.planning import build_problem, choose_sites
from netcorr.planning.candidates import candidate_sites
from netcorr.planning.from_network import edges_within, planning_map
from netcorr.planning.reach import ReachTable

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def town() -> PipeNetwork:
    return build_network(read_network_layers(TOWN))


def test_every_chosen_site_is_an_allowed_fitting_on_the_map(town: PipeNetwork) -> None:
    mains = planning_map(town, reach=ReachTable(), weight_per_m={})
    sites = candidate_sites(town, kinds=("hydrant",))
    choice = choose_sites(build_problem(mains.graph, sites), most_sites=12, time_limit_s=5)
    chosen = sites.fitting[choice.sites]
    assert (town.fittings.loc[chosen, "kind"] == "hydrant").all()
    assert [town.node_of(name) for name in chosen] == sites.node[choice.sites].tolist()
    assert len(np.unique(sites.node)) == len(sites)


def test_a_weight_counts_for_every_metre(town: PipeNetwork) -> None:
    pipe = next(iter(town.graph.edges(data=True)))[2]["pipe_id"]
    mains = planning_map(town, reach=ReachTable(), weight_per_m={pipe: 3.0})
    own = np.array([edge["pipe_id"] == pipe for edge in mains.edges])
    np.testing.assert_allclose(mains.graph.weight, mains.graph.length_m * np.where(own, 3.0, 1.0))


def test_a_district_that_misses_the_network_is_told(town: PipeNetwork) -> None:
    nowhere = shapely.box(0, 0, 1, 1)
    with pytest.raises(PlanError, match="239 outside the district"):
        candidate_sites(town, area=nowhere)
    assert not edges_within(planning_map(town, reach=ReachTable()), nowhere).any()

"""Which fittings may carry a logger."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import PlanError
from netcorr.layers import read_network_layers
from netcorr.layers.site_list import SiteList, read_site_list
from netcorr.network import PipeNetwork, build_network
from netcorr.planning.candidates import KINDS, candidate_sites, match_fittings, parse_kinds, why_not

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def town() -> PipeNetwork:
    return build_network(read_network_layers(TOWN))


def test_every_rule_gives_its_reason(town: PipeNetwork) -> None:
    valves = town.fittings.index[town.fittings["kind"] == "valve"]
    reason = why_not(town, kinds=("valve",), excluded={valves[0]: "buried"}, only=valves[:3])
    by_id = dict(zip(town.fittings.index, reason, strict=True))
    assert [by_id[v] for v in valves[:4]] == ["buried", "", "", "not among those chosen"]
    assert by_id[town.fittings.index[town.fittings["kind"] == "hydrant"][0]] == "not valve"


def test_no_candidate_left_says_what_took_them(town: PipeNetwork) -> None:
    everything = dict.fromkeys(town.fittings.index, "flooded")
    with pytest.raises(PlanError, match=r"no candidate .* among 239 fittings: 239 flooded; allow more kinds"):
        candidate_sites(town, kinds=KINDS, excluded=everything)


@settings(max_examples=25)
@given(seed=st.integers(0, 10_000))
def test_more_rules_never_give_more_sites(town: PipeNetwork, seed: int) -> None:
    rng = np.random.default_rng(seed)
    ids = town.fittings.index.to_numpy(dtype=object)
    some = rng.choice(ids, 40, replace=False).tolist()
    x0, y0, x1, y1 = town.fittings.total_bounds
    area = shapely.box(x0, y0, x0 + rng.uniform(0.4, 1) * (x1 - x0), y1)
    free = set(np.flatnonzero(why_not(town) == ""))
    less = set(np.flatnonzero(why_not(town, excluded=dict.fromkeys(some, "buried"), area=area) == ""))
    assert less <= free
    sites = candidate_sites(town, excluded=dict.fromkeys(some, "buried"))
    assert not set(sites.fitting) & set(some)


def test_kinds_are_read() -> None:
    assert parse_kinds("Valve , meter") == ("valve", "meter")
    with pytest.raises(PlanError, match="kinds of fittings: tap; give some of valve"):
        parse_kinds("valve,tap")


def listed(town: PipeNetwork, names: list[str], places: list[shapely.Point | None]) -> SiteList:
    return SiteList("sites.csv", tuple(range(2, len(names) + 2)), tuple(names), tuple(places), town.crs)


def test_sites_are_matched_by_id_or_place(town: PipeNetwork) -> None:
    first, second = town.fittings.index[:2]
    point = shapely.Point(town.fittings.geometry.iloc[1].x + 1.0, town.fittings.geometry.iloc[1].y)
    assert match_fittings(town, listed(town, [first, "", first], [None, point, None])) == [first, second]


def test_sites_that_are_no_fitting_are_named(town: PipeNetwork) -> None:
    far = shapely.Point(town.fittings.total_bounds[0] - 400, town.fittings.total_bounds[1])
    with pytest.raises(
        PlanError, match=r"2 of 2 sites are no fitting .* row 2: NO1.*row 3: the nearest .* away"
    ):
        match_fittings(town, listed(town, ["NO1", ""], [None, far]))


def test_the_table_of_the_sample_survey_is_a_list_of_sites(town: PipeNetwork) -> None:
    sites = read_site_list(TOWN.parent / "survey_iron" / "deployments.csv")
    matched = match_fittings(town, sites)
    assert len(matched) == 2
    assert set(matched) <= set(town.fittings.index)

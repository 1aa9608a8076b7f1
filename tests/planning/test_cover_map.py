"""What given sensors cover: against trying all pairs, and its laws."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import PlanError
from netcorr.network import PipeNetwork
from netcorr.planning.candidates import candidate_sites, sites_of
from netcorr.planning.cover_map import COVERED, HEARD, STATES, CoverMap, cover_map
from netcorr.planning.cover_totals import ALL, MATERIAL, ZONE, cover_totals, weighted_median
from netcorr.planning.expected import FixSettings, expected_stretch_m
from netcorr.planning.from_network import PlanningMap, planning_map
from netcorr.planning.pair_paths import pair_paths
from netcorr.planning.reach import ReachTable, SoundBudget
from netcorr.planning.zones import zones_by_column, zones_by_polygon
from tests.planning.conftest import pairs_covering, town


@pytest.fixture(scope="module")
def grid() -> PipeNetwork:
    """Streets in a grid with a valve at each crossing, irregular so that shortest ways are unique."""
    rng = np.random.default_rng(4)
    places = {
        (i, j): (60.0 * i + rng.uniform(-9, 9), 45.0 * j + rng.uniform(-9, 9))
        for i in range(5)
        for j in range(5)
    }
    mains = {}
    columns = {}
    for (i, j), start in places.items():
        for di, dj in ((1, 0), (0, 1)):
            if (i + di, j + dj) in places and rng.random() < 0.85:
                name = f"M{i}{j}{di}"
                mains[name] = [start, places[i + di, j + dj]]
                columns[name] = {"material": str(rng.choice(["grey_iron", "pvc", "pe100"]))}
    return town(mains, {f"V{i}{j}": xy for (i, j), xy in places.items()}, columns=columns)


def planned(network: PipeNetwork, reach: ReachTable | None = None) -> PlanningMap:
    return planning_map(network, reach=reach or ReachTable.with_own({"all": 170.0}))


def judged(network: PipeNetwork, names: list[str], **more: object) -> CoverMap:
    reach = more.pop("reach", None) or ReachTable.with_own({"all": 170.0})
    assert isinstance(reach, ReachTable)
    mains = planned(network, reach)
    sensors = sites_of(network, network.fittings.index.isin(names))
    return cover_map(mains, sensors, candidate_sites(network), reach=reach, **{"margin": 0.0, **more})  # type: ignore[arg-type]


@settings(deadline=None, max_examples=15)
@given(seed=st.integers(0, 10_000), count=st.integers(2, 12))
def test_pairs_are_counted_as_by_trying_them_all(grid: PipeNetwork, seed: int, count: int) -> None:
    names = np.random.default_rng(seed).choice(grid.fittings.index, count, replace=False).tolist()
    found = judged(grid, names)
    graph = found.mains.graph
    # nodes passed cost nothing here, as the brute force knows nothing of them
    plain = replace(graph, from_share=None, to_share=None)
    free = replace(found.mains, graph=plain)
    sensors = found.problem.sites
    again = cover_map(free, sensors, found.candidates, reach=found.reach, margin=0.0)
    wanted = pairs_covering(plain, sensors.node.tolist())
    counts = np.array([len(pairs) for pairs in wanted])
    np.testing.assert_array_equal(again.pieces.pairs, counts[again.pieces.edge])
    covered_m = plain.length_m[counts > 0].sum()
    assert again.length_m(COVERED) == pytest.approx(covered_m)


@settings(deadline=None, max_examples=15)
@given(seed=st.integers(0, 10_000), count=st.integers(1, 12))
def test_pieces_make_up_the_mains_and_every_metre_has_one_state(
    grid: PipeNetwork, seed: int, count: int
) -> None:
    names = np.random.default_rng(seed).choice(grid.fittings.index, count, replace=False).tolist()
    found = judged(grid, names, step_m=7.0)
    graph = found.mains.graph
    np.testing.assert_allclose(
        np.bincount(found.pieces.edge, found.pieces.length_m, minlength=len(graph)), graph.length_m
    )
    assert sum(found.length_m(state) for state in STATES) == pytest.approx(graph.length_m.sum())
    covered = found.pieces.state == COVERED
    assert ((found.pieces.best_pair >= 0) == covered).all()
    assert np.isfinite(found.pieces.expected_m[covered]).all()
    assert np.isnan(found.pieces.expected_m[~covered]).all()


@settings(deadline=None, max_examples=10)
@given(seed=st.integers(0, 10_000), more_db=st.floats(0, 15))
def test_a_louder_leak_is_covered_and_heard_at_least_as_far(
    grid: PipeNetwork, seed: int, more_db: float
) -> None:
    names = np.random.default_rng(seed).choice(grid.fittings.index, 6, replace=False).tolist()
    faint = judged(grid, names, reach=ReachTable(budget=SoundBudget(source_db=5.0)))
    loud = judged(grid, names, reach=ReachTable(budget=SoundBudget(source_db=5.0 + more_db)))
    assert loud.length_m(COVERED) >= faint.length_m(COVERED) - 1e-6
    heard = [found.length_m(COVERED) + found.length_m(HEARD) for found in (faint, loud)]
    assert heard[1] >= heard[0] - 20.0  # pieces are judged by their middle


def test_the_best_pair_is_the_best_of_all(grid: PipeNetwork) -> None:
    found = judged(grid, grid.fittings.index[::2].tolist())
    graph, best = found.mains.graph, np.full(len(found.pieces), np.inf)
    middle_m = (found.pieces.from_share + found.pieces.to_share) / 2 * graph.length_m[found.pieces.edge]
    for one in pair_paths(found.whole, graph, found.speeds):
        for k, edge in enumerate(one.edge.tolist()):
            for row in np.flatnonzero(found.pieces.edge == edge).tolist():
                place = one.place_m(k, middle_m[[row]], graph)
                stretch = expected_stretch_m(
                    one.path, place, settings=FixSettings(), budget=found.reach.budget
                )[0]
                best[row] = min(best[row], stretch)
    covered = found.pieces.state == COVERED
    np.testing.assert_allclose(found.pieces.expected_m[covered], best[covered])


def test_hearing_ends_within_a_main() -> None:
    street = town({"M": [(0, 0), (300, 0)]}, {"V0": (0, 0)})
    found = judged(street, ["V0"], reach=ReachTable.with_own({"all": 100.0}), step_m=10.0)
    assert found.length_m(HEARD) == pytest.approx(100.0, abs=6.0)
    assert found.length_m(COVERED) == 0.0


def test_an_unknown_material_is_covered_but_not_placed() -> None:
    street = town({"M": [(0, 0), (30, 0)]}, {"V0": (0, 0), "V1": (30, 0)}, columns={"M": {"material": None}})
    found = judged(street, ["V0", "V1"])
    assert found.length_m(COVERED) == pytest.approx(30.0, abs=0.1)
    assert np.isnan(found.pieces.expected_m).all()
    assert (found.pieces.best_pair == 0).all()


def test_of_a_loop_only_what_is_clearly_on_the_way_counts() -> None:
    ring = town(
        {"M": [(0, 0), (50, 0)], "N": [(0, 0), (0, 1), (50, 1), (50, 0)]}, {"V0": (0, 0), "V1": (50, 0)}
    )
    assert judged(ring, ["V0", "V1"], margin=0.0).length_m(COVERED) == pytest.approx(50.0, abs=0.1)
    assert judged(ring, ["V0", "V1"], margin=0.10).length_m(COVERED) == 0.0


def test_only_what_counts_is_judged(grid: PipeNetwork) -> None:
    mains = planned(grid)
    counted = np.zeros(len(mains.graph), dtype=bool)
    with pytest.raises(PlanError, match="no main lies in the district"):
        cover_map(mains, candidate_sites(grid), candidate_sites(grid), reach=ReachTable(), counted=counted)
    counted[3] = True
    found = judged(grid, ["V00", "V11"], counted=counted)
    assert set(found.pieces.edge) == {3}
    assert found.total_m == pytest.approx(mains.graph.length_m[3])
    with pytest.raises(PlanError, match="longest piece"):
        judged(grid, ["V00"], step_m=0.0)


def test_totals_add_up(grid: PipeNetwork) -> None:
    found = judged(grid, grid.fittings.index[::3].tolist())
    x = [edge["geometry"].centroid.x for edge in found.mains.edges]
    zones = ["west" if one < np.median(x) else "" for one in x]
    totals = cover_totals(found, zones=zones, loose_from_m=2.0)
    assert [one.by for one in totals][:1] == [ALL]
    whole = totals[0]
    for by in (MATERIAL, ZONE):
        parts = [one for one in totals if one.by == by]
        for name in ("total_m", "covered_m", "twice_m", "heard_m", "not_covered_m", "loose_m"):
            assert sum(getattr(one, name) for one in parts) == pytest.approx(getattr(whole, name))
    assert {one.name for one in totals if one.by == ZONE} == {"west", ""}
    assert whole.covered_m + whole.heard_m + whole.not_covered_m == pytest.approx(whole.total_m)
    assert sum(length_m for _, length_m in whole.why_m) == pytest.approx(whole.heard_m + whole.not_covered_m)
    assert 0 < whole.covered_percent < 100


@given(st.lists(st.tuples(st.floats(0, 100), st.integers(1, 5)), min_size=1, max_size=9))
def test_the_weighted_median_is_that_of_values_repeated(rows: list[tuple[float, int]]) -> None:
    values, weight = np.array([v for v, _ in rows]), np.array([float(w) for _, w in rows])
    repeated = np.sort(np.repeat(values, weight.astype(int)))
    assert weighted_median(values, weight) in (
        repeated[(len(repeated) - 1) // 2],
        repeated[len(repeated) // 2],
    )


def test_zones_by_polygon_and_by_column(grid: PipeNetwork) -> None:
    mains = planned(grid)
    x0, y0, x1, y1 = grid.fittings.total_bounds
    middle = (x0 + x1) / 2
    polygons = gpd.GeoDataFrame(
        {"zone": ["west", "all"]},
        geometry=[shapely.box(x0 - 9, y0 - 9, middle, y1 + 9), shapely.box(x0 - 9, y0 - 9, x1 + 9, y1 + 9)],
        crs=grid.crs,
    )
    names = zones_by_polygon(mains, polygons)
    for edge, name in zip(mains.edges, names, strict=True):
        at = edge["geometry"].interpolate(0.5, normalized=True).x
        assert name == ("west" if at < middle else "all")
    assert set(zones_by_polygon(mains, polygons.iloc[:1])) == {"west", ""}
    first = mains.edges[0]["pipe_id"]
    by_column = zones_by_column(mains, {first: "A"})
    assert [name == "A" for name in by_column] == [edge["pipe_id"] == first for edge in mains.edges]

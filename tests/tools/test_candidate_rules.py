"""The options about candidate fittings, from files to the sites that they leave."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pyogrio
import pytest
import shapely

from netcorr.errors import LayerError, PlanError, UsageError
from netcorr.export import save_network
from netcorr.network import PipeNetwork
from netcorr.tools.candidate_rules import candidate_rules
from netcorr.tools.open_map import open_map

TOWN = Path(__file__).parents[2] / "sample_network" / "town.gpkg"


@pytest.fixture(scope="module")
def marked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample town with a column that says which hydrants are private."""
    file = tmp_path_factory.mktemp("map") / "town.gpkg"
    for layer, _ in pyogrio.list_layers(TOWN):
        frame = pyogrio.read_dataframe(TOWN, layer=layer)
        if layer == "fittings":
            frame["access"] = ["private" if k % 2 else "open" for k in range(len(frame))]
        if "geometry" in frame:
            frame.to_file(file, layer=layer)
    return file


@pytest.fixture(scope="module")
def town(marked: Path) -> PipeNetwork:
    return open_map(marked)


def test_without_options_every_valve_and_hydrant_counts(town: PipeNetwork, marked: Path) -> None:
    rules = candidate_rules(town, marked)
    kinds = town.fittings.loc[rules.sites(town).fitting, "kind"]
    assert set(kinds) == {"valve", "hydrant"}


def test_a_column_leaves_fittings_out(town: PipeNetwork, marked: Path) -> None:
    rules = candidate_rules(town, marked, exclude="access=private")
    assert len(rules.excluded) == len(town.fittings) // 2
    assert not set(rules.sites(town).fitting) & set(rules.excluded)
    assert candidate_rules(town, marked, where="access = 'open'").only == set(town.fittings.index) - set(
        rules.excluded
    )
    assert "access = 'wet'" in candidate_rules(town, marked, exclude="access=wet").notes[0]


def test_a_list_and_a_district(town: PipeNetwork, marked: Path, tmp_path: Path) -> None:
    some = town.fittings.index[town.fittings["kind"] == "valve"][:4].tolist()
    (tmp_path / "list.txt").write_text("\n".join(some))
    rules = candidate_rules(town, marked, candidates=tmp_path / "list.txt")
    assert set(rules.sites(town).fitting) == set(some)
    away = shapely.box(*(value + 90_000 for value in town.fittings.total_bounds))
    gpd.GeoSeries([away], crs=town.crs).to_file(tmp_path / "away.gpkg")
    missed = candidate_rules(town, marked, district=tmp_path / "away.gpkg")
    with pytest.raises(PlanError, match="outside the district"):
        missed.sites(town)


def test_a_saved_network_has_no_columns_of_the_map(town: PipeNetwork, tmp_path: Path) -> None:
    save_network(town, tmp_path / "saved.gpkg")
    with pytest.raises(UsageError, match="--exclude was given, but it no longer has the columns"):
        candidate_rules(town, tmp_path / "saved.gpkg", exclude="access=private")


def test_a_column_that_is_not_there_is_told(town: PipeNetwork, marked: Path) -> None:
    with pytest.raises(LayerError, match=r"fittings: no column 'acces'.*similar: access"):
        candidate_rules(town, marked, exclude="acces=private")

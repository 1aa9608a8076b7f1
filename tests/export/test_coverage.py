"""A coverage in layers, in words and as JSON."""

from __future__ import annotations

import json
import sqlite3
from pathlib import Path

import numpy as np
import pyogrio
import pytest
import shapely

from netcorr.errors import ExportError
from netcorr.export.coverage_record import coverage_dict
from netcorr.export.coverage_schema import COVERAGE_LAYERS
from netcorr.export.coverage_style import COVERAGE_STYLES
from netcorr.export.coverage_tables import coverage_tables, write_coverage
from netcorr.export.coverage_words import coverage_text
from netcorr.export.qml import layer_qml
from netcorr.export.sld import layer_sld
from netcorr.network import PipeNetwork
from netcorr.planning.candidates import why_not
from netcorr.planning.cover_answer import CoverAnswer, candidates_with, given_sites
from netcorr.planning.cover_map import COVERED, STATES, cover_map
from netcorr.planning.cover_totals import cover_totals
from netcorr.planning.dead_ends import find_dead_ends
from netcorr.planning.from_network import planning_map
from netcorr.planning.reach import ReachTable
from netcorr.planning.why_not_covered import REASONS
from tests.planning.conftest import town


def answer_for(network: PipeNetwork, given: list[str], *, zones: bool = False) -> CoverAnswer:
    reach = ReachTable()
    mains = planning_map(network, reach=reach)
    sensors, unused = given_sites(network, given)
    reason = why_not(network)
    might = candidates_with(network, reason, sensors)
    found = cover_map(mains, sensors, might, reach=reach)
    names = ["north" if k % 2 else "" for k in range(len(mains.edges))] if zones else None
    return CoverAnswer(
        cover=found,
        totals=cover_totals(found, zones=names),
        dead_ends=find_dead_ends(mains, might, wanted=np.ones(len(mains.graph), dtype=bool)),
        why_not={str(name): why for name, why in zip(network.fittings.index, reason, strict=True) if why},
        zones=names,
        loose_from_m=10.0,
        given=tuple(given),
        unused=unused,
        notes=("a note",),
    )


@pytest.fixture(scope="module")
def answer() -> CoverAnswer:
    """A street with two sensors, a branch to a dead end, a plastic main and one of unknown material."""
    network = town(
        {
            "M": [(0, 0), (60, 0), (110, 0)],
            "B": [(60, 0), (60, 45)],
            "P": [(110, 0), (300, 0)],
            "U": [(0, 0), (0, 30)],
        },
        {"V0": (0, 0), "V1": (60, 0), "V2": (110, 0), "V3": (300, 0), "V4": (0, 30), "H9": (60, 0.01)},
        columns={
            "P": {"material": "pe100", "diameter_mm": 110.0},
            "U": {"material": None, "material_text": None},
        },
    )
    return answer_for(network, ["V0", "V1", "V4", "V3", "H9"], zones=True)


def test_layers_hold_every_metre_once_with_its_state(answer: CoverAnswer) -> None:
    table = coverage_tables(answer)["coverage"]
    assert table["length_m"].sum() == pytest.approx(answer.cover.total_m)
    assert set(table["state"]) <= set(STATES)
    drawn = shapely.length(table.geometry.to_numpy())
    np.testing.assert_allclose(drawn * 1.0004, table["length_m"], rtol=2e-4)
    covered = table["state"] == COVERED
    assert table.loc[covered, "why_not"].isna().all()
    assert set(table.loc[~covered, "why_not"]) <= set(REASONS)
    assert table.loc[covered, ["sensor_a", "sensor_b", "all_pairs", "fix"]].notna().all().all()


def test_a_main_of_unknown_material_is_covered_and_not_placed(answer: CoverAnswer) -> None:
    table = coverage_tables(answer)["coverage"].set_index("pipe_id")
    assert (table.loc[["U"], "state"] == COVERED).all()
    assert (table.loc[["U"], "fix"] == "unknown").all()
    assert table.loc[["U"], "expected_m"].isna().all()


def test_totals_and_sensors(answer: CoverAnswer) -> None:
    tables = coverage_tables(answer)
    totals = tables["coverage_totals"]
    whole = totals[totals["by"] == "all"].iloc[0]
    table = tables["coverage"]
    assert whole["covered_m"] == pytest.approx(table.loc[table["state"] == COVERED, "length_m"].sum())
    assert set(totals["by"]) == {"all", "material", "zone"}
    sensors = tables["coverage_sensors"].set_index("fitting")
    assert sensors.at["V3", "note"].startswith("no other sensor within reach")
    assert sensors.at["H9", "note"] == "stands at the place of V1"
    assert sensors["pairs"].to_dict() == {"V0": 2, "V1": 1, "V4": 1, "V3": 0, "H9": 0}
    assert sensors.at["V0", "covers_m"] == pytest.approx(90.0, abs=0.2)
    pairs = tables["sensor_pairs"].set_index(["sensor_a", "sensor_b"])
    assert len(pairs) == len(answer.cover.problem.pair_sites)
    assert (pairs["reach_used"] <= 1).all()
    assert "grey cast iron 150 mm" in pairs.iloc[0]["materials"] or "unknown" in pairs.iloc[0]["materials"]
    (end,) = tables["dead_ends"].to_dict("records")
    assert end["pipe_ids"] == "B"
    settings = tables["coverage_settings"].set_index("name")
    assert settings.at["reach on grey cast iron 150 mm", "source"] == "common practice"


def test_the_file_is_whole_and_styled(answer: CoverAnswer, tmp_path: Path) -> None:
    file = tmp_path / "coverage.gpkg"
    write_coverage(answer, file)
    found = {str(name) for name, _ in pyogrio.list_layers(file)}
    assert found == {*(layer.name for layer in COVERAGE_LAYERS), "layer_styles"}
    for layer in COVERAGE_LAYERS:
        names = pyogrio.read_info(file, layer=layer.name)["fields"].tolist()
        assert names == [column.name for column in layer.columns]
    with sqlite3.connect(file) as connection:
        styled = {name for (name,) in connection.execute("SELECT f_table_name FROM layer_styles")}
    assert styled == {style.layer.name for style in COVERAGE_STYLES}
    write_coverage(answer, file)  # an earlier one is replaced
    (tmp_path / "other.gpkg").write_bytes(b"no database")
    with pytest.raises(ExportError):
        write_coverage(answer, tmp_path / "other.gpkg")


@pytest.mark.parametrize("style", COVERAGE_STYLES, ids=lambda style: style.layer.name)
def test_styles_can_be_written_down(style: object) -> None:
    assert "<qgis" in layer_qml(style)  # type: ignore[arg-type]
    assert "StyledLayerDescriptor" in layer_sld(style)  # type: ignore[arg-type]


def test_every_stretch_meets_a_rule_of_the_style(answer: CoverAnswer) -> None:
    """What the rules leave out would be invisible on the map."""
    rules = COVERAGE_STYLES[0].rules
    for row in coverage_tables(answer)["coverage"].to_dict("records"):
        met = [rule for rule in rules if all(row[one.column] == one.value for one in rule.conditions)]
        assert met


def flat(text: str) -> str:
    return " ".join(text.split())


def test_words_say_how_much_why_not_and_what_to_do(answer: CoverAnswer) -> None:
    text = coverage_text(answer)
    whole = answer.totals[0]
    assert text.startswith(f"test.gpkg: 4 sensors cover {whole.covered_percent:.1f} % of the mains: 90 m of")
    for words in (
        "heard by one side only",
        "a leak is noticed, not located",
        "too far for the material",
        "By zone in no zone",
        "the 95 % stretch of a leak would be",
        "on paths with a main of unknown material or size: a leak there cannot be located until",
        "1 dead end with 45 m that no pair can have between it; cover them by listening, or:",
        "a service, a hydrant or a fitting not on the map: main B (45 m)",
        "H9 stands at the place of V1",
        "grey cast iron 150 mm 135 m common practice",
        "a note",
        "No leak heard is not: no leak.",
        "a chamber is a confined space",
    ):
        assert words in flat(text)
    assert max(map(len, text.splitlines())) <= 80


def test_words_in_feet(answer: CoverAnswer) -> None:
    text = coverage_text(answer, units="us")
    assert "cover" in text
    assert "295 ft of" in text
    assert "443 ft  common practice" in text


def test_json_holds_the_totals(answer: CoverAnswer) -> None:
    said = json.loads(json.dumps(coverage_dict(answer), allow_nan=False))
    assert said["covered_m"] == pytest.approx(answer.totals[0].covered_m)
    assert said["sensors"] == 4
    assert said["unused"] == {"H9": "stands at the place of V1"}
    assert {one["by"] for one in said["groups"]} == {"material", "zone"}
    assert said["dead_ends"][0]["pipe_ids"] == ["B"]
    assert sum(said["why_not_m"].values()) == pytest.approx(said["heard_m"] + said["not_covered_m"])


def test_nothing_covered_is_still_said_and_written(tmp_path: Path) -> None:
    network = town({"M": [(0, 0), (300, 0)]}, {"V0": (0, 0)}, columns={"M": {"material": "pe100"}})
    alone = answer_for(network, ["V0"])
    text = coverage_text(alone)
    assert "1 sensor covers 0.0 % of the mains" in text
    assert "By zone" not in text
    write_coverage(alone, tmp_path / "coverage.gpkg")
    assert len(pyogrio.read_dataframe(tmp_path / "coverage.gpkg", layer="coverage")) > 0
    assert len(pyogrio.read_dataframe(tmp_path / "coverage.gpkg", layer="sensor_pairs")) == 0

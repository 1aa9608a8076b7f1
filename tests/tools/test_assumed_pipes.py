"""A main without a material, from the rule of the mapping to what every result says of it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import geopandas as gpd
import pandas as pd
import pytest

from netcorr.cli import main
from netcorr.export import read_result

if TYPE_CHECKING:
    from conftest import SmallSurvey

MAPPING = """
source = "town.gpkg"
[mains]
layer = "mains"
columns = { asset_id = "asset_id", material = "material", diameter_mm = "diameter_mm" }
[[fittings]]
layer = "fittings"
columns = { asset_id = "asset_id", kind = "kind" }
[missing]
material = {rule}
"""
NEIGHBOUR = "material ductile iron from neighbours (1 of 1; or another 33 %)"


@pytest.fixture
def unsaid(survey: SmallSurvey) -> SmallSurvey:
    """Give the survey with no speeds, and no material for the first main."""
    survey.mains = survey.mains.drop(columns="wave_speed")
    survey.mains.loc[0, "material"] = None
    return survey.write()


def locate(survey: SmallSurvey, rule: str, name: str = "result.gpkg") -> Path:
    """Locate with a rule for the material, and return the result."""
    mapping = survey.folder / "town.toml"
    mapping.write_text(MAPPING.replace("{rule}", rule), encoding="utf-8")
    return located(survey, mapping, name)


def located(survey: SmallSurvey, network: Path, name: str) -> Path:
    result = survey.output.with_name(name)
    assert main(["locate", str(network), str(survey.table), "-o", str(result), "--quiet"]) == 0
    return result


def best(result: Path) -> Any:
    return gpd.read_file(result, layer="leak_candidates").sort_values("rank").iloc[0]


def width_m(result: Path) -> float:
    return float(best(result)["high_m"] - best(result)["low_m"])


def test_text_and_layers_say_what_was_assumed_and_with_which_spread(
    unsaid: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    result = locate(unsaid, '"neighbours"')
    text = " ".join(capsys.readouterr().out.replace("\xa0", " ").split())
    assert f"{NEIGHBOUR}: so its speed may be off by 98 m/s more (standard deviation)" in text
    pipes = gpd.read_file(result, layer="path_pipes").sort_values("part")
    assert pipes["assumed"].fillna("").tolist() == [NEIGHBOUR, ""]
    assert json.loads(pipes["could_be"].iloc[0]) == [["material", None, pytest.approx(1 / 3)]]
    assert pd.isna(pipes["could_be"].iloc[1])
    assert pipes["speed_pipe_sd_m_s"].iloc[0] > 98 > pipes["speed_pipe_sd_m_s"].iloc[1]
    assert best(result)["note"] == "rests on what was assumed of M1, as the map does not say it"
    assert NEIGHBOUR in gpd.read_file(result, layer="correlation_paths")["note"].iloc[0]
    kept = read_result(result).fix.pairs[0].path.segments
    assert [one.could_be for one in kept] == [(("material", None, pytest.approx(1 / 3)),), ()]


def test_the_surer_the_assumption_the_narrower_the_area(unsaid: SmallSurvey) -> None:
    widths = [
        width_m(locate(unsaid, f'{{ assume = "ductile_iron", sure = {sure} }}', f"{k}.gpkg"))
        for k, sure in enumerate((0.3, 0.7, 0.95, 1))
    ]
    assert widths == sorted(widths, reverse=True)
    assert widths[0] > 1.5 * widths[-1]


def test_an_assumption_that_is_sure_and_true_is_as_good_as_the_map(unsaid: SmallSurvey) -> None:
    assumed = best(locate(unsaid, '{ assume = "ductile_iron", sure = 1 }'))
    unsaid.mains.loc[0, "material"] = "ductile iron"
    unsaid.write()
    given = best(locate(unsaid, '"leave"', "given.gpkg"))
    for name in ("from_a_m", "low_m", "high_m", "probability", "sd_m"):
        assert assumed[name] == pytest.approx(given[name]), name


def test_a_saved_network_carries_it(unsaid: SmallSurvey) -> None:
    direct = locate(unsaid, '{ assume = "ductile_iron", or = ["pvc"] }')
    saved = unsaid.folder / "saved.gpkg"
    words = ["check", str(unsaid.folder / "town.toml"), "-o", str(unsaid.folder / "check.gpkg")]
    assert main([*words, "--save", str(saved), "--quiet"]) in (0, 4)
    again = located(unsaid, saved, "again.gpkg")
    for layer in ("leak_candidates", "path_pipes", "mains_nearby"):
        one, other = (gpd.read_file(path, layer=layer) for path in (direct, again))
        columns = [c for c in ("assumed", "could_be", "low_m", "high_m", "speed_pipe_sd_m_s") if c in one]
        assert one[columns].equals(other[columns]), layer
    pipes = gpd.read_file(again, layer="path_pipes").sort_values("part")
    assert json.loads(pipes["could_be"].iloc[0]) == [["material", "pvc", pytest.approx(1 / 3)]]
    assert pipes["speed_pipe_sd_m_s"].iloc[0] == pytest.approx(870 / 3**0.5, rel=0.05), "iron 1246, PVC 373"


def test_plans_and_coverage_say_on_how_much_main_they_rest_on_it(
    unsaid: SmallSurvey, capsys: pytest.CaptureFixture[str]
) -> None:
    (unsaid.folder / "town.toml").write_text(MAPPING.replace("{rule}", '"neighbours"'), encoding="utf-8")
    town, sites = str(unsaid.folder / "town.toml"), str(unsaid.table)
    for words, layer in (
        (["plan", town, "-o", str(unsaid.folder / "plan.gpkg")], "planned_mains"),
        (["coverage", town, sites, "-o", str(unsaid.folder / "coverage.gpkg")], "coverage"),
    ):
        assert main([*words, "--quiet"]) == 0
        said = " ".join(capsys.readouterr().out.split())
        wanted = f"90 m of main have a material, diameter or year that is assumed: see assumed in {layer}"
        assert wanted in said
        mains = gpd.read_file(words[-1], layer=layer)
        assert set(mains.loc[mains["pipe_id"] == "M1", "assumed"]) == {NEIGHBOUR}
        assert mains.loc[mains["pipe_id"] == "M2", "assumed"].isna().all()

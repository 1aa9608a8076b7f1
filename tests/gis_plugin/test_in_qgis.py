"""The plug-in inside of QGIS itself, without a window: its tools, its limits, its results, its cancelling."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import pyogrio
import pytest

from netcorr.tools import TOOLS

if TYPE_CHECKING:
    from conftest import Gis

SAMPLE = Path(__file__).resolve().parent.parent.parent / "sample_network"
pytestmark = pytest.mark.xdist_group("qgis")


@pytest.fixture(scope="module")
def located(gis: Gis) -> tuple[subprocess.CompletedProcess[str], Path]:
    output = gis.folder / "from gis.gpkg"  # with a blank in its name
    done = gis.run(
        "locate",
        network=SAMPLE / "town.gpkg",
        deployments=SAMPLE / "survey_iron" / "deployments.csv",
        temperature_c=12,
        output=output,
    )
    return done, output


def test_every_tool_that_belongs_into_a_gis_is_there(gis: Gis) -> None:
    listed = gis.process("list").stdout
    for tool in gis.described:
        assert f"netcorr:{tool['id'].replace('-', '_')}\t{tool['title']}" in listed
    assert {tool["id"] for tool in gis.described} == set(TOOLS) - {"tools", "plugin"}


def test_locate_runs_and_says_what_the_command_says(
    located: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    done, output = located
    assert done.returncode == 0, done.stderr
    said = json.loads(done.stdout)["results"]
    assert said["output"] == str(output)
    assert "strong evidence" in said["text"]
    assert "Before anyone digs" in said["text"]


def test_the_gis_and_the_command_line_give_the_same_to_the_last_byte(
    located: tuple[subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    by_command = tmp_path / "command.gpkg"
    TOOLS["locate"].run(
        {
            "network": SAMPLE / "town.gpkg",
            "deployments": SAMPLE / "survey_iron" / "deployments.csv",
            "temperature_c": 12,
            "output": by_command,
        }
    )
    layers = [name for name, _ in pyogrio.list_layers(by_command)]
    assert layers == [name for name, _ in pyogrio.list_layers(located[1])]
    for layer in set(layers) - {"layer_styles"}:  # which has the time of writing
        pd.testing.assert_frame_equal(_as_bytes(by_command, layer), _as_bytes(located[1], layer))


def _as_bytes(file: Path, layer: str) -> pd.DataFrame:
    """Rows of a layer, geometry as WKB."""
    table = pyogrio.read_dataframe(file, layer=layer)
    shapes = table.geometry.to_wkb() if "geometry" in table else None
    return pd.DataFrame(table.drop(columns="geometry", errors="ignore")).assign(shapes=shapes)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        ({"temperature_c": 90}, "temperature_c"),
        ({"reach_m": 0}, "reach_m"),
        ({"band_hz": "800,200"}, "the lower first"),
        ({"units": "furlongs"}, "units"),
    ],
)
def test_what_the_declaration_does_not_allow_is_refused_by_the_gis(
    gis: Gis, tmp_path: Path, values: dict[str, Any], why: str
) -> None:
    done = gis.run(
        "locate",
        network=SAMPLE / "town.gpkg",
        deployments=SAMPLE / "survey_iron" / "deployments.csv",
        output=tmp_path / "out.gpkg",
        **values,
    )
    assert done.returncode != 0
    assert why in done.stdout + done.stderr
    assert list(tmp_path.iterdir()) == []


def test_a_bad_file_is_told_in_the_words_of_netcorr(gis: Gis, tmp_path: Path) -> None:
    missing = tmp_path / "nothing.csv"
    done = gis.run("locate", network=SAMPLE / "town.gpkg", deployments=missing, output=tmp_path / "o.gpkg")
    assert done.returncode != 0
    assert "nothing.csv" in done.stdout + done.stderr


def test_inspect_needs_no_output(gis: Gis) -> None:
    done = gis.run("inspect", source=SAMPLE / "town.gpkg")
    assert done.returncode == 0, done.stderr
    assert "It can be used for locating leaks" in json.loads(done.stdout)["results"]["text"]


def test_layers_of_the_project_stand_for_the_network_and_results_are_loaded(gis: Gis, tmp_path: Path) -> None:
    said = gis.script(
        """
        town, deployments, output = sys.argv[1:]
        mains = QgsVectorLayer(town + "|layername=mains", "our mains", "ogr")
        fittings = QgsVectorLayer(town + "|layername=fittings", "our fittings", "ogr")
        QgsProject.instance().addMapLayers([mains, fittings])
        context = QgsProcessingContext()
        context.setProject(QgsProject.instance())
        values = {"network_mains": mains, "network_fittings": fittings, "deployments": deployments,
                  "output": output}
        result = processing.run("netcorr:locate", values, context=context, feedback=QgsProcessingFeedback())
        waiting = context.layersToLoadOnCompletion()
        valid = [QgsVectorLayer(uri, "x", "ogr").isValid() for uri in waiting]
        names = [details.name for details in waiting.values()]
        print(json.dumps({"text": result["text"], "valid": valid, "names": names}))
        """,
        str(SAMPLE / "town.gpkg"),
        str(SAMPLE / "survey_iron" / "deployments.csv"),
        str(tmp_path / "out.gpkg"),
    )
    assert "strong evidence" in said["text"]
    assert all(said["valid"])
    assert len(said["valid"]) == len(TOOLS["locate"].outputs())


def test_cancelling_takes_effect_within_two_seconds_and_leaves_nothing(gis: Gis, tmp_path: Path) -> None:
    said = gis.script(
        """
        town, deployments, output = sys.argv[1:]
        algorithm = QgsApplication.processingRegistry().createAlgorithmById("netcorr:locate")
        feedback, context = QgsProcessingFeedback(), QgsProcessingContext()
        moments = {}
        def stop():
            moments["asked"] = time.monotonic()
            feedback.cancel()
        feedback.progressChanged.connect(
            lambda share: share > 5 and "asked" not in moments and stop())
        values = {"network": town, "deployments": deployments, "output": output}
        results, fine = algorithm.run(values, context, feedback)
        print(json.dumps({"took_s": time.monotonic() - moments["asked"], "results": results}))
        """,
        str(SAMPLE / "town.gpkg"),
        str(SAMPLE / "survey_mixed" / "deployments.csv"),
        str(tmp_path / "out.gpkg"),
    )
    assert said["took_s"] < 2.0
    assert said["results"] == {}
    assert list(tmp_path.iterdir()) == []


def test_several_files_for_one_parameter(
    gis: Gis, located: tuple[subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    files = [tmp_path / f"{name} result.gpkg" for name in ("first", "second")]
    for file in files:
        file.write_bytes(located[1].read_bytes())
    output = tmp_path / "accuracy.gpkg"
    given = [*(f"results={file}" for file in files), f"output={output}"]
    done = gis.process("run", "netcorr:accuracy", "--json", "--", *given)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["results"]["text"].startswith("2 results: no candidate was visited yet.")
    assert "verified_finds" in [name for name, _ in pyogrio.list_layers(output)]

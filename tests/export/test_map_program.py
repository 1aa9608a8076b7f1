"""The result in a real map program: QGIS without a screen loads every layer, its style and its pick lists."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from netcorr.export.check_style import _CHANGES, CHECK_STYLES
from netcorr.export.geopackage import write_result
from netcorr.export.layer_style import AROUND_STYLES, RESULT_STYLES, LayerStyle
from netcorr.export.result_schema import FIELD_COLUMNS, LEAK_CANDIDATES
from netcorr.network.log import CHANGES
from netcorr.position.fix import SurveyFix
from netcorr.tools import TOOLS
from netcorr.verification import VERIFICATIONS

#: Of every layer of a result that has a look.
STYLES = (*RESULT_STYLES, *AROUND_STYLES)

#: Run by the Python of the system, which has the bindings of QGIS; prints what it found as JSON.
LOOK = """
import json, sys
from qgis.core import (QgsApplication, QgsExpressionContext, QgsExpressionContextUtils,
    QgsMapRendererParallelJob, QgsMapSettings, QgsVectorLayer)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor
QgsApplication.setPrefixPath("/usr", True)
program = QgsApplication([], False); program.initQgis()
source, picture, names = sys.argv[1], sys.argv[2], sys.argv[3].split(",")
found, layers = {}, []
for name in names:
    layer = QgsVectorLayer(f"{source}|layername={name}", name, "ogr")  # with what it has as default style
    fields, form = layer.fields(), layer.editFormConfig()
    seen = {"valid": layer.isValid(), "rows": layer.featureCount(),
        "alias": {f.name(): f.alias() for f in fields},
        "widget": {f.name(): fields[i].editorWidgetSetup().type() for i, f in enumerate(fields)},
        "locked": {f.name(): form.readOnly(i) for i, f in enumerate(fields)},
        "default": {f.name(): layer.defaultValueDefinition(i).expression() for i, f in enumerate(fields)}}
    index = fields.indexOf("verification")
    if index >= 0:
        picks = fields[index].editorWidgetSetup().config()["map"]
        seen["picks"] = [list(one.items())[0] for one in picks]
    if layer.isSpatial():
        layers.append(layer)
        renderer = layer.renderer()
        seen["renderer"] = renderer.type()
        rules = renderer.rootRule().children() if renderer.type() == "RuleRenderer" else []
        seen["rules"] = [rule.label() for rule in rules]
        seen["faults"] = [rule.filterExpression() for rule in rules
                          if rule.filter() and rule.filter().hasParserError()]
        used = []
        if rules:
            for feature in layer.getFeatures():
                context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
                context.setFeature(feature)
                used.append([r.label() for r in rules if not r.filter() or r.filter().evaluate(context)])
        seen["used"] = used
        seen["labels"] = layer.labeling().settings().fieldName if layer.labelsEnabled() else None
        again = QgsVectorLayer(f"{source}|layername={name}", name, "ogr")
        sld = sys.argv[4] + "/" + name + ".sld"
        said, ok = again.loadSldStyle(sld)
        seen["sld"] = [ok, said, again.renderer().type(), again.labelsEnabled()]
    found[name] = seen
settings = QgsMapSettings()
settings.setLayers(sorted(layers, key=lambda layer: layer.geometryType()))  # points on top
settings.setOutputSize(QSize(900, 700)); settings.setBackgroundColor(QColor("white"))
settings.setDestinationCrs(layers[0].crs())
shown = [layer for layer in layers if layer.name() == "correlation_paths"] or [layers[2]]
extent = shown[0].extent(); extent.grow(15); settings.setExtent(extent)
job = QgsMapRendererParallelJob(settings); job.start(); job.waitForFinished()
job.renderedImage().save(picture)
print(json.dumps(found))
sys.stdout.flush()
import os; os._exit(0)  # tearing the program down without a screen may crash
"""


def system_python() -> str | None:
    """Python that has the bindings of QGIS, or None."""
    for program in ("/usr/bin/python3", shutil.which("python3")):
        if program and Path(program).is_file():
            run = subprocess.run(
                [program, "-c", "import qgis.core"], capture_output=True, check=False, env=plain_environment()
            )
            if run.returncode == 0:
                return program
    return None


def plain_environment() -> dict[str, str]:
    """Environment without what would mix the packages of two Pythons."""
    kept = {
        k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV", "GDAL", "PROJ"))
    }
    return {**kept, "QT_QPA_PLATFORM": "offscreen"}


@pytest.fixture(scope="module")
def python() -> str:
    found = system_python()
    if found is None:
        pytest.skip("QGIS with its Python bindings is not installed")
    return found


def look_at(result: Path, python: str, styles: Sequence[LayerStyle] = STYLES) -> dict[str, Any]:
    folder = result.parent
    from netcorr.export.sld import layer_sld

    for style in styles:
        (folder / f"{style.layer.name}.sld").write_text(layer_sld(style), encoding="utf-8")
    names = ",".join(style.layer.name for style in styles)
    run = subprocess.run(
        [python, "-c", LOOK, str(result), str(folder / "map.png"), names, str(folder)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        env={**plain_environment(), "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)},
    )
    assert run.returncode == 0, run.stderr[-2000:]
    found: dict[str, Any] = json.loads(run.stdout.splitlines()[-1])
    return found


def test_a_map_program_opens_the_result_as_it_was_meant(
    make_fix: Callable[..., SurveyFix], tmp_path: Path, python: str
) -> None:
    result = tmp_path / "result.gpkg"
    write_result(make_fix(), result)
    found = look_at(result, python)

    for style in STYLES:
        layer, seen = style.layer, found[style.layer.name]
        assert seen["valid"]
        assert seen["rows"] > 0 or layer.name == "leak_likelihood"  # a single pair has none
        assert seen["alias"] == {"fid": "", **{c.name: c.title for c in layer.columns}}
        assert seen["locked"] == {"fid": True, **{c.name: not c.editable for c in layer.columns}}
        if layer.geometry:
            assert seen["renderer"] == "RuleRenderer"
            assert seen["rules"] == [rule.title for rule in style.rules]
            assert seen["faults"] == []
            assert seen["labels"] == style.label
            read_again = "RuleRenderer" if any(rule.conditions for rule in style.rules) else "singleSymbol"
            assert seen["sld"] == [True, "", read_again, style.label is not None]

    candidates = found[LEAK_CANDIDATES.name]
    assert candidates["picks"] == [[words, words] for words in VERIFICATIONS]
    assert candidates["default"]["verification"] == "'not visited'"
    assert candidates["widget"]["visited"] == "DateTime"
    assert candidates["widget"]["photo"] == "ExternalResource"
    assert candidates["used"] == [["Leak, strong evidence (0.9 and above)"]]
    assert {name for name, locked in candidates["locked"].items() if not locked} == {
        column.name for column in FIELD_COLUMNS
    }
    # every branch and stretch of the answer is drawn by one rule, not left out
    assert all(len(used) == 1 for used in found["uncertainty_areas"]["used"])
    assert all(len(used) == 1 for used in found["correlation_paths"]["used"])

    # the picture has a leak's colour, a sensor's, a path's and much paper
    pixels = np.asarray(Image.open(tmp_path / "map.png").convert("RGB")).reshape(-1, 3).astype(int)
    for colour in ((165, 23, 75), (18, 53, 91), (201, 133, 27)):
        assert (np.abs(pixels - colour).max(axis=1) < 12).sum() > 50, colour
    assert 0.5 < (pixels.min(axis=1) > 245).mean() < 0.999


def test_a_map_program_shows_a_checked_map(tmp_path: Path, python: str) -> None:
    sample = Path(__file__).resolve().parent.parent.parent / "sample_network"
    check = tmp_path / "check.gpkg"
    TOOLS["check"].run({"network": sample / "town.gpkg", "output": check})
    found = look_at(check, python, CHECK_STYLES)
    for style in CHECK_STYLES:
        seen = found[style.layer.name]
        assert seen["valid"]
        assert seen["renderer"] == "RuleRenderer"
        assert seen["rules"] == [rule.title for rule in style.rules]
        assert seen["faults"] == []
        assert seen["labels"] == style.label
        assert seen["sld"][:2] == [True, ""]
        assert all(len(used) == 1 for used in seen["used"])  # each feature is drawn by one rule
    assert set(_CHANGES) == set(CHANGES)  # whatever is done to a map has a look
    assert ["Out of service"] in found["checked_pipes"]["used"]
    assert ["Closed valve"] in found["checked_fittings"]["used"]

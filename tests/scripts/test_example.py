"""The worked example runs as it stands, finds the known leak and draws both maps."""

from __future__ import annotations

import ast
import json
import os
import subprocess
import sys
from pathlib import Path

import pyogrio
import pytest
from PIL import Image

import netcorr

ROOT = Path(__file__).resolve().parent.parent.parent
EXAMPLE = ROOT / "scripts" / "example.py"


def test_it_runs_and_its_answer_is_the_known_one(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-W", "error", str(EXAMPLE), str(tmp_path)],
        env={**os.environ, "MPLBACKEND": "Agg", "PYTHONPATH": str(Path(netcorr.__file__).parent.parent)},
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "Before anyone digs" in done.stdout
    leak = json.loads((ROOT / "sample_network" / "answers.json").read_text("utf-8"))["survey_iron"]["leak"]
    best = pyogrio.read_dataframe(tmp_path / "result.gpkg", layer="leak_candidates").iloc[0]
    assert (best["sensor_a"], best["sensor_b"]) == (leak["sensor_a"], leak["sensor_b"])
    assert best["from_a_m"] == pytest.approx(leak["from_a_m"], abs=0.9)
    assert "<svg" in (tmp_path / "map.svg").read_text(encoding="utf-8")
    with Image.open(tmp_path / "own_map.png") as picture:
        assert len(set(picture.convert("RGB").resize((80, 60)).get_flattened_data())) > 5


def test_it_stays_short() -> None:
    tree = ast.parse(EXAMPLE.read_text(encoding="utf-8"))
    lines = {node.lineno for node in ast.walk(tree) if isinstance(node, ast.stmt)}
    assert len(lines) <= 30

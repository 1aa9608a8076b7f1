"""The sample town is what its script makes and what its README says."""

from __future__ import annotations

import csv
import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import geopandas as gpd
import numpy as np
import pyproj
import pytest
import soundfile

from netcorr.layers import read_network_layers
from netcorr.network import PipeNetwork, build_network
from netcorr.path import correlation_path, distance_along

ROOT = Path(__file__).resolve().parents[2]
SAMPLE = ROOT / "sample_network"
SURVEYS = ("survey_iron", "survey_mixed", "survey_quiet")
Answers = dict[str, Any]


@pytest.fixture(scope="module")
def remade(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The sample made once more, elsewhere."""
    folder = tmp_path_factory.mktemp("sample")
    script("make_sample").main(folder)
    return folder


def script(name: str) -> ModuleType:
    sys.path.insert(0, str(ROOT / "scripts"))
    try:
        spec = importlib.util.spec_from_file_location(name, ROOT / "scripts" / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module  # dataclasses look their module up
        spec.loader.exec_module(module)
        return module
    finally:
        sys.path.pop(0)


@pytest.fixture(scope="module")
def answers() -> Answers:
    loaded: Answers = json.loads((SAMPLE / "answers.json").read_text(encoding="utf-8"))
    return loaded


@pytest.fixture(scope="module")
def network() -> PipeNetwork:
    return build_network(read_network_layers(SAMPLE / "town.gpkg"))


def deployments(folder: Path) -> list[dict[str, str]]:
    with (folder / "deployments.csv").open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_script_makes_the_sample_that_is_there(remade: Path, answers: Answers) -> None:
    assert json.loads((remade / "answers.json").read_text(encoding="utf-8")) == answers
    assert (remade / "README.md").read_text(encoding="utf-8") == (SAMPLE / "README.md").read_text(
        encoding="utf-8"
    )
    for layer in ("mains", "fittings"):
        old, new = (gpd.read_file(folder / "town.gpkg", layer=layer) for folder in (SAMPLE, remade))
        assert old.drop(columns="geometry").equals(new.drop(columns="geometry"))
        assert all(old.geometry.geom_equals_exact(new.geometry, 1e-9))


@pytest.mark.parametrize("survey", SURVEYS)
def test_recordings_are_those_the_script_makes(remade: Path, survey: str) -> None:
    rows = deployments(SAMPLE / survey)
    assert rows == deployments(remade / survey)
    for row in rows:
        old, new = (soundfile.read(folder / survey / row["recording"]) for folder in (SAMPLE, remade))
        assert old[1] == new[1]
        # another machine's mathematics may round a sample to the next step, no more
        assert np.abs(old[0] - new[0]).max() <= 2**-15


def test_answers_agree_with_the_path_on_the_map(network: PipeNetwork, answers: Answers) -> None:
    for survey in SURVEYS:
        known = answers[survey]
        path = correlation_path(network, known["sensors"][0], fitting_b=known["sensors"][1])
        assert path.length_m == pytest.approx(known["distance_m"], abs=0.02)
        leak = known["leak"]
        if leak is None:
            continue
        assert leak["from_a_m"] + leak["from_b_m"] == pytest.approx(path.length_m, abs=0.03)
        point = gpd.points_from_xy([leak["x"]], [leak["y"]])[0]
        assert distance_along(path, point).from_a_m == pytest.approx(leak["from_a_m"], abs=0.05)
        x, y = pyproj.Transformer.from_crs(4326, network.crs, always_xy=True).transform(
            leak["lon"], leak["lat"]
        )
        assert (x, y) == pytest.approx((leak["x"], leak["y"]), abs=0.02)


def test_town_lies_in_the_open_sea_and_is_small_enough(network: PipeNetwork) -> None:
    west, south, east, north = gpd.read_file(SAMPLE / "town.gpkg", layer="mains").to_crs(4326).total_bounds
    assert -17.1 < west < east < -16.9
    assert 46.9 < south < north < 47.1
    mains = sum(data["length_m"] for _, _, data in network.graph.edges(data=True))
    assert 10_000 < mains < 15_000
    assert sum(path.stat().st_size for path in SAMPLE.rglob("*") if path.is_file()) < 8e6


def test_map_has_the_defects_that_the_readme_names(network: PipeNetwork) -> None:
    mains = gpd.read_file(SAMPLE / "town.gpkg", layer="mains")
    fittings = gpd.read_file(SAMPLE / "town.gpkg", layer="fittings")
    assert mains["material"].isna().sum() == 1
    assert (mains["status"] == "abandoned").sum() == 1
    assert (fittings["status"] == "closed").sum() == 1
    assert (mains.length == 0).sum() == 1
    assert mains.geometry.duplicated().sum() == 1
    assert mains["length_m"].notna().sum() == 3
    pieces = [data["pipe_id"] for _, _, data in network.graph.edges(data=True)]
    through = mains[mains["street"] == "Quay Street"]["asset_id"]
    assert max(pieces.count(pipe_id) for pipe_id in through) > 2
    medlar = mains[mains["street"] == "Medlar Close"].iloc[0]
    gap = mains[mains["asset_id"] != medlar["asset_id"]].distance(medlar.geometry.boundary.geoms[0]).min()
    assert 0.05 < gap < 0.2
    assert network.log["change"].nunique() >= 4


@pytest.mark.parametrize("survey", SURVEYS)
def test_every_survey_has_two_rounds_of_two_loggers(
    network: PipeNetwork, answers: Answers, survey: str
) -> None:
    rows = deployments(SAMPLE / survey)
    assert len(rows) == 4
    assert [row["fitting"] for row in rows] == answers[survey]["sensors"] * 2
    for row in rows:
        assert network.node_of(row["fitting"]) >= 0
        info = soundfile.info(SAMPLE / survey / row["recording"])
        assert info.duration == pytest.approx(10.0)
        assert info.channels == 1


def test_surveys_differ_as_the_readme_says(network: PipeNetwork, answers: Answers) -> None:
    kinds = [network.fittings.loc[f, "kind"] for f in answers["survey_iron"]["sensors"]]
    assert kinds == ["hydrant", "valve"]
    path = correlation_path(
        network, answers["survey_mixed"]["sensors"][0], fitting_b=answers["survey_mixed"]["sensors"][1]
    )
    materials = list(dict.fromkeys(segment.material for segment in path.segments))
    assert set(materials) == {"asbestos_cement", "ductile_iron", "pvc"}
    rates = {
        soundfile.info(SAMPLE / "survey_mixed" / row["recording"]).samplerate
        for row in deployments(SAMPLE / "survey_mixed")
    }
    assert rates == {4000, 5000}
    formats = {
        (info.format, info.subtype)
        for survey in SURVEYS
        for row in deployments(SAMPLE / survey)
        for info in [soundfile.info(SAMPLE / survey / row["recording"])]
    }
    assert formats == {("WAV", "PCM_16"), ("WAV", "PCM_24"), ("FLAC", "PCM_16")}


def test_usage_is_heard_in_the_second_round_only() -> None:
    loudest = []
    for row in deployments(SAMPLE / "survey_iron")[::2]:
        samples, _ = soundfile.read(SAMPLE / "survey_iron" / row["recording"])
        power = samples.reshape(100, -1).var(axis=1)
        loudest.append(power.max() / np.median(power))
    assert loudest[0] < 4 < 10 < loudest[1]

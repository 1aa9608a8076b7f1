"""A tap run at a hydrant: tables that are wrong, put right by the survey itself, and kept for the next one.

The recordings come from the network solver of `netcorr.simulation`, which knows nothing of the locator.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely import LineString, Point

import netcorr
from netcorr.cli import main
from netcorr.errors import NetcorrError
from netcorr.simulation import (
    Conditions,
    LeakSource,
    SensorSetup,
    TrueSpeeds,
    place_on_pipe,
    simulate_survey,
    write_survey,
)
from netcorr.speed import read_calibration
from netcorr.tools.python_face import Answer

EAST, NORTH, SCALE = 500_000.0, 5_400_000.0, 0.9996
#: Pipes here carry the noise more slowly than the tables say, which no map tells.
TRUE_SCALE = 0.95
#: Fittings by their distance along the main; the tap is run at H-1, beyond V-1 for both loggers. [m]
FITTINGS_M = {"H-1": 340.0, "V-1": 400.0, "V-2": 520.0, "H-3": 560.0}
LEAK_FROM_V1_M = 12.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A street; round 1 while a tap was run at H-1, rounds 2 and 3 of a leak."""
    folder = tmp_path_factory.mktemp("tap")
    line = LineString([(EAST, NORTH), (EAST + 920 * SCALE, NORTH)])
    mains = {"asset_id": ["M-1"], "material": ["grey iron"], "diameter_mm": [150.0], "year": [1950]}
    gpd.GeoDataFrame(mains, geometry=[line], crs=25832).to_file(folder / "town.gpkg", layer="mains")
    points = [Point(EAST + at_m * SCALE, NORTH) for at_m in FITTINGS_M.values()]
    fittings = {"asset_id": list(FITTINGS_M), "kind": "hydrant"}
    gpd.GeoDataFrame(fittings, geometry=points, crs=25832).to_file(folder / "town.gpkg", layer="fittings")
    network = netcorr.read_network(folder / "town.gpkg")
    made = [
        one
        for at_m, rounds in ((FITTINGS_M["H-1"], (1,)), (FITTINGS_M["V-1"] + LEAK_FROM_V1_M, (2, 3)))
        for one in simulate_survey(
            network,
            sensors=[SensorSetup(logger=f"L{end}", fitting=f"V-{end}") for end in (1, 2)],
            leak=LeakSource(place_on_pipe(network, "M-1", into_m=at_m)),
            conditions=Conditions(snr_db=6.0, duration_s=6.0),
            speeds=TrueSpeeds(by_material={"grey_iron": TRUE_SCALE}),
            rng=np.random.default_rng(int(at_m)),
            rounds=rounds,
        )
    ]
    write_survey(made, folder)
    return folder


def table(folder: Path, name: str, *, tap_at: str | None, rounds: tuple[int, ...] = (1, 2, 3)) -> Path:
    """The table of the survey with some of its rounds, round 1 with a known noise."""
    rows = pd.read_csv(folder / "deployments.csv", dtype=str)
    number = rows.recording.str.extract(r"round(\d)", expand=False).astype(int)
    rows["known_noise"] = np.where(number == 1, tap_at, None) if tap_at else ""
    rows[number.isin(rounds)].to_csv(folder / name, index=False)
    return folder / name


def located(folder: Path, deployments: Path, **options: object) -> Answer:
    answer: Answer = netcorr.locate(folder / "town.gpkg", deployments, temperature_sd_c=0.5, **options)
    return answer


def error_m(answer: Answer) -> float:
    """How far the best candidate is from the leak, along the main."""
    row = answer.layers["leak_candidates"].iloc[0]
    from_v1 = row.from_a_m if row.sensor_a == "V-1" else row.from_b_m
    return float(abs(from_v1 - LEAK_FROM_V1_M))


def test_a_tap_puts_the_speed_and_so_the_place_right(folder: Path) -> None:
    wrong = located(folder, table(folder, "no_tap.csv", tap_at=None, rounds=(2, 3)))
    assert error_m(wrong) > 1.5  # the tables are wrong by 5 % on 96 m of difference
    right = located(folder, table(folder, "tap.csv", tap_at="H-1"))
    assert error_m(right) < 0.9
    before, after = (one.layers["leak_candidates"].iloc[0] for one in (wrong, right))
    assert after.high_m - after.low_m < 0.5 * (before.high_m - before.low_m)
    text = " ".join(right.text().split())
    assert (
        "ound 1 holds a known noise at H-1 and was not searched for leaks: heard there by 1 of 1 pair" in text
    )
    assert "ave speed in grey cast iron by a known noise at H-1: " in text
    assert "1 pair of loggers, 2 rounds" in text
    rows = right.layers["pair_rounds"].set_index("round")
    assert rows.status.to_dict() == {1: "no evidence", 2: "used", 3: "used"}
    assert rows.reason[1] == "the round holds a known noise at H-1 and was not searched for leaks"


def test_the_speed_is_kept_for_the_next_survey(folder: Path) -> None:
    speeds = folder / "speeds.toml"
    located(folder, table(folder, "kept.csv", tap_at="H-1"), keep_speeds=speeds)
    [scale] = read_calibration(speeds).scales
    assert (scale.material, scale.source) == ("grey_iron", "a known noise at H-1")
    assert scale.scale == pytest.approx(TRUE_SCALE, abs=3 * scale.scale_sd)
    assert scale.scale_sd < 0.025
    rest = table(folder, "rest.csv", tap_at=None, rounds=(2, 3))
    next_one = located(folder, rest, calibration=speeds)
    # one main may be unlike the others of its material: less is known of those than of this one
    assert error_m(next_one) < 0.7 * error_m(located(folder, rest))
    assert "from a known noise at H-1 (speeds.toml)" in " ".join(next_one.text().split())


def test_a_survey_of_a_tap_alone_teaches_the_speed(
    folder: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    only = table(folder, "only.csv", tap_at="H-1", rounds=(1,))
    speeds = tmp_path / "speeds.toml"
    words = ["locate", str(folder / "town.gpkg"), str(only), "-o", str(tmp_path / "tap.gpkg")]
    assert main([*words, "--keep-speeds", str(speeds)]) == 0
    out = capsys.readouterr().out
    assert "no leak was searched for" in " ".join(out.split())
    assert read_calibration(speeds).scales[0].scale == pytest.approx(TRUE_SCALE, abs=0.03)
    # a page and a picture need a pair; they say so
    report = ["report", str(tmp_path / "tap.gpkg"), "-o", str(tmp_path / "report.html")]
    assert main(report) == 3
    assert "every round holds a known noise" in capsys.readouterr().err
    assert not (tmp_path / "report.html").exists()
    with pytest.raises(NetcorrError, match="no pair of sensors"):
        located(folder, only, map_picture=tmp_path / "map.png")


def test_a_noise_that_was_made_elsewhere_teaches_nothing(folder: Path) -> None:
    answer = located(folder, table(folder, "wrong.csv", tap_at="H-3"))
    text = " ".join(answer.text().split())
    assert "hear it as from there, which is too few to believe" in text
    assert "check the fitting and the times" in text
    assert "m/s, give or take" not in text
    before = located(folder, table(folder, "none.csv", tap_at=None, rounds=(2, 3)))
    assert error_m(answer) == pytest.approx(error_m(before))


def test_an_unknown_fitting_is_named(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    wrong = table(folder, "unknown.csv", tap_at="H-9")
    words = ["locate", str(folder / "town.gpkg"), str(wrong), "-o", str(folder / "no.gpkg")]
    assert main(words) == 3
    said = capsys.readouterr().err
    assert "fitting H-9" in said
    assert "no fitting has this id" in said
    assert not (folder / "no.gpkg").exists()


def test_two_noises_in_one_round_are_refused(folder: Path) -> None:
    file = table(folder, "two.csv", tap_at="H-1")
    rows = pd.read_csv(file, dtype=str)
    rows.loc[rows.index[rows.known_noise.notna()][-1], "known_noise"] = "H-3"
    rows.to_csv(file, index=False)
    with pytest.raises(NetcorrError, match="round 1, column known_noise: H-1 and H-3"):
        located(folder, file)

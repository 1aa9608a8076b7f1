"""A rehearsal as layers and words: every outcome has its row, and a reader is not misled."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString, Point

from netcorr.export.rehearsal.schema import REHEARSAL_LAYERS
from netcorr.export.rehearsal.tables import rehearsal_tables, write_rehearsal
from netcorr.export.rehearsal.words import rehearsal_dict, rehearsal_text
from netcorr.layers.network_layers import NetworkLayers
from netcorr.network import PipeNetwork, build_network
from netcorr.rehearsal import (
    OUTCOMES,
    Outcome,
    PlannedSite,
    Rehearsal,
    RehearsalSettings,
    RehearsedLeak,
    Told,
    place_at,
)

E0, N0 = 500_000.0, 5_205_000.0


def network() -> PipeNetwork:
    pipe = {"material_text": "x", "wall_mm": math.nan, "year": math.nan, "wave_speed_m_s": math.nan}
    rows = [
        {**pipe, "asset_id": name, "material": material, "diameter_mm": 100.0, "length_m": math.nan}
        | {"in_service": True, "geometry": LineString([(E0 + x, N0), (E0 + x + 200, N0)])}
        for name, material, x in (("M1", "grey_iron", 0), ("M2 \x1b[31m", "pvc", 200))
    ]
    fittings = [
        {"asset_id": f"H{x}", "kind": "hydrant", "is_open": True, "geometry": Point(E0 + x, N0)}
        for x in (20, 180, 300)
    ]
    mains, points = (gpd.GeoDataFrame(one, crs="EPSG:32628") for one in (rows, fittings))
    return build_network(NetworkLayers("street", mains, points))


SITES = (PlannedSite("H20", "L1"), PlannedSite("H180", "L2"))


def rehearsal(*outcomes: Outcome) -> Rehearsal:
    town = network()
    leaks = []
    for number, outcome in enumerate(outcomes, start=1):
        leak = place_at(town, f"M1:{20 + 10 * number}" if number % 2 else f"M2 \x1b[31m:{10 * number}")
        between = outcome in ("found", "in the area", "wrong place")
        told = Told(
            outcome,
            error_m={"found": 1.0, "in the area": 12.0, "wrong place": 80.0}.get(outcome, math.nan),
            probability=0.9 if between else 0.0,
            in_area=outcome in ("found", "in the area"),
            area_m=10.0 if between else 0.0,
            point=Point(leak.point.x + 1, leak.point.y) if between else None,
            words="as told \x1b[31m",
        )
        sites = () if outcome == "out of reach" else SITES
        leaks.append(RehearsedLeak(number, leak, sites, (10.0, 90.0)[: len(sites)], between, -4.0, told))
    return Rehearsal(town, SITES, tuple(leaks), RehearsalSettings(), ("a note",))


def test_every_outcome_has_its_row() -> None:
    tables = rehearsal_tables(rehearsal(*OUTCOMES), folders={1: "leak_001"})
    assert list(tables) == [layer.name for layer in REHEARSAL_LAYERS]
    leaks = tables["rehearsed_leaks"]
    assert leaks["outcome"].tolist() == list(OUTCOMES)
    assert leaks["recordings"].tolist()[:2] == ["leak_001", None]
    assert leaks["caution"].str.startswith("Simulated").all()
    assert len(tables["told_points"]) == 3
    shares = tables["rehearsal_shares"]
    assert shares["material"].tolist()[0] == "all"
    outcomes = ["found", "in_area", "beyond_sensor", "not_heard", "wrong_place", "no_answer", "out_of_reach"]
    assert shares[outcomes].iloc[0].tolist() == [1] * 7
    assert shares["leaks"].iloc[1:].sum() == 7


def test_mains_say_on_which_nothing_was_found() -> None:
    mains = rehearsal_tables(rehearsal("found", "not heard", "in the area", "not heard"))["rehearsed_mains"]
    by_main = mains.groupby("pipe_id")["fails"].all()
    assert by_main.to_dict() == {"M1": False, "M2 \ufffd[31m": True}
    assert mains.loc[mains["fails"], "why"].tolist() == ["2 x not heard"]


def test_sites_count_the_leaks_they_took_part_in() -> None:
    sites = rehearsal_tables(rehearsal("found", "out of reach", "not heard"))["rehearsed_sites"]
    assert sites["leaks"].tolist() == [2, 2]


def test_it_is_written_and_read_again(tmp_path: Path) -> None:
    path = tmp_path / "rehearsal.gpkg"
    for outcomes in (OUTCOMES, OUTCOMES[:1]):  # the second takes the place of the first
        write_rehearsal(rehearsal(*outcomes), path)
        assert len(gpd.read_file(path, layer="rehearsed_leaks")) == len(outcomes)


def test_words_of_many_leaks() -> None:
    text = rehearsal_text(rehearsal(*OUTCOMES, "found"))
    assert text.startswith(
        "8 simulated leaks on mains near 2 sites. Simulated: no leak is known to be\nthere."
    )
    assert "    2 of 8 ( 7 to  59 %)  found within 5.00 m of the point told" in text
    assert "half of them within 6.50 m of the leak" in text, "of 1, 1, 12 and 80 m"
    assert "Between two sites: a crew would have come to 3 of 4" in text
    assert "Not between two sites: a crew would have come to 0 of 4" in text
    assert "it promises nothing" in text
    assert "Note: a note" in text
    assert "\x1b" not in text
    assert all(len(line) <= 80 for line in text.splitlines())


def test_words_say_why_it_fails() -> None:
    text = " ".join(rehearsal_text(rehearsal("not heard", "wrong place")).split())
    assert "Where it fails: 2 mains (400 m) on which no leak was found" in text
    assert "not heard (not between two sites, -4 dB at the second loudest site" in text


def test_feet_and_inches() -> None:
    text = rehearsal_text(rehearsal("found", "found"), units="us")
    assert "found within 16' 5\" of the point told" in text


def test_one_leak_that_was_out_of_reach() -> None:
    text = rehearsal_text(rehearsal("out of reach"))
    assert "Sites that took part: none" in text
    assert "The survey was told: as told \ufffd[31m" in text


def test_a_record_that_json_can_hold() -> None:
    record = rehearsal_dict(rehearsal("found", "not heard"))
    assert [one["error_m"] for one in record["leaks"]] == [1.0, None]
    assert record["settings"]["clock_sd_ms"] == pytest.approx(0.2)
    low, high = record["shares"][0]["found_low"], record["shares"][0]["found_high"]
    assert 0 < low < 0.5 < high < 1
    assert pd.DataFrame(record["leaks"]).shape[0] == 2

"""A checked map in words and as JSON: what an analyst reads on the first day."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from shapely import LineString, Point

from netcorr.export.check_record import check_dict
from netcorr.export.check_words import check_text
from netcorr.export.fix_words import fix_text, rule_text
from netcorr.layers.network_layers import MAINS_COLUMNS, NetworkLayers
from netcorr.network import build_network
from netcorr.network.fitness import Fix, Judged
from netcorr.network.map_check import MapCheck, check_network


def town(mains: dict[str, Any], sites: list[tuple[float, float]], **columns: dict[str, Any]) -> MapCheck:
    plain = dict.fromkeys(MAINS_COLUMNS, np.nan) | {"material": "pvc", "material_text": "PVC"}
    plain |= {"diameter_mm": 110.0, "in_service": True, "assumed": ""}
    rows = [plain | {"asset_id": name} | columns.get(name, {}) for name in mains]
    lines = [LineString([(x + 5e5, y) for x, y in coords]) for coords in mains.values()]
    fittings = gpd.GeoDataFrame(
        {
            "asset_id": [f"V{k}" for k in range(len(sites))],
            "kind": "valve",
            "is_open": np.ones(len(sites), dtype=bool),
        },
        geometry=[Point(x + 5e5, y) for x, y in sites],
        crs="EPSG:32633",
    )
    mains_frame = gpd.GeoDataFrame(rows, geometry=lines, crs="EPSG:32633")
    return check_network(build_network(NetworkLayers("town.gpkg", mains_frame, fittings, ("a note",))))


@pytest.fixture(scope="module")
def in_halves() -> MapCheck:
    """Two halves of a town, 12 m apart."""
    mains = {"P-16": [(0, 0), (4000, 0)], "P-17": [(4012, 0), (7412, 0)]}
    return town(mains, [(10, 0), (90, 1), (4100, 0)])


@pytest.fixture(scope="module")
def good() -> MapCheck:
    return town({"A": [(0, 0), (300, 0)]}, [(10, 0), (90, 0)])


def flat(text: str) -> str:
    return " ".join(text.split())


def test_the_verdict_stands_first_and_what_to_fix_next(in_halves: MapCheck) -> None:
    text = check_text(in_halves)
    assert text.startswith("town.gpkg: NOT YET\n")
    assert "Fix first, by effect\n   1. join the 12.0 m gap at main P-17" in text or (
        "Fix first, by effect\n   1. join the 12.0 m gap at main P-16" in text
    )
    assert "it would connect 3.4 km" in flat(text)
    assert "X 45.9 % of the main hangs on a gap" in text
    assert "15.0 m: 1 piece" in flat(text)
    assert "a note" in text


def test_lines_fit_the_terminal_and_hold_nothing_strange(in_halves: MapCheck, good: MapCheck) -> None:
    for check in (in_halves, good):
        for units in ("metric", "us"):
            text = check_text(check, units=units)
            assert max(map(len, text.splitlines())) <= 80
            assert text.isprintable() is False  # line breaks
            assert all(line.isprintable() for line in text.splitlines())
            assert "\xa0" not in text


def test_a_good_map_is_said_to_be_good(good: MapCheck) -> None:
    text = check_text(good)
    assert text.startswith("town.gpkg: FIT\n")
    assert "Fix first" not in text
    assert "nothing: it connects as it is drawn" in text
    assert "none: no end comes within 15.0 m of a main of another piece" in text


def test_assumptions_are_said(good: MapCheck) -> None:
    check = town(
        {"A": [(0, 0), (300, 0)]},
        [(10, 0), (90, 0)],
        A={"assumed": "material pvc from neighbours (1 of 1)"},
    )
    text = check_text(check)
    assert "town.gpkg: FIT WITH THESE ASSUMPTIONS" in text
    assert "! 100 % of the main has an assumed material" in text
    assert good.level == "fit"


def test_us_units(in_halves: MapCheck) -> None:
    text = flat(check_text(in_halves, units="us"))
    assert "39' 5\" gap" in text, "12.005 m on the ground"
    assert "it would connect 2.1 mi" in text
    assert " km" not in text
    assert " m " not in text


@pytest.mark.parametrize(
    ("fix", "words"),
    [
        (Fix("gap", "P-1", 0.1, 310, other="P-2", gap_m=2, alone_m=10), ["10 m at once", "310 m"]),
        (Fix("crossing", "P-1", 0.1, 310, other="P-2", alone_m=310), ["P-1 and P-2", "split the lines"]),
        (
            Fix("material", "AC", 0.1, 900),
            ['"AC"', "asbestos cement or steel", 'materials = { "AC" = "..." }'],
        ),
        (Fix("material", "XQ", 0.1, 900), ["not understood"]),
        (Fix("attribute", "diameter", 0.1, 900), ["diameter of 900 m", "[missing]"]),
        (Fix("attribute", "diameter", 0.1, 900, other="M7"), ["main M7 (900 m)"]),
        (Fix("fittings", "", 0.1, 1), ["1 fitting that is", "--fitting-tolerance"]),
        (Fix("fittings", "", 0.1, 12), ["12 fittings that are"]),
        (Fix("loops", "", 0.0, 3), ["3 of them", "long way round"]),
    ],
)
def test_every_fix_says_what_to_do(good: MapCheck, fix: Fix, words: list[str]) -> None:
    text = fix_text(fix, good, "metric").replace("\xa0", " ")
    assert not text.endswith(".")
    for word in words:
        assert word in text


def test_every_rule_says_its_limits(good: MapCheck) -> None:
    for one in good.judged:
        text = rule_text(one, "metric").replace("\xa0", " ")
        assert ("fit up to" in text) == (one.rule in ("apart", "unknown", "assumed", "off main"))
    assert "usable up to 10 %" in rule_text(Judged("apart", 0.05, 0.02, 0.10, "usable"), "metric")


def test_json_says_the_same(in_halves: MapCheck) -> None:
    answer = json.loads(json.dumps(check_dict(in_halves), allow_nan=False))
    assert answer["verdict"] == "not yet"
    assert answer["fixes"][0]["kind"] == "gap"
    assert answer["fixes"][0]["length_m"] == pytest.approx(3400, rel=1e-3)
    [gap] = answer["near_misses"]
    assert gap["gap_m"] == pytest.approx(12, abs=0.02)
    assert gap["past_m"] is None
    assert (gap["order_to_fix"], gap["piece"] + gap["other_piece"]) == (1, 3)
    assert answer["pieces"]["count"] == 2
    assert {one["rule"]: one["level"] for one in answer["rules"]}["apart"] == "not yet"
    assert answer["read"]["fittings_on_mains"] == 3
    assert answer["notes"] == ["a note"]
    assert [one["pieces"] for one in answer["pieces_at_tolerance"]][-2:] == [2, 1]


def test_many_pieces_are_told_in_short(good: MapCheck) -> None:
    mains = {f"M{k:02d}": [(0, 100 * k), (90 + k, 100 * k)] for k in range(14)}
    text = check_text(town(mains, [(10, 0), (20, 0)]))
    assert "and 4 smaller ones with" in text
    assert "would join any of them" in text
    assert len(check_dict(replace(good))["pieces"]["length_m"]) == 1

"""What else an assumed attribute could be, by the rule that filled it in."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString

from netcorr.layers.alternatives import Alternative
from netcorr.layers.missing_answers import CHANGE_YEARS, Answer, answer_of
from netcorr.layers.missing_rules import MissingRule, read_missing
from netcorr.layers.toml_table import TomlTable

X0, Y0 = 500_000.0, 5_540_000.0


def star(**columns: list[Any]) -> gpd.GeoDataFrame:
    """Mains that all end at one place; the first one asks the others."""
    n = len(next(iter(columns.values())))
    blank: dict[str, list[Any]] = {"material": [None] * n, "diameter_mm": [np.nan] * n, "year": [np.nan] * n}
    angles = np.linspace(0, 5, n)
    lines = [LineString([(X0, Y0), (X0 + 50 * np.cos(a), Y0 + 50 * np.sin(a))]) for a in angles]
    return gpd.GeoDataFrame(blank | columns, geometry=lines, crs="EPSG:32633")


def ask(mains: gpd.GeoDataFrame, role: str, rule: Any) -> Answer:
    (read,) = read_missing(TomlTable({role: rule}, "mapping")).of(role)
    return answer_of(mains, np.array([0]), role, read)


def test_neighbours_count_by_the_rule_of_succession() -> None:
    answer = ask(star(material=[None, "pvc", "pvc", "pvc", "steel"]), "material", "neighbours")
    assert answer.values.tolist() == ["pvc"]
    assert answer.could_be == [
        (Alternative("material", "steel", 1 / 6), Alternative("material", None, 1 / 6))
    ]
    assert answer.texts == ["material PVC from neighbours (3 of 4; or steel 17 %, another 17 %)"]
    sizes = ask(star(diameter_mm=[np.nan, 100.0, 100.0, 150.0]), "diameter", "neighbours")
    assert sizes.could_be == [(Alternative("diameter", 150.0, 1 / 5), Alternative("diameter", None, 1 / 5))]
    assert sizes.texts == ["diameter 100 mm from neighbours (2 of 3; or 150 mm 20 %, another 20 %)"]


def test_more_neighbours_who_agree_are_surer() -> None:
    left = [
        sum(
            one.share
            for one in ask(star(material=[None, *["pvc"] * n]), "material", "neighbours").could_be[0]
        )
        for n in range(1, 7)
    ]
    assert left == sorted(left, reverse=True)
    assert left[0] == pytest.approx(1 / 3), "one alone is as sure as an assumption of which nothing is said"


def test_years_have_the_extremes_of_their_neighbours() -> None:
    answer = ask(star(year=[np.nan, 1931.0, 1960.0, 1972.0]), "year", "neighbours")
    assert answer.values.tolist() == [1960]
    assert answer.could_be[0] == (
        Alternative("year", 1931, 1 / 6),
        Alternative("year", 1972, 1 / 6),
        Alternative("year", None, 1 / 5),
    )
    assert answer.texts == ["year 1960 from neighbours (3, 1931 to 1972)"]
    alone = ask(star(year=[np.nan, 1931.0]), "year", "neighbours")
    assert alone.could_be == [(Alternative("year", None, 1 / 3),)]


@pytest.mark.parametrize(
    ("role", "rule", "could_be"),
    [
        ("material", {"assume": "pvc"}, [(None, 1 / 3)]),
        ("material", {"assume": "pvc", "or": ["pe"]}, [("pe", 1 / 3)]),
        ("material", {"assume": "pvc", "or": ["pe", "steel"]}, [("pe", 1 / 4), ("steel", 1 / 4)]),
        ("material", {"assume": "pvc", "or": ["pe"], "sure": 0.9}, [("pe", 0.1)]),
        ("material", {"assume": "pvc", "sure": 1}, []),
        ("diameter", {"assume": 100, "from": 80, "to": 150}, [(80, 1 / 6), (150, 1 / 6)]),
        ("diameter", {"assume": 100, "to": 150}, [(150, 1 / 6)]),
        ("diameter", {"assume": 100, "from": 80, "to": 150, "sure": 0.5}, [(80, 1 / 4), (150, 1 / 4)]),
        ("year", {"assume": 1960, "sure": 1.0}, []),
    ],
)
def test_an_assumption_with_its_others(role: str, rule: dict[str, Any], could_be: list[Any]) -> None:
    (others,) = ask(star(year=[1950]), role, rule).could_be
    assert [(one.value, pytest.approx(one.share)) for one in others] == could_be
    assert {one.attribute for one in others} <= {role}


def test_near_the_change_of_eras_it_could_be_either() -> None:
    rule = {"until_year": {"1950": "grey_iron", "1980": "ductile_iron", "2100": "pvc"}, "sure": 1}
    shares = {}
    for year in (1930.0, 1945.0, 1950.0, 1951.0, 1965.0, 1979.0):
        (others,) = ask(star(year=[year]), "material", rule).could_be
        shares[year] = {one.value: round(one.share, 3) for one in others}
    assert shares == {
        1930: {},
        1945: {"ductile_iron": 0.225},
        1950: {"ductile_iron": 0.475},
        1951: {"grey_iron": 0.475},
        1965: {},
        1979: {"pvc": 0.425},
    }
    text = ask(star(year=[1979.0]), "material", rule).texts
    assert text == ["material assumed ductile iron for mains laid up to 1980 (or PVC 42 %)"]
    same = {"until_year": {"1950": "grey_iron", "1980": "grey_iron"}, "sure": 1}
    assert ask(star(year=[1950.0]), "material", same).could_be == [()], "the same on both sides"


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.integers(1900, 2000), min_size=1, max_size=6, unique=True),
    st.floats(1890, 2000),
    st.floats(0.05, 1),
)
def test_shares_leave_something_for_what_is_assumed(changes: list[int], year: float, sure: float) -> None:
    materials = ["grey_iron", "ductile_iron", "pvc"]
    table = tuple((last, materials[k % 3]) for k, last in enumerate(sorted(changes)))
    rule = MissingRule("until_year", table=table, sure=sure)
    answer = answer_of(star(year=[year]), np.array([0]), "material", rule)
    assert len(answer.mains) == (year <= max(changes))
    for others in answer.could_be:
        assert all(one.share > 0 for one in others)
        assert sum(one.share for one in others) < 1
        assert sum(one.share for one in others if one.value is not None) <= 1 - 0.5 / CHANGE_YEARS

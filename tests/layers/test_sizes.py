"""Diameters from texts and numbers, and the unit that a column must be in."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.sizes import diameter_mm_from_text, diameter_unit_from_values, implausible_diameters


@pytest.mark.parametrize(
    ("text", "diameter_mm"),
    [
        ('6"', 152.4),
        ("6''", 152.4),
        ("6 in", 152.4),
        ("6 inch", 152.4),
        ('1.25"', 31.75),
        ('1,25"', 31.75),
        ('1 1/4"', 31.75),
        ('1-1/4"', 31.75),
        ('3/4"', 19.05),
        ("3/4", 19.05),
        ("DN150", 150.0),
        ("DN 150", 150.0),
        ("dn=150", 150.0),
        ("Ø150", 150.0),
        ("150 mm", 150.0),
        ("15 cm", 150.0),
        ("0,15 m", 150.0),
        ("150", 150.0),
        (150, 150.0),
        (150.5, 150.5),
        ("1,200", 1200.0),
        ("160/146", 160.0),
        ("110x6.6", 110.0),
        ("110 x 6,6", 110.0),
        ("PVC 160", 160.0),
        ("GG 100 (1925)", 100.0),
        ("St 159x4,5", 159.0),
        ("PVC-160", 160.0),
        ("PE100 SDR11 110", 110.0),
        ("PE 80 DN 63", 63.0),
        ("DI K9 200", 200.0),
        ('C900 8"', 203.2),
        ('DN150/6"', 152.4),
    ],
)
def test_understood(text: object, diameter_mm: float) -> None:
    assert diameter_mm_from_text(text) == pytest.approx(diameter_mm, abs=1e-6)


@pytest.mark.parametrize(
    "text",
    [None, "", " ", "0", 0, 0.0, math.nan, -5, "-5", "unknown", "DN", "100/150", "1/0", "150 200", True],
)
def test_unknown(text: object) -> None:
    assert math.isnan(diameter_mm_from_text(text))


def test_unit_applies_only_where_none_is_written() -> None:
    assert diameter_mm_from_text("8", "in") == diameter_mm_from_text(8, "in") == pytest.approx(203.2)
    assert diameter_mm_from_text("DN200", "in") == 200
    assert diameter_mm_from_text("200mm", "in") == 200
    assert diameter_mm_from_text(0.2, "m") == pytest.approx(200)


@settings(max_examples=50, deadline=None)
@given(st.floats(10, 3000).map(lambda d: round(d, 2)))
def test_forms_of_one_size_agree(size_mm: float) -> None:
    forms = [
        size_mm,
        f"{size_mm}",
        f"DN{size_mm}",
        f"{size_mm} mm",
        f"{size_mm / 25.4:.9f} in",
        f"{size_mm}mm",
    ]
    for form in forms:
        assert diameter_mm_from_text(form) == pytest.approx(size_mm, rel=1e-6)
    assert diameter_mm_from_text(size_mm / 25.4, "in") == pytest.approx(size_mm, rel=1e-6)


@settings(max_examples=50, deadline=None)
@given(st.text(alphabet="0123456789/x.\"'-, DNmic", max_size=12))
def test_never_negative_never_zero(text: str) -> None:
    diameter_mm = diameter_mm_from_text(text)
    assert math.isnan(diameter_mm) or diameter_mm > 0


@pytest.mark.parametrize(
    ("values", "unit"),
    [
        ([4, 6, 8, 12], "in"),
        ([2, 2.25, 6, 24, 36], "in"),
        (["6", "8", 0, None], "in"),
        ([80, 100, 150], "mm"),
        ([63, 90, 110], "mm"),
        ([25, 32, 63], "mm"),
        ([0.1, 0.15, 0.3], "m"),
        (['6"', "DN150"], "mm"),  # every value says its own unit
        ([], "mm"),
        ([20], None),
        ([24, 36], None),
    ],
)
def test_unit_from_values(values: list[object], unit: str | None) -> None:
    assert diameter_unit_from_values(values)[0] == unit


def test_reason_shows_the_values() -> None:
    assert (
        diameter_unit_from_values([24, 36])[1]
        == "values from 24 to 36 are possible in inches and in millimetres"
    )
    assert diameter_unit_from_values([6])[1] == "the only value 6 is usual in inches"


def test_mains_are_not_thinner_than_a_finger() -> None:
    assert (
        implausible_diameters([6.0, 8.0, math.nan, 12.0])
        == "diameters from 6 to 12 mm, with a median of 8 mm"
    )
    assert implausible_diameters([150_000.0]) is not None
    assert implausible_diameters([100.0, 6.0, 150.0]) is None
    assert implausible_diameters([math.nan]) is None

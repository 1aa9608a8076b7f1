"""One value: the mapping's own codes, then the code table, then the words."""

from __future__ import annotations

import math

import pytest

from netcorr.layers.mapping import UNKNOWN
from netcorr.layers.read_values import (
    coded,
    combined_role,
    diameter_mm,
    kind_key,
    material_key,
    number_or_text,
    state,
)


def test_code_comes_before_text_and_text_before_words() -> None:
    assert coded("3", "Stahl", {"3": "x", "Stahl": "y"}) == "3"
    assert coded("3", "Stahl", {"Stahl": "y"}) == "Stahl"
    assert coded("3", "Stahl", {}) is None
    assert material_key("3", "Stahl", {}) == "steel"
    assert material_key("3", "Stahl", {"Stahl": "grey_iron"}) == "grey_iron"
    assert material_key("3", "Stahl", {"3": UNKNOWN}) is None


def test_kinds_and_states() -> None:
    assert kind_key("7", "Schieber", {}) == "valve"
    assert kind_key("7", "Schieber", {"7": "hydrant"}) == "hydrant"
    assert state("1", "1", {}, of="mains", column="ABANDONED") is False
    assert state("1", "1", {}, of="fittings", column="is_open") is True
    assert state("1", "1", {"1": False}, of="fittings", column="is_open") is False
    assert state("1", "stillgelegt", {}, of="mains", column="ZUSTAND") is False
    assert state("1", "1", {}, of="mains", column="ZUSTAND") is None


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("150", "mm", 150),
        ("6", "in", 152.4),
        ('1.25"', "mm", 31.75),
        ("DN150", "in", 150),
        ("Ø 110", "in", 110),
    ],
)
def test_diameters(text: str, unit: str, expected: float) -> None:
    assert diameter_mm(text, unit) == pytest.approx(expected)


def test_diameters_that_say_nothing() -> None:
    assert all(math.isnan(diameter_mm(text, "mm")) for text in ("0", "", "-5", "nan", "inf", "big"))
    assert number_or_text("1e2") == 100
    assert number_or_text("PVC") == "PVC"


@pytest.mark.parametrize(
    ("roles", "texts", "expected"),
    [
        (
            ["asset_id", "material"],
            {"material": ["PVC 160", "GG 100", "DN150 GGG"]},
            ("diameter", "material"),
        ),
        (["diameter"], {"diameter": ["160 PVC", "100 GG", ""]}, ("material", "diameter")),
        (["material", "diameter"], {"material": ["PVC 160"]}, None),
        (["material"], {"material": ["PE100", "PE80", "PVC-U", "C900 PVC"]}, None),
        (["material"], {"material": ["PVC 160", "PVC", "GG", "St"]}, None),
        (["material"], {"material": ["3", "4"]}, None),
        (["diameter"], {"diameter": ["100", "150"]}, None),
        (["material"], {"material": []}, None),
        (["asset_id"], {}, None),
    ],
)
def test_material_and_size_in_one_text(
    roles: list[str], texts: dict[str, list[str]], expected: tuple[str, str] | None
) -> None:
    assert combined_role(roles, texts) == expected

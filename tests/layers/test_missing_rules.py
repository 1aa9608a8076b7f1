"""The table [missing] of a mapping: what it can say, and what a user sees when it is wrong."""

from __future__ import annotations

from typing import Any

import pytest

from netcorr.errors import LayerError
from netcorr.layers.alternatives import USUALLY_SURE
from netcorr.layers.missing_rules import MissingRule, MissingRules, read_missing
from netcorr.layers.toml_table import TomlTable


def rules(**table: Any) -> MissingRules:
    return read_missing(TomlTable(table, "mapping town.toml, [missing]"))


def test_nothing_said_fills_nothing_in() -> None:
    assert rules() == MissingRules()
    assert rules().of("material") == ()


def test_words_and_lists() -> None:
    read = rules(material="refuse", diameter=["neighbours", "leave"])
    assert [rule.action for rule in read.of("material")] == ["refuse"]
    assert [rule.action for rule in read.of("diameter")] == ["neighbours", "leave"]


def test_assumptions_with_their_spread() -> None:
    read = rules(
        material={"assume": "pvc", "or": ["pe", "steel"]},
        diameter={"assume": "4 in", "from": 80, "to": 150},
        year={"assume": 1960, "to": 1975},
    )
    assert read.material == (MissingRule("assume", "pvc", ("pe", "steel"), sure=0.5),)
    assert read.diameter == (MissingRule("assume", 101.6, (80, 150)),)
    assert read.year == (MissingRule("assume", 1960, (1960, 1975)),)


def test_how_sure() -> None:
    read = rules(
        material={"assume": "pvc", "sure": 1},
        diameter=[{"until_year": {"1950": 80}, "sure": 0.8}, {"assume": 100}],
    )
    assert [rule.sure for rule in (*read.material, *read.diameter)] == [1, 0.8, USUALLY_SURE]
    shares = [rules(material={"assume": "pvc", "or": ["pe", "steel", "grey_iron"][:n]}) for n in range(4)]
    assert [one.material[0].sure for one in shares] == [2 / 3, 2 / 3, 1 / 2, 2 / 5], "twice any other"


def test_years_are_put_in_order() -> None:
    (rule,) = rules(material={"until_year": {"2100": "pvc", "1950": "grey_iron"}}).material
    assert rule.table == ((1950, "grey_iron"), (2100, "pvc"))
    (rule,) = rules(diameter={"until_year": {"1950": 80}}).diameter
    assert rule.table == ((1950, 80.0),)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (
            {"materail": "refuse"},
            "[missing]: key 'materail' is not known (similar: material); use material, diam",
        ),
        (
            {"material": "neighbors"},
            "material = 'neighbors' is not known (similar: neighbours); use \"leave\", ",
        ),
        ({"material": "pvc"}, "material = 'pvc' is not known"),
        ({"material": 3}, "[missing], material: not a table"),
        ({"material": {}}, "says neither assume nor until_year"),
        ({"material": {"assume": "asbestos"}}, "assume = 'asbestos' is not known (similar: asbestos_cement)"),
        ({"material": {"assume": "pvc", "or": "pe"}}, 'or = \'pe\' is not a list; write or = ["pvc", "pe"]'),
        ({"material": {"assume": "pvc", "or": ["x"]}}, "or = 'x' is not known; use one of grey_iron"),
        (
            {"material": {"assume": "pvc", "sure": 90}},
            "sure = 90 is not a share; write the share of the mains",
        ),
        ({"diameter": {"assume": 100, "sure": 0}}, "sure = 0 is not a share"),
        ({"year": {"assume": 1960, "sure": True}}, "sure = True is not a share"),
        ({"diameter": {"until_year": {"1950": 80}, "sure": "high"}}, "sure = 'high' is not a share"),
        ({"material": {"assume": "pvc", "from": 3}}, "key 'from' is not known"),
        (
            {"diameter": {"assume": 0}},
            "assume = 0 is not a diameter; write millimetres, such as 100, or a text",
        ),
        ({"diameter": {"assume": 100, "from": 150}}, "assume 100 is not between 150 and 100; write from <="),
        ({"year": {"assume": 3}}, "assume = 3 is not a year; write a year, such as 1960"),
        ({"year": {"until_year": {"1950": 1940}}}, "says neither assume nor until_year"),
        ({"material": {"until_year": {"old": "pvc"}}}, "'old' is not a year; write the last year for which"),
        ({"material": {"until_year": {}}}, "holds no year"),
        ({"material": {"until_year": {"1950": "wood"}}}, "1950 = 'wood' is not known"),
    ],
)
def test_what_a_user_sees(table: dict[str, Any], message: str) -> None:
    with pytest.raises(LayerError) as caught:
        rules(**table)
    assert message in str(caught.value)
    assert str(caught.value).startswith("mapping town.toml, [missing]")

"""Kinds of fitting, open and closed, in and out of service; words from memory, common practice."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.conditions import (
    KINDS,
    in_service_from_text,
    is_open_from_text,
    is_other_kind,
    kind_from_text,
    yes_means,
)


@pytest.mark.parametrize(
    ("kind", "texts"),
    [
        (
            "valve",
            "valve|Gate Valve|sluice valve|vanne|robinet-vanne|válvula|Schieber|Absperrklappe|saracinesca",
        ),
        ("valve", "afsluiter|V|hydrant valve|registro|isolationValve|valves|Absperrschieber"),
        (
            "hydrant",
            "hydrant|Fire Hydrant|poteau d'incendie|bouche d'incendie|hidrante|idrante",
        ),
        ("hydrant", "Unterflurhydrant|UFH|OFH|brandkraan|FH|H|hydrants"),
        ("meter", "meter|water meter|compteur|contador|Wasserzähler|contatore|watermeter|hidrómetro"),
    ],
)
def test_kinds(kind: str, texts: str) -> None:
    for text in texts.split("|"):
        assert kind_from_text(text) == kind, text


@pytest.mark.parametrize("text", [None, "", "tee", "bend", "reducer", "0"])
def test_other_kinds_are_not_guessed(text: object) -> None:
    assert kind_from_text(text) is None


OTHERS = (
    "Air valve|air release valve|ARV|ventouse|Ventosa|purgador|sfiato|Entlüftung|Be- und Entlüftungsventil"
)
OTHERS += "|vidange|purge|desagüe|Entleerung|Spülauslass|scarico|spui|washout|blow-off valve|scour valve|tee"
OTHERS += "|reducer|end cap|bend|coude|codo|Flansch|Anbohrschelle|saddle|node"


@pytest.mark.parametrize("text", OTHERS.split("|"))
def test_what_lets_air_or_water_out_and_parts_of_the_pipe(text: str) -> None:
    assert is_other_kind(text)


@pytest.mark.parametrize(
    "text", ["Gate valve", "Schieber", "vanne", "válvula", "hydrant", "UFH", "meter", "", None]
)
def test_valves_hydrants_and_meters_are_no_others(text: str | None) -> None:
    assert not is_other_kind(text)


@pytest.mark.parametrize(
    ("is_open", "texts"),
    [
        (
            True,
            "open|Open|normally open|ouverte|abierta|aberto|offen|aperto|auf|partially closed",
        ),
        (False, "closed|Normally Closed|shut|fermée|cerrada|fechado|geschlossen|zu|chiusa|gesloten|NC"),
        (None, "|unknown|not closed|broken|0|1|no"),
    ],
)
def test_open_and_closed(is_open: bool | None, texts: str) -> None:
    for text in texts.split("|"):
        assert is_open_from_text(text) is is_open, text


@pytest.mark.parametrize(
    ("in_service", "texts"),
    [
        (
            True,
            "in service|InService|active|live|Existing|en service|en servicio|em serviço|in Betrieb",
        ),
        (True, "i.B.|in Betr.|actif|activo|ativo|attivo|aktiv|ACT|in esercizio|in gebruik"),
        (
            False,
            "abandoned|Abandonné|abandonado|out of service|OutOfService|retired|removed|inactive|proposed",
        ),
        (False, "a.B.|außer Betr."),
        (
            False,
            "hors service|fuera de servicio|außer Betrieb|stillgelegt|fuori servizio|dismessa|buiten gebruik",
        ),
        (
            False,
            "not in service|no longer in use|under construction|planned|fictif|closed|inativo|desactivado",
        ),
        (None, "|unknown|?|X|to be abandoned"),
    ],
)
def test_in_service(in_service: bool | None, texts: str) -> None:
    for text in texts.split("|"):
        assert in_service_from_text(text) is in_service, text


def test_yes_and_no_by_the_name_of_the_column() -> None:
    for column, meaning in (("is_open", True), ("Currently Open", True), ("CLOSED", False), ("status", None)):
        assert yes_means(column) is meaning
    for yes in ("Y", "yes", "1", "True", "oui", True, 1):
        assert is_open_from_text(yes, yes_means=True) is True
        assert is_open_from_text(yes, yes_means=False) is False
    for no in ("N", "0", "false", False, "nein"):
        assert in_service_from_text(no, yes_means=True) is False
        assert in_service_from_text(no, yes_means=False) is True
    assert is_open_from_text("closed", yes_means=True) is False  # a word outweighs the column's name


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=20))
def test_any_text_is_read_without_error(text: str) -> None:
    assert kind_from_text(text) in (*KINDS, None)
    assert is_open_from_text(text) in (True, False, None)
    assert in_service_from_text(text) in (True, False, None)

"""Materials from the words on the maps of seven languages.

The pairs are common practice of the trade, from memory; the INSPIRE words are values of its code list of
pipe materials, from memory too.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.layers.names import plain_words
from netcorr.layers.vocabulary import MATERIALS, ambiguous_material, material_from_text

UNDERSTOOD = {
    "grey_iron": "CI|cast iron|Grey Iron|gray cast iron|Fonte|fonte grise|Fundición gris|hierro fundido"
    "|ferro fundido cinzento|FoFo|Grauguß|Gußeisen|GG|ghisa grigia|grijs gietijzer|castIron|CI 6 in"
    "|cast iron with lead joints|CICL|spun iron|FG|GJL|FFC|FTG|FGL|GIJ|GG 100",
    "ductile_iron": "DI|D.I.|Ductile|ductile iron K9|DICL|fonte ductile|FONTE DUCTILE DN150|Fundición dúctil"
    "|FD|ferro fundido dúctil|Duktiles Gusseisen|Sphäroguss|GGG|ghisa sferoidale|nodulair gietijzer"
    "|cement mortar lined ductile iron|spheroidal graphite iron|DI 150|GJS|GGG-ZM|FFD|FTD|FGS|NGIJ|GGG 200",
    "steel": "Steel|STL|mild steel|MSCL|acier|Acero|aço carbono|Stahl|acciaio|staal|galvanised iron"
    "|galvanized steel|acero galvanizado|galvanizedSteel|PVC coated steel|steel, cement lined"
    "|St|St 100|St 100 x 4|St 159x4,5|Galv|GALVANIZED|Stahl ZM",
    "asbestos_cement": "asbestos cement|Asbestos-Cement|fibre cement|amiante-ciment|fibrocemento|FIBROCIMENTO"
    "|cemento amianto|Asbestzement|Faserzement|asbestcement|asbesto cemento|asbestos",
    "pvc": "PVC|uPVC|PVC-U|PVC U 160|mPVC|C900|pvc 160/146|DEFoFo|polyvinyl chloride|DN110 PVC",
    "pvc_o": "PVC-O|PVCO|PVC-BO|oPVC|PVC orientado|PVC bi-orienté|PVC biorientado|MOPVC",
    "pe": "PE|HDPE|MDPE|PEHD|PEAD|polyethylene|polietileno|Polyethylen|polyéthylène|PE 110 SDR11|HPE"
    "|PE-HD|PE 63|PE40|PEBD|PELD",
    "pe80": "PE80|PE 80|PE-80|PE80 SDR11",
    "pe100": "PE100|PE 100|PE100-RC|HPPE|PE 100 SDR 17 DN 160|PEAD 100",
    "concrete": "concrete|RCP|PCCP|béton armé|hormigón|betão|Stahlbeton|Spannbeton|calcestruzzo|beton"
    "|reinforcedConcrete|steel cylinder concrete|Béton à âme tôle|âme tôle|HACCH|StB|SpB",
    "copper": "copper|Cu|cuivre|cobre|Kupfer|rame|koper",
    "lead": "lead|Lead pipe|plomb|plomo|chumbo|Blei|piombo|lood",
    "grp": "GRP|fibreglass|fiberglass|PRFV|PRV|GFK|GVK|vetroresina|glass reinforced plastic|FRP",
}


@pytest.mark.parametrize(
    ("text", "key"), [(text, key) for key, texts in UNDERSTOOD.items() for text in texts.split("|")]
)
def test_understood(text: str, key: str) -> None:
    assert material_from_text(text) == key
    assert ambiguous_material(text) == ()


def test_keys_are_those_agreed() -> None:
    assert list(MATERIALS) == [
        *("grey_iron", "ductile_iron", "steel", "asbestos_cement", "pvc", "pvc_o", "pe", "pe80", "pe100"),
        *("concrete", "copper", "lead", "grp"),
    ]


@pytest.mark.parametrize(
    ("text", "candidates"),
    [
        ("AC", ("asbestos_cement", "steel")),
        ("FTE", ("grey_iron", "ductile_iron")),
        ("HG", ("steel",)),
        ("Plb", ("lead",)),
        ("A.C.", ("asbestos_cement", "steel")),
        ("AC 150", ("asbestos_cement", "steel")),
        ("plastic", ("pvc", "pe")),
        ("GI", ("steel", "grey_iron")),
        ("cemento", ("concrete", "asbestos_cement")),
        ("iron", ("grey_iron", "ductile_iron", "steel")),
        ("PB", ("lead",)),
        ("steel / PVC", ("pvc", "steel")),
        ("AZ", ("asbestos_cement", "steel")),
        ("FC 100", ("asbestos_cement", "grey_iron")),
        ("Fb", ("asbestos_cement", "concrete")),
        ("AMC", ("asbestos_cement",)),
        ("BTM", ("concrete",)),
        ("F°F°", ("grey_iron", "ductile_iron")),
        ("GS", ("ductile_iron", "steel")),
        ("PEX", ("pe",)),
    ],
)
def test_several_meanings_are_not_guessed(text: str, candidates: tuple[str, ...]) -> None:
    assert material_from_text(text) is None
    assert ambiguous_material(text) == candidates


@pytest.mark.parametrize(
    "text", [None, "", "  ", "0", "unknown", "N/A", "-", "desconocido", "wood", "XYZ", 7]
)
def test_nothing_known(text: object) -> None:
    assert material_from_text(text) is None
    assert ambiguous_material(text) == ()


@pytest.mark.parametrize("key", list(MATERIALS))
def test_keys_and_labels_are_read_back(key: str) -> None:
    assert material_from_text(key) == material_from_text(MATERIALS[key]) == key


WITHOUT_CAMEL = [
    text
    for texts in UNDERSTOOD.values()
    for text in texts.split("|")
    if plain_words(text) == plain_words(text.lower())  # castIron needs its capital to be two words
]


@settings(max_examples=50, deadline=None)
@given(
    st.sampled_from(WITHOUT_CAMEL),
    st.sampled_from([str.upper, str.lower, lambda t: f"  {t}\t", lambda t: t.replace(" ", "  ")]),
)
def test_case_and_blanks_do_not_matter(text: str, change: Callable[[str], str]) -> None:
    assert material_from_text(change(text)) == material_from_text(text)


@settings(max_examples=50, deadline=None)
@given(st.text(max_size=30))
def test_any_text_is_a_key_or_candidates_or_nothing(text: str) -> None:
    key, candidates = material_from_text(text), ambiguous_material(text)
    assert key is None or key in MATERIALS
    assert set(candidates) <= set(MATERIALS)
    assert not (key and candidates)


#: The whole of the INSPIRE code list of pipe materials, from memory; the address as the list writes it.
INSPIRE = {
    "asbestos": "asbestos_cement",
    **dict.fromkeys(("blackIron", "blackSteel", "galvanizedSteel", "steel"), "steel"),
    "castIron": "grey_iron",
    **dict.fromkeys(
        ("compositeConcrete", "concrete", "prestressedReinforcedConcrete", "reinforcedConcrete"), "concrete"
    ),
    **dict.fromkeys(("FRP", "RPMP"), "grp"),
    **dict.fromkeys(("PE", "PEX"), "pe"),
    **dict.fromkeys(("PVC", "CPVC"), "pvc"),
    **dict.fromkeys(("ABS", "clay", "masonry", "other", "PB", "PP", "terracota", "wood"), None),
}


@pytest.mark.parametrize("value", list(INSPIRE))
def test_inspire_code_list(value: str) -> None:
    address = f"http://inspire.ec.europa.eu/codelist/PipeMaterialTypeValue/{value}"
    assert material_from_text(address) == INSPIRE[value]
    assert ambiguous_material(address) == (), "PB is polybutylene there, not lead"

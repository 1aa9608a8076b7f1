"""Pipe materials: the canonical keys, and what they are called on the maps of several countries.

The words and abbreviations are common practice of the trade in English, French, Spanish, Portuguese,
German, Italian and Dutch, and the values of the INSPIRE code list of pipe materials, from memory. A code
with more than one meaning is never guessed: it is reported with its candidates.
"""

from __future__ import annotations

import re
from functools import lru_cache

from netcorr.layers.conditions import KINDS, in_service_from_text, is_open_from_text, kind_from_text
from netcorr.layers.names import is_blank, plain_words
from netcorr.layers.sizes import diameter_mm_from_text

__all__ = [
    "KINDS",
    "MATERIALS",
    "ambiguous_material",
    "diameter_mm_from_text",
    "in_service_from_text",
    "is_open_from_text",
    "kind_from_text",
    "material_from_text",
]

#: Canonical material keys and their English labels.
MATERIALS = {
    "grey_iron": "grey cast iron",
    "ductile_iron": "ductile iron",
    "steel": "steel",
    "asbestos_cement": "asbestos cement",
    "pvc": "PVC",
    "pvc_o": "oriented PVC",
    "pe": "polyethylene",
    "pe80": "PE 80",
    "pe100": "PE 100",
    "concrete": "concrete",
    "copper": "copper",
    "lead": "lead",
    "grp": "glass-fibre reinforced plastic",
}

#: What is said about a pipe beside its own material; taken out before looking for the material.
_ASIDES = re.compile(
    r"\b(?:no[nt]? ducti\w+|lead (?:joint|caulk)\w*|steel (?:cylinder|core|wire)|(?:a )?ame tole"
    r"|(?:(?:cement|mortar|concrete|epoxy|polyurethane|pe|pvc) )*(?:lined|coated|lining|coating|sleeved)"
    r"|(?:with )?(?:cement |mortar )+(?:lining|coating)|zm[ua]?|umh)\b"
)

#: Words and phrases, the specific before the general: each takes its words out of the text.
_PHRASES: tuple[tuple[str, str], ...] = (
    (
        "asbestos_cement",
        r"asbest\w*(?: ?[cz]ement\w*)?|(?:[cz]em(?:ent\w*)|cimento|ciment) (?:asbest\w*|amiant\w*)",
    ),
    ("asbestos_cement", r"amiant\w*(?: ?ciment\w*| ?cement\w*)?|fibro ?[cz][ei]ment\w*|fib(?:re|er) ?cement"),
    ("asbestos_cement", r"faser ?zement\w*|vezel ?cement"),
    ("grp", r"(?:glass|fib(?:re|er))[ \w]*reinforced (?:plastic|polymer|plastic mortar)"),
    ("grp", r"fib(?:re|er) ?glass|vetroresina|fibra de vidr[io]o?|glasfaser\w*|glasvezel\w*"),
    ("grp", r"polyester (?:renforce|arme)[ \w]*verre|poliester reforzado[ \w]*vidrio"),
    (
        "concrete",
        r"(?:stahl|spann|schleuder|gewapend )?beton(?:o|rohr|buis)?(?: arme)?|concret[eo](?: armado)?",
    ),
    ("concrete", r"hormigon(?: armado| pretensado)?|betao(?: armado)?|calcestruzzo|cemento armato|concreto"),
    ("pvc_o", r"(?:mo|bo|o) ?pvc|pvc ?(?:bo|o)|oriented pvc"),
    (
        "pvc_o",
        r"(?:pvc|polyvinyl\w*)[ \w]*\b(?:bi ?ax\w*|bi ?orient\w*|orient\w*)|molecular\w* orient\w*[ \w]*pvc",
    ),
    ("pvc", r"(?:u|m|h|a) ?pvc|pvc ?[uma]|pvc|de ?fo ?fo|poly ?vinyl ?chlor\w*|policloruro de vinilo|vinyl"),
    ("pe100", r"(?:hd ?)?pe ?100(?: ?rc)?|hppe|pe ?hd ?100|pead ?100|polyeth?yl\w* 100|polietil\w* 100"),
    ("pe80", r"(?:md ?|hd ?)?pe ?80|pe ?hd ?80|pead ?80|polyeth?yl\w* 80|polietil\w* 80"),
    (
        "pe",
        r"(?:hd|md|l|ld|lld|h) ?pe|pe ?(?:hd|md|ld|ad|bd|\d\d)|poly ?eth?[iy]l\w*|polyetheen|polietil\w*|pe",
    ),
    (
        "steel",
        r"galvani[sz]\w* (?:iron|steel)|(?:hierro|ferro|acier|acero|aco) galvani[sz]\w*|black (?:iron|steel)",
    ),
    ("ductile_iron", r"ductil\w*|duttile|dukti[lk]\w*|nodula\w*|sferoidal\w*|spheroid\w*(?: graphite)?"),
    ("ductile_iron", r"spha?e?roguss|esferoidal|sg iron"),
    ("copper", r"copper|cuivre|cobre|kupfer\w*|rame|koper\w*"),
    ("lead", r"lead|plomb|plomo|chumbo|blei(?:rohr)?|piombo|lood"),
    ("steel", r"(?:mild |stainless |carbon )?steel|acier(?: inox\w*)?|acero(?: inox\w*)?|aco(?: carbono)?"),
    ("steel", r"(?:edel)?stahl(?:rohr)?|acciaio|staal|stalen"),
    ("grey_iron", r"grau ?guss\w*|lamellar\w*|(?:grey|gray|cast|spun|pit) (?:cast |spun )?iron"),
    (
        "grey_iron",
        r"guss(?:eisen)?|gietijzer|ghisa|fonte|fte (?:grise|gr)|fundicion|(?:hierro|ferro) (?:fundido|colado)"
        r"|fo ?fo",
    ),
)
_PATTERNS = tuple((key, re.compile(rf"\b(?:{phrase})\b")) for key, phrase in _PHRASES)

#: Words of cast iron that say nothing more once it is known to be ductile.
_IRON_WORDS = re.compile(
    r"\b(?:cast|iron|guss\w*|fonte|fundicion|hierro|ferro|fundido|ghisa|gietijzer|fo ?fo|graphite)\b"
)

#: Abbreviations that stand alone in the field (beside a size).
_CODES: dict[str, str] = {
    code: key
    for key, codes in (
        (
            "grey_iron",
            (
                "ci",
                "cip",
                "cicl",
                "uci",
                "gci",
                "fg",
                "fgl",
                "ftg",
                "ffc",
                "gg",
                "ggl",
                "gjl",
                "gij",
                "ggij",
                "cast",
            ),
        ),
        (
            "ductile_iron",
            ("di", "dip", "dicl", "dci", "fd", "fgs", "ftd", "ffd", "ggg", "gjs", "ngij", "sgi"),
        ),
        ("steel", ("stl", "st", "ms", "mscl", "cs", "ss", "inox", "galv", "galvanized", "galvanised")),
        ("asbestos_cement", ("acp", "fz", "asb")),
        ("pvc", ("pvcu", "upvc", "c900", "c905")),
        ("pvc_o", ("pvco", "pvcbo", "mopvc")),
        ("pe", ("pe", "poly", "pead", "pehd")),
        ("concrete", ("conc", "rcp", "pccp", "rccp", "psc", "rc", "stb", "spb", "hacch", "ame tole")),
        ("copper", ("cu", "cop")),
        ("grp", ("grp", "gfk", "gvk", "prfv", "prv", "frp", "rpmp", "gre")),
    )
    for code in codes
}

#: Codes with several meanings on the maps of different countries.
_AMBIGUOUS: dict[str, tuple[str, ...]] = {
    "ac": ("asbestos_cement", "steel"),  # asbestos cement; acier, acero, aço
    "a": ("asbestos_cement", "steel"),
    "az": ("asbestos_cement", "steel"),  # Asbestzement; acero zincado
    "fc": ("asbestos_cement", "grey_iron"),  # fibrocemento; ferro cinzento
    "ca": ("asbestos_cement", "concrete"),  # cemento amianto; concreto armado
    "ha": ("concrete", "steel"),
    "fb": ("asbestos_cement", "concrete"),  # fibrociment; béton fibré
    "amc": ("asbestos_cement",),  # amianto-cemento; asked, as it is rare
    "btm": ("concrete",),  # béton à âme tôle; asked, as it is rare
    "bat": ("concrete",),
    "ba": ("concrete",),  # béton armé
    "bp": ("concrete",),  # béton précontraint
    "hap": ("concrete",),  # hormigón armado pretensado
    "ff": ("grey_iron", "ductile_iron"),  # ferro fundido
    "f f": ("grey_iron", "ductile_iron"),
    "gs": ("ductile_iron", "steel"),  # ghisa sferoidale; galvanised steel
    "ghs": ("ductile_iron",),
    "gy": ("grey_iron",),
    "ngy": ("ductile_iron",),
    "acc": ("steel",),  # acciaio
    "pex": ("pe",),  # cross-linked
    "vpe": ("pe",),
    "cpvc": ("pvc",),
    "f": ("grey_iron", "ductile_iron"),  # fonte, fundición
    "fo": ("grey_iron", "ductile_iron"),
    "fte": ("grey_iron", "ductile_iron"),
    "ft": ("grey_iron", "ductile_iron"),
    "g": ("grey_iron", "ductile_iron"),  # Guss, ghisa
    "gi": ("steel", "grey_iron"),  # galvanised iron; grey iron
    "pb": ("lead",),  # the metal; or polybutylene, which has no key
    "s": ("steel",),
    "c": ("copper", "concrete", "grey_iron"),
    "b": ("concrete",),
    "l": ("lead",),
    "plb": ("lead",),
    "hg": ("steel",),  # hierro galvanizado
    "p": ("pvc", "pe"),
    "pl": ("lead", "pvc", "pe"),  # plomb; plastic
    "plastic": ("pvc", "pe"),
    "plastico": ("pvc", "pe"),
    "plastique": ("pvc", "pe"),
    "kunststoff": ("pvc", "pe"),
    "kunststof": ("pvc", "pe"),
    "plastica": ("pvc", "pe"),
    "metal": ("grey_iron", "ductile_iron", "steel"),
    "cement": ("concrete", "asbestos_cement"),
    "cemento": ("concrete", "asbestos_cement"),
    "ciment": ("concrete", "asbestos_cement"),
    "cimento": ("concrete", "asbestos_cement"),
    "iron": ("grey_iron", "ductile_iron", "steel"),
    "hierro": ("grey_iron", "ductile_iron", "steel"),
    "ferro": ("grey_iron", "ductile_iron", "steel"),
    "fer": ("grey_iron", "ductile_iron", "steel"),
    "eisen": ("grey_iron", "ductile_iron", "steel"),
}

#: Values of the INSPIRE code list of pipe materials that have a key; the others (ABS, clay, PB, PP, wood ...)
#: do not occur as water mains here. From memory of the list in the INSPIRE data specification on utility and
#: government services (D2.8.III.6, version 3.0).
_INSPIRE_LIST = "/PipeMaterialTypeValue/"
_INSPIRE = {
    "asbestos": "asbestos_cement",
    "blackiron": "steel",  # ungalvanised steel tube, in spite of its name
    "blacksteel": "steel",
    "castiron": "grey_iron",  # the list has no ductile iron: check what the utility put under it
    "compositeconcrete": "concrete",
    "concrete": "concrete",
    "cpvc": "pvc",
    "frp": "grp",
    "galvanizedsteel": "steel",
    "pe": "pe",
    "pex": "pe",
    "prestressedreinforcedconcrete": "concrete",
    "pvc": "pvc",
    "reinforcedconcrete": "concrete",
    "rpmp": "grp",
    "steel": "steel",
}

#: Sizes, pressure classes and unit words that may stand beside a code.
_SIZE_WORDS = re.compile(
    r"\b(?:(?:dn|d|de|od|nd|nw|pn|sdr|class|cl|k|dr|sch)? ?\d+(?: ?x? ?\d+)*|mm|cm|in|inch\w*|ft"
    r"|pipe|main|tube|tuyau|tubo|rohr|buis|class|cl)\b"
)


def material_from_text(text: object) -> str | None:
    """Canonical material of a text from a map, or None.

    Parameters
    ----------
    text : object
        Name, abbreviation, or text that holds a material and a size.

    Returns
    -------
    str or None
        Key of `MATERIALS`; None when blank, not understood, or of several meanings (`ambiguous_material`).

    Examples
    --------
    >>> [material_from_text(t) for t in ("Ductile Iron", "PE-100 RC", "Fonte grise", "DN150 PVC-U", "CI")]
    ['ductile_iron', 'pe100', 'grey_iron', 'pvc', 'grey_iron']
    >>> material_from_text("AC") is None, ambiguous_material("AC")
    (True, ('asbestos_cement', 'steel'))
    """
    candidates, sure = _candidates(text)
    return candidates[0] if sure else None


def ambiguous_material(text: object) -> tuple[str, ...]:
    """Materials that a text of several meanings may stand for.

    Parameters
    ----------
    text : object
        Name or abbreviation.

    Returns
    -------
    tuple of str
        Keys of `MATERIALS`; empty when the text is understood, blank, or says nothing known.

    Examples
    --------
    >>> ambiguous_material("plastic"), ambiguous_material("steel, PVC"), ambiguous_material("PVC")
    (('pvc', 'pe'), ('pvc', 'steel'), ())
    """
    candidates, sure = _candidates(text)
    return () if sure else candidates


def _candidates(text: object) -> tuple[tuple[str, ...], bool]:
    written = str(text)
    if _INSPIRE_LIST in written:
        key = _INSPIRE.get(written.rstrip("/").rsplit("/", 1)[-1].lower())
        return ((), False) if key is None else ((key,), True)
    return _read(plain_words(text))


@lru_cache(maxsize=4096)
def _read(words: str) -> tuple[tuple[str, ...], bool]:
    """Candidates, and whether there is one of which we can be sure."""
    if is_blank(words):
        return (), False
    if words in _CODES:
        return (_CODES[words],), True
    if words in MATERIALS:
        return (words,), True
    found = _named(words)
    if found:
        return found, len(found) == 1
    code = " ".join(_SIZE_WORDS.sub(" ", _ASIDES.sub(" ", words)).split())
    code = code if code in _CODES or code in _AMBIGUOUS else code.replace(" ", "")
    if code in _CODES:
        return (_CODES[code],), True
    return _AMBIGUOUS.get(code, ()), False


def _named(words: str) -> tuple[str, ...]:
    """Materials named in full somewhere in the text."""
    rest = words if words.replace(" ", "") == "lead" else _ASIDES.sub(" ", words)
    found: dict[str, None] = {}
    for key, pattern in _PATTERNS:
        rest, hits = pattern.subn(" ", rest)
        if hits:
            found[key] = None
            if key == "ductile_iron":
                rest = _IRON_WORDS.sub(" ", rest)
    return tuple(found)

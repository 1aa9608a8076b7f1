"""Kinds of fitting, open or closed valves, and what is in service, from the words on maps."""

from __future__ import annotations

import re

from netcorr.layers.names import is_blank, plain_words

#: Canonical kinds of fitting.
KINDS = ("valve", "hydrant", "meter", "other")

_KIND_WORDS = {
    "meter": r"meters?|\w*compteurs?|contador\w*|medidor\w*|hidrometros?|\w*zahler|\w*zaehler|contator[ei]"
    r"|watermeters?|caudalimetro|debitmetre|flow ?met\w*|wm",
    "hydrant": r"\w*hydrant\w*|hidrantes?|idrant[ei]|hydr|fh|brandkra\w+|poteau|boca[ \w]* incendios?"
    r"|bouches? (?:d )?incendie|ufh|ofh",
    "valve": r"\w*valves?|\w*vannes?|valvulas?|valvol[ae]|\w*schieber|absperr\w*|\w*ventil|\w*klappe"
    r"|saracinesc\w*|\w*afsluiters?|\w*klep|\w*kleppen|llaves?|compuertas?|registros?|robinets?"
    r"|stop ?cocks?|gv|sv|bv|vlv",
}
#: Fittings that are none of these: what lets air or water out, and parts of the pipe itself.
_OTHER = re.compile(
    r"\b(?:air (?:release|relief|vacuum|vent|valves?)|arv|ventouses?|ventosas?|purgador\w*|sfiat[oi]"
    r"|be ?luft\w*"
    r"|ent ?luft\w*|\w*entluft\w*|ontlucht\w*|vidanges?|purges?|desagues?|descargas?|entleer\w*|spul\w*"
    r"|scaric[oh]\w*|spui\w*|wash ?outs?|blow ?offs?|scours?|drains?|tees?|t stuck\w*|reducers?|reduktion\w*"
    r"|reduction|reduccion(?:es)?|(?:end ?)?caps?|plugs?|bouchons?|tapon(?:es)?|bends?|elbows?|coudes?|codos?"
    r"|bogen|curv[ae]s?|couplings?|manchons?|muffen?|flanges?|brides?|bridas?|flansch\w*|anbohr\w*|saddles?"
    r"|tappings?|colliers?|joints?|junctions?|nodes?|noeuds?|nud?os?|knoten)\b"
)
_KIND_PATTERNS = {kind: re.compile(rf"\b(?:{words})\b") for kind, words in _KIND_WORDS.items()}
_KIND_CODES = {"v": "valve", "h": "hydrant", "m": "meter"}

_NOT = r"(?:not|non|no|nicht|nao|pas|niet|never)"
_CLOSED = re.compile(
    r"\b(?:closed|close|shut|fermee?s?|cerrad[oa]s?|fechad[oa]s?|geschlossen|zu|chius[oaie]|gesloten|dicht|nc)\b"
)
_OPEN = re.compile(
    r"\b(?:open|opened|ouverte?s?|abiert[oa]s?|abert[oa]s?|offen|geoffnet|geoeffnet|apert[oaie]|auf)\b|^n o$"
)
_PARTLY = re.compile(r"\b(?:part\w*|throttled|semi|halb|half|teil\w*)\b")
_NEGATED_STATE = re.compile(rf"\b{_NOT} ")

_OUT = re.compile(
    r"\b(?:abandon\w*|aband|abd|abn|retired|removed|disused|unused|inactiv\w*|inativ\w*|inatti\w*|dead|capped"
    r"|decommission\w*|deactivated|oos|out of (?:service|use|order)|outofservice|shut down|cut off|proposed"
    r"|planned|projected|future|design\w*|under construction|no longer[ \w]*|fictional"
    r"|hors (?:service|usage|d usage)|projet\w*|fictif|fictive"
    r"|fuera de (?:servicio|uso)|fora de (?:servico|uso)|anulad[oa]s?|desa?c?tivad[oa]s?|proyectad[oa]s?"
    r"|inaktiv|^a b$|auss?er betr(?:ieb)?|stillgelegt\w*|geplant\w*|fiktiv"
    r"|fuori (?:servizio|uso|esercizio)|dismess[oaie]|progetto|fittizi[oa]|fictici[oa]"
    r"|buiten (?:gebruik|bedrijf)|verwijderd|vervallen|gepland"
    rf"|{_NOT} (?:in (?:service|use|betrieb|gebruik)|en service|active|aktiv|used))\b"
)
_IN = re.compile(
    r"\b(?:in (?:service|use|operation|betrieb|esercizio|servizio|gebruik|bedrijf)|inservice|active|act|live"
    r"|^i b$|in betr|ins|operational|operating|existing|exist|en (?:service|servicio|uso)"
    r"|em (?:servico|uso|operacao)|actif"
    r"|activ|activ[oa]s?|ativ[oa]s?|attiv[oa]|aktiv|actief|existente|bestehend|bestand|existant)\b"
)
_LATER = re.compile(r"\bto be\b")
_YES = frozenset(("yes", "y", "true", "t", "1", "oui", "si", "sim", "ja", "j", "1 0"))
_NO = frozenset(("no", "n", "false", "f", "0", "non", "nao", "nein", "nee", "0 0"))


def kind_from_text(text: object) -> str | None:
    """Kind of fitting of a text from a map, or None.

    Parameters
    ----------
    text : object
        Name of a kind, in one of seven languages.

    Returns
    -------
    {'valve', 'hydrant', 'meter'} or None
        None when blank or not understood. Of two kinds the last word decides: a hydrant valve is a valve.

    Examples
    --------
    >>> [kind_from_text(t) for t in ("Gate valve", "Unterflurhydrant", "compteur", "tee")]
    ['valve', 'hydrant', 'meter', None]
    """
    words = plain_words(text)
    if words in _KIND_CODES:
        return _KIND_CODES[words]
    last = {
        kind: max(match.end() for match in pattern.finditer(words))
        for kind, pattern in _KIND_PATTERNS.items()
        if pattern.search(words)
    }
    return max(last, key=lambda kind: last[kind]) if last else None


def is_other_kind(text: object) -> bool:
    """Whether a text names a fitting that is neither valve nor hydrant nor meter.

    Parameters
    ----------
    text : object
        Name of a kind, in one of seven languages.

    Returns
    -------
    bool
        True for what lets air or water out, also by a valve of its own, and for parts of the pipe.

    Examples
    --------
    >>> [is_other_kind(text) for text in ("Air valve", "ventouse", "tee", "Gate valve", "X7")]
    [True, True, True, False, False]
    """
    return bool(_OTHER.search(plain_words(text)))


def is_open_from_text(text: object, *, yes_means: bool | None = None) -> bool | None:
    """Whether a valve is open, from the text of its status.

    Parameters
    ----------
    text : object
        Status, in one of seven languages. A partly closed valve is open: it lets sound through.
    yes_means : bool, optional
        What yes, true or 1 means: True for a column such as ``is_open``, False for ``closed``.

    Returns
    -------
    bool or None
        None when blank or not understood.

    Examples
    --------
    >>> [is_open_from_text(t) for t in ("Normally closed", "ouverte", "zu", "partly closed", "broken")]
    [False, True, False, True, None]
    """
    words = plain_words(text)
    if yes_means is not None and (answer := _yes_or_no(words)) is not None:
        return answer is yes_means
    closed, opened = bool(_CLOSED.search(words)), bool(_OPEN.search(words))
    if _NEGATED_STATE.search(words) and words != "n o":
        return None
    if _PARTLY.search(words) and (closed or opened):
        return True
    return opened if closed is not opened else None


def in_service_from_text(text: object, *, yes_means: bool | None = None) -> bool | None:
    """Whether a main is in service, from the text of its status.

    Parameters
    ----------
    text : object
        Status, in one of seven languages. Proposed and fictional mains are not in service, and neither
        is a main that is closed.
    yes_means : bool, optional
        What yes, true or 1 means: True for a column such as ``active``, False for ``abandoned``.

    Returns
    -------
    bool or None
        None when blank or not understood.

    Examples
    --------
    >>> [in_service_from_text(t) for t in ("In service", "hors service", "ABANDONED", "stillgelegt", "?")]
    [True, False, False, False, None]
    """
    words = plain_words(text)
    if yes_means is not None and (answer := _yes_or_no(words)) is not None:
        return answer is yes_means
    if is_blank(words) or _LATER.search(words):
        return None
    if _OUT.search(words):
        return False
    if _IN.search(words):
        return True
    return is_open_from_text(words)


def yes_means(column: str) -> bool | None:
    """What a yes in a status column says of the thing, from the column's name.

    Parameters
    ----------
    column : str
        Name of the column.

    Returns
    -------
    bool or None
        True: it is open or in service; False: it is not; None: the name does not say.

    Examples
    --------
    >>> yes_means("currently_open"), yes_means("ABANDONED"), yes_means("status")
    (True, False, None)
    """
    words = plain_words(column)
    if re.search(r"closed|shut|abandon|out of|retired|disused|inactive|cerrad|ferme", words):
        return False
    if re.search(r"open|active|in service|enabled|in use|live|abiert|ouvert", words):
        return True
    return None


def _yes_or_no(words: str) -> bool | None:
    if words in _YES:
        return True
    return False if words in _NO else None

"""Whether a map is fit for locating leaks: the rules, as numbers with their reasons, and the verdict."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

#: What a map, or one rule, is judged to be. 'usable' is said as 'fit with these assumptions'.
Level = Literal["fit", "usable", "not yet"]

#: Share of the metres of main that may hang on gaps. Two loggers stand some 100 to 300 m apart: with a tenth
#: of the metres on pieces of their own about one pair in ten has no path. One in fifty is a nuisance.
APART_FIT, APART_USABLE = 0.02, 0.10
#: Share of the metres without material or diameter (and without a measured speed). A path runs over three
#: mains or so, and one unknown main stops it: at 10 % one path in four (1 - 0.9^3), at 2 % one in seventeen.
UNKNOWN_FIT, UNKNOWN_USABLE = 0.02, 0.10
#: Share of the metres whose material or diameter is assumed. Assumptions never stop a path, they widen the
#: stretch to search; from 2 % on they are said.
ASSUMED_FIT = 0.02
#: Share of the fittings that are on no main. A fitting off the network is a site that cannot be used; with
#: one in five gone, the sites on either side of it are too far apart where it matters.
OFF_MAIN_FIT, OFF_MAIN_USABLE = 0.05, 0.20
#: Two sites are the least that a leak is heard from.
LEAST_SITES = 2
#: An end moved by this much changes a path by up to as much and the point by half of it, which is the
#: distance within which a crew digs. [m]
MOVED_FIT_M = 1.0
#: A piece on its own that is shorter than this is no network: a leftover of the drawing. [m]
STRAY_M = 100.0

_ORDER: tuple[Level, ...] = ("fit", "usable", "not yet")


@dataclass(frozen=True)
class Findings:
    """What the verdict rests on.

    Attributes
    ----------
    total_m : float
        Main in service. [m]
    apart_m : float
        Of this, in pieces that gaps or crossings may connect to a longer one, or that are strays. [m]
    unknown_m : float
        Of this, without material or diameter and without a measured speed. [m]
    assumed_m : float
        Of this, with an assumed attribute. [m]
    fittings, on_main : int
        Fittings, and those that sit on a main.
    moved_m : float
        Largest distance by which an end of a main was moved. [m]
    """

    total_m: float
    apart_m: float
    unknown_m: float
    assumed_m: float
    fittings: int
    on_main: int
    moved_m: float


@dataclass(frozen=True)
class Judged:
    """One rule and how the map does by it.

    Attributes
    ----------
    rule : str
        'apart', 'unknown', 'assumed', 'off main', 'sites' or 'moved'.
    value : float
        What was found: a share (0 to 1), a number of sites, or a distance [m].
    fit, usable : float
        Where fit and usable end.
    level : Level
        What it is by this rule.
    """

    rule: str
    value: float
    fit: float
    usable: float
    level: Level


@dataclass(frozen=True)
class Fix:
    """Something to put right, and what that would do.

    Attributes
    ----------
    kind : str
        'gap', 'crossing', 'material', 'attribute', 'fittings' or 'loops' (gaps within one piece).
    subject : str
        What it is about: a main, a text of the material column, the names of what is missing.
    share : float
        Part of the network's metres (of its fittings, for 'fittings') that it concerns, 0 to 1.
    amount : float
        Metres, or number of fittings or of loops.
    other : str
        The main on the other side of a gap or crossing; the only main that lacks an attribute.
    gap_m : float
        Width of a gap. [m]
    alone_m : float
        Metres of a gap that it connects at once, without the gaps behind it. [m]
    """

    kind: str
    subject: str
    share: float
    amount: float
    other: str = ""
    gap_m: float = 0.0
    alone_m: float = 0.0


def judge(findings: Findings) -> tuple[Judged, ...]:
    """Judge a map by every rule.

    Parameters
    ----------
    findings : Findings
        What was found.

    Returns
    -------
    tuple of Judged
        In the order in which a user should read them.

    Examples
    --------
    >>> good = Findings(
    ...     total_m=9000, apart_m=90, unknown_m=0, assumed_m=600, fittings=50, on_main=50, moved_m=0.2
    ... )
    >>> [(one.rule, one.level) for one in judge(good) if one.level != "fit"]
    [('assumed', 'usable')]
    >>> verdict(judge(good))
    'usable'
    """
    total_m = max(findings.total_m, 1e-9)
    lost = findings.fittings - findings.on_main
    off_main = lost / findings.fittings if findings.fittings else 1.0
    return (
        _at_most("apart", findings.apart_m / total_m, APART_FIT, APART_USABLE),
        _at_most("unknown", findings.unknown_m / total_m, UNKNOWN_FIT, UNKNOWN_USABLE),
        _at_most("assumed", findings.assumed_m / total_m, ASSUMED_FIT, 1.0),
        _at_most("off main", off_main, OFF_MAIN_FIT, OFF_MAIN_USABLE),
        Judged(
            "sites",
            findings.on_main,
            LEAST_SITES,
            LEAST_SITES,
            "fit" if findings.on_main >= LEAST_SITES else "not yet",
        ),
        _at_most("moved", findings.moved_m, MOVED_FIT_M, float("inf")),
    )


def verdict(judged: Iterable[Judged]) -> Level:
    """Verdict over all rules: that of the worst.

    Parameters
    ----------
    judged : iterable of Judged
        What `judge` gave.

    Returns
    -------
    {'fit', 'usable', 'not yet'}
    """
    return max((one.level for one in judged), key=_ORDER.index, default="fit")


def in_order_of_effect(fixes: Iterable[Fix]) -> tuple[Fix, ...]:
    """Fixes by the share of the network that they concern, the largest first.

    Parameters
    ----------
    fixes : iterable of Fix
        In an order that is kept among equals.

    Returns
    -------
    tuple of Fix

    Examples
    --------
    >>> [fix.subject for fix in in_order_of_effect([Fix("gap", "A", 0.1, 90), Fix("gap", "B", 0.3, 270)])]
    ['B', 'A']
    """
    return tuple(sorted(fixes, key=lambda fix: -round(fix.share, 9)))


def _at_most(rule: str, value: float, fit: float, usable: float) -> Judged:
    level: Level = "fit" if value <= fit else "usable" if value <= usable else "not yet"
    return Judged(rule, value, fit, usable, level)

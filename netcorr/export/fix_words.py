"""What to put right on a map, and how it was judged, in single sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netcorr.export.sentences import format_length
from netcorr.layers import ambiguous_material
from netcorr.layers.vocabulary import MATERIALS
from netcorr.network.fitness import STRAY_M
from netcorr.units import FOOT_M, UnitSystem

if TYPE_CHECKING:
    from netcorr.network.fitness import Fix, Judged
    from netcorr.network.map_check import MapCheck

MILE_M = 5280 * FOOT_M


def extent(length_m: float, units: UnitSystem) -> str:
    r"""Length of main in a network, as short as it is still of use; its space does not break.

    Examples
    --------
    >>> extent(3412.0, "metric"), extent(87.6, "metric"), extent(3412.0, "us"), extent(87.6, "us")
    ('3.4\xa0km', '88\xa0m', '2.1\xa0mi', '287\xa0ft')
    """
    if units == "us":
        return f"{length_m / MILE_M:.1f}\xa0mi" if length_m >= MILE_M else f"{length_m / FOOT_M:.0f}\xa0ft"
    return f"{length_m / 1000:.1f}\xa0km" if length_m >= 1000 else f"{length_m:.0f}\xa0m"


def fix_text(fix: Fix, check: MapCheck, units: UnitSystem) -> str:
    """One thing to put right, and what that would do.

    Parameters
    ----------
    fix : Fix
        What it is.
    check : MapCheck
        The check that it is from.
    units : {'metric', 'us'}
        Units of the text.

    Returns
    -------
    str
        One or two sentences without a full stop at the end.
    """
    amount = extent(fix.amount, units)
    if fix.kind in ("gap", "crossing"):
        return _joining(fix, units)
    if fix.kind == "material":
        known = [MATERIALS[key] for key in ambiguous_material(fix.subject)]
        why = f"it can be {' or '.join(known)}" if known else "it is not understood"
        return (
            f'say what material "{fix.subject}" is ({why}): it stands on {amount} of main; in a mapping, '
            f'[mains] materials = {{ "{fix.subject}" = "..." }}'
        )
    if fix.kind == "loops":
        return (
            f"look at the gaps within one piece, {fix.amount:.0f} of them (layers near_misses and "
            "crossings): joined, they close loops; until then a path may go the long way round"
        )
    if fix.kind == "attribute":
        which = f"main {fix.other} ({amount})" if fix.other else f"{amount} of main"
        return (
            f"fill in the {fix.subject} of {which}, see layer missing_attributes; or say under "
            "[missing] in a mapping what to assume"
        )
    tolerance = format_length(check.network.tolerances.fitting_m, units)
    count = int(fix.amount)
    which = "fitting that is on no main" if count == 1 else "fittings that are on no main"
    return (
        f"look at the {count} {which}, more than {tolerance} away or without a place (layer far_fittings): "
        "draw the missing main, correct a shifted layer, or raise --fitting-tolerance"
    )


def _joining(fix: Fix, units: UnitSystem) -> str:
    amount = extent(fix.amount, units)
    if fix.kind == "gap":
        what = (
            f"join the {format_length(fix.gap_m, units)} gap at main {fix.subject}, beside main {fix.other}"
        )
    else:
        what = (
            f"look at the crossing of mains {fix.subject} and {fix.other}: if they meet there, split the "
            "lines at it"
        )
    at_once = extent(fix.alone_m, units)
    steps = "" if at_once == amount else f" ({at_once} at once, the rest over gaps behind it)"
    return f"{what}: it would connect {amount}{steps}"


def rule_text(one: Judged, units: UnitSystem) -> str:
    """How the map does by one rule, and what the rule is.

    Parameters
    ----------
    one : Judged
        The rule and what was found.
    units : {'metric', 'us'}
        Units of the text.

    Returns
    -------
    str
        One sentence without a full stop at the end.
    """
    if one.rule == "sites":
        return f"{one.value:.0f} fittings on mains; a leak is heard from at least {one.fit:.0f}"
    if one.rule == "moved":
        return (
            f"ends were moved by up to {format_length(one.value, units)} to connect them; more than "
            f"{format_length(one.fit, units)} would be an assumption: a point moves by half of it"
        )
    stray = extent(STRAY_M, units)
    words = {
        "apart": "of the main hangs on a gap or a crossing worth a look, or is a leftover shorter than "
        f"{stray}: no path leads across",
        "unknown": "of the main has no material or no diameter: no leak can be located across it",
        "assumed": "of the main has an assumed material, diameter or year: more pipe to search there",
        "off main": "of the fittings sit on no main: no logger can be placed there",
    }
    limits = f"fit up to {one.fit * 100:.0f} %" + (
        f", usable up to {one.usable * 100:.0f} %" if one.usable < 1 else ""
    )
    return f"{share_text(one.value)} {words[one.rule]} ({limits})"


def assumed_text(assumed_m: float, layer: str, units: UnitSystem) -> str:
    r"""Say that a plan rests on attributes that the map does not have, and where to see which.

    Examples
    --------
    >>> assumed_text(90.0, "coverage", "metric")[:76]
    '90\xa0m of main have a material, diameter or year that is assumed: see assumed '
    """
    return (
        f"{extent(assumed_m, units)} of main have a material, diameter or year that is assumed: see assumed "
        f"in {layer}; the reach there rests on it"
    )


def share_text(share: float) -> str:
    """Share that is neither rounded to none nor to all.

    Examples
    --------
    >>> share_text(0.0), share_text(0.0004), share_text(0.0312), share_text(0.9996), share_text(1.0)
    ('0 %', 'under 0.1 %', '3.1 %', 'over 99.9 %', '100 %')
    """
    if 0 < share < 0.001:
        return "under 0.1 %"
    if 0.999 < share < 1:
        return "over 99.9 %"
    return f"{share * 100:.1f} %" if share % 1 else f"{share * 100:.0f} %"

"""All sources that a survey speaks for: each is weighed with what the others explain taken into account.

A survey may hold more than one leak, each heard by its own pairs or several by the same ones. Beside the
clearest source one more is weighed, and so on while one is as likely as not; then each is weighed again
beside all the others: two leaks, each heard by pairs of its own, do not speak against each other.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from netcorr.position.network.another import ANOTHER, first_look, known_source, weigh_another
from netcorr.position.network.weigh import weigh
from netcorr.position.settings import MOST_LEAKS

if TYPE_CHECKING:
    from netcorr.position.network.another import FirstLook
    from netcorr.position.network.evidence import NetworkEvidence
    from netcorr.position.network.weigh import Weighed

#: Beside a source that is at least so probable others are weighed.
SURE = 0.5
#: Odds of one more source within reach where so many leaks are known to be there (judgement).
KNOWN_TO_BE_THERE = 1.0


def find_sources(evidence: NetworkEvidence) -> tuple[Weighed, ...]:
    """Find all sources that a survey speaks for, the clearest first.

    Parameters
    ----------
    evidence : NetworkEvidence
        Mains, ways and evidence. The settings say how many leaks are known to be there, and how probable one
        is to be told.

    Returns
    -------
    tuple of Weighed
        At least one, which may be improbable; `leak` is the probability of each, given those before it.
    """
    clearest = weigh(evidence)
    if len(evidence.hearings) == 1:
        return (clearest,)  # a pair tells a second leak by itself, see `netcorr.position.second`
    wanted, least = evidence.settings.leaks, evidence.settings.least_probability
    found, first = [clearest], None
    while len(found) < MOST_LEAKS and (len(found) < wanted or found[-1].leak >= SURE):
        known = [known_source(evidence, one) for one in found]
        first = first or first_look(evidence, clearest)
        odds = KNOWN_TO_BE_THERE if len(found) < wanted else ANOTHER
        one = weigh_another(evidence, known, speeds=clearest, prior_odds=odds, first=first)
        if len(found) >= wanted and one.leak < least:
            break
        found.append(one)
    return tuple(_beside_the_others(evidence, found, number, first=first) for number in range(len(found)))


def _beside_the_others(
    evidence: NetworkEvidence, found: list[Weighed], number: int, *, first: FirstLook | None
) -> Weighed:
    """Weigh a source again beside all others that are sure, those found later too; it stays as probable."""
    others = [one for k, one in enumerate(found) if k != number and (one.leak >= SURE or k < number)]
    if len(others) == number:  # as it was
        return found[number]
    known = [known_source(evidence, one) for one in others]
    again = weigh_another(evidence, known, speeds=found[0], first=first)
    return replace(again, leak=found[number].leak)

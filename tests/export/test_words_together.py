"""What is said of a survey whose pairs were weighed together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import get_args

import pytest
from shapely import LineString

from netcorr.export import survey_text
from netcorr.position import Outcome, SurveyFix
from netcorr.position.fix import LikelyStretch

MAIN = LikelyStretch("M1", 0.0, 10.0, 0.9, told_apart=True, line=LineString([(0, 0), (10, 0)]))


@pytest.mark.parametrize("outcome", get_args(Outcome))
def test_each_pair_is_one_line_whatever_it_hears(
    make_fix: Callable[..., SurveyFix], outcome: Outcome
) -> None:
    fix = make_fix()
    pairs = tuple(replace(pair, outcome=outcome) for pair in 2 * fix.pairs)
    text = survey_text(replace(fix, pairs=pairs, likelihood=(MAIN,)))
    assert "What each pair hears by itself" in text
    listed = text.partition("What each pair hears by itself\n")[2].partition("\n\n")[0]
    assert listed.count("  - ") == len(pairs)
    words = {
        "between": "noise from between them",
        "nothing learnt": "cannot tell",
        "no leak heard": "nothing",
    }
    assert words.get(outcome, "at or beyond") in " ".join(listed.split())


def test_a_single_pair_is_told_as_before(make_fix: Callable[..., SurveyFix]) -> None:
    fix = make_fix()
    assert "What each pair hears by itself" not in survey_text(fix)
    # its mains are coloured too, which changes nothing of what is said
    assert survey_text(replace(fix, likelihood=(MAIN,))) == survey_text(fix)

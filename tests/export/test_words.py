"""The answer in words: what a crew has to know is there, and nothing else gets through."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from netcorr.export.sentences import percent, strength
from netcorr.export.words import survey_text
from netcorr.path.correlation_path import CorrelationPath
from netcorr.position.fix import BESIDE_NOTE, Candidate, SurveyFix
from netcorr.units import FOOT_M, INCH_M


def one_line(text: str) -> str:
    """Text without its line breaks, to look for sentences in."""
    return re.sub(r"\s+", " ", text)


@pytest.fixture
def beyond(
    make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
) -> Callable[[str], SurveyFix]:
    def build(outcome: str) -> SurveyFix:
        found = make_candidate(outcome=outcome, stretches=(), stretch_m=())
        return make_fix(candidates=(found,), pair_changes={"candidates": (found,), "outcome": outcome})

    return build


class TestLeakBetween:
    def test_says_where(self, make_fix: Callable[..., SurveyFix]) -> None:
        text = one_line(survey_text(make_fix()))
        title = "Leak between hydrant H-12 and valve V-7, or on side pipes there: strong evidence, 97 %"
        assert title in text
        assert "From hydrant H-12 follow the 150 mm ductile iron main east, towards valve V-7" in text
        assert "From valve V-7 follow the 110 mm polyethylene main south, towards hydrant H-12" in text
        assert "Search 39.4 m to 43.0 m from H-12: 3.60 m of main" in text
        assert "M-1 (ductile iron, 150 mm; wave speed 1240 m/s)" in text
        assert "side pipe (M-9) leaves the main 40.0 m from H-12" in text

    def test_says_why_and_what_could_be_wrong(self, make_fix: Callable[..., SurveyFix]) -> None:
        text = one_line(survey_text(make_fix()))
        # 0.1 ms apart at 1240 m/s is 0.062 m: half of speed times time
        assert "2 of 2 rounds carry the evidence, and they place it within about 0.06 m" in text
        assert "coherence 0.62 from 320 to 930 Hz" in text
        # 0.6, 0.5, 0.3, 0.05 and 0.3 m: 0.36 and 0.25 of 0.7925 m2
        assert "variance is mostly from the wave speed (45 %) and the lengths on the map (32 %)" in text
        assert text.count("all of M-2 taken as SDR 11.") == 1
        assert "The sensor on hydrant H-12 sits on 1.20 m of pipe off the main" in text

    def test_the_side_pipes_belong_to_what_holds_the_leak(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        text = one_line(survey_text(make_fix()))
        assert "3.60 m of main and the side pipes named below, together made to hold the leak 95" in text
        alone = make_candidate(branches=())
        text = one_line(survey_text(make_fix(candidates=(alone,), pair_changes={"candidates": (alone,)})))
        assert "3.60 m of main, made to hold the leak 95" in text

    def test_the_spread_of_a_set_of_pipes_is_not_put_down_to_one_pair(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        wide = make_candidate(sd_m=148.5)
        text = one_line(survey_text(make_fix(candidates=(wide,), pair_changes={"candidates": (wide,)})))
        assert "Standard deviation of the point 148.5 m, side pipes counted in." in text
        assert "variance" not in text

    def test_names_what_was_left_out(self, make_fix: Callable[..., SurveyFix]) -> None:
        text = one_line(survey_text(make_fix()))
        assert "L3 (L3_6.wav, loggers.csv row 6): the file ends after 2.1 of 10.0 s" in text

    def test_heard_without_a_place_is_said(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix(candidates=(), pair_changes={"candidates": (), "probability_between": 0.97})
        text = one_line(survey_text(fix))
        assert "noise from between sensors, but no place can be named" in text
        assert "no leak heard" not in text
        assert "Silence is not proof" not in text

    def test_rounds_agree_no_better_than_a_tape(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        same = tuple(replace(one, peak_delay_s=0.01) for one in fix.pairs[0].evidence)
        text = one_line(survey_text(make_fix(pair_changes={"evidence": same})))
        assert "within about 0.05 m of each other" in text

    def test_a_second_leak_is_told_with_its_own_delay(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        beside = replace(fix.candidates[0], note=BESIDE_NOTE, delay_s=-0.0312)
        text = one_line(survey_text(make_fix(candidates=(beside,), pair_changes={"candidates": (beside,)})))
        assert "B hears this one 31.20 ms before A." in text
        assert "when the louder source between the same sensors is taken out" in text
        # those of the rounds belong to the other one
        assert "Round 1: B hears it" not in text
        assert "Round 1: B hears it" in one_line(survey_text(fix))

    def test_second_way_is_a_doubt(
        self, make_fix: Callable[..., SurveyFix], make_path: Callable[..., CorrelationPath]
    ) -> None:
        path = make_path(second_length_m=131.0)
        text = one_line(survey_text(make_fix(pair_changes={"path": path})))
        assert "A second way by pipe is 131.0 m long against 128.3 m" in text.partition("What to do next")[2]
        assert "second way by pipe" not in survey_text(make_fix())

    def test_second_opinion_is_told_when_it_differs(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        [pair] = fix.pairs
        off = tuple(replace(e, second_opinion_s=e.peak_delay_s + 0.005) for e in pair.evidence)
        # 5 ms at 1240 m/s: 3.1 m
        assert "points up to 3.10 m elsewhere" in one_line(
            survey_text(replace(fix, pairs=(replace(pair, evidence=off),)))
        )
        assert "second opinion" not in survey_text(fix)

    def test_one_round_only(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        [pair] = fix.pairs
        text = one_line(
            survey_text(
                replace(fix, pairs=(replace(pair, evidence=pair.evidence[:1]),), rounds=fix.rounds[:1])
            )
        )
        assert "only one round" in text
        assert "Record a second round" in text

    @pytest.mark.parametrize(
        ("probability", "headline", "advice"),
        [
            (0.93, "1 leak with strong evidence", ""),
            (0.7, "a leak is possible, but the evidence is not strong", "Do not dig yet"),
            (0.2, "only a faint sign of a leak. Do not dig", "Do not dig yet"),
        ],
    )
    def test_weak_evidence_is_not_called_a_leak(
        self,
        make_fix: Callable[..., SurveyFix],
        make_candidate: Callable[..., Candidate],
        probability: float,
        headline: str,
        advice: str,
    ) -> None:
        found = make_candidate(probability=probability)
        text = one_line(survey_text(make_fix(candidates=(found,), pair_changes={"candidates": (found,)})))
        assert headline in text
        assert advice in text
        assert ("Do not dig yet" in text) == bool(advice)

    def test_many_candidates_are_counted(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        many = tuple(make_candidate(rank=n, candidate_id=str(n), probability=0.3) for n in range(1, 9))
        text = survey_text(make_fix(candidates=many, pair_changes={"candidates": many}))
        assert "3 weaker candidates are in the layer leak_candidates." in text

    def test_several_stretches(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        found = make_candidate(stretch_m=((39.4, 43.0), (60.0, 61.5)), low_m=39.4, high_m=61.5)
        text = one_line(survey_text(make_fix(candidates=(found,), pair_changes={"candidates": (found,)})))
        assert "Search 39.4 m to 43.0 m and 60.0 m to 61.5 m from H-12: 5.10 m of main" in text


class TestOtherOutcomes:
    @pytest.mark.parametrize(
        ("outcome", "near", "far"),
        [("at or beyond A", "hydrant H-12", "valve V-7"), ("at or beyond B", "valve V-7", "hydrant H-12")],
    )
    def test_beyond_a_sensor(
        self, beyond: Callable[[str], SurveyFix], outcome: str, near: str, far: str
    ) -> None:
        text = one_line(survey_text(beyond(outcome)))
        assert f"The noise comes from at or beyond {near}. Do not dig between {near} and {far}." in text
        assert f"Move the logger from {far} to a fitting on the far side of {near}" in text
        assert "41.2 m" not in text
        assert "Mains on that side: M-9." in text

    def test_silence_is_not_proof(self, silent: SurveyFix) -> None:
        text = one_line(survey_text(silent))
        assert "no leak heard" in text
        assert "Silence is not proof" in text
        assert "Between hydrant H-12 and valve V-7 (128.3 m of main)" in text
        assert "the leak is at" not in text


class TestAlways:
    @pytest.mark.parametrize("which", ["between", "at or beyond A", "at or beyond B", "none"])
    @pytest.mark.parametrize("units", ["metric", "us"])
    def test_cautions_and_width(
        self,
        make_fix: Callable[..., SurveyFix],
        beyond: Callable[[str], SurveyFix],
        silent: SurveyFix,
        which: str,
        units: Any,
    ) -> None:
        fix = silent if which == "none" else make_fix() if which == "between" else beyond(which)
        text = survey_text(fix, units=units)
        assert "every other utility located" in text
        assert "confined space" in text
        assert "under pressure" in text
        assert "licensed crew" in text
        assert max(map(len, text.splitlines())) <= 80
        assert text.isprintable() or {c for c in text if not c.isprintable()} == {"\n"}
        assert "\x1b" not in text

    def test_us_units_are_the_same_lengths(self, make_fix: Callable[..., SurveyFix]) -> None:
        metric, us = (one_line(survey_text(make_fix(), units=u)) for u in ("metric", "us"))
        in_m = [float(number) for number in re.findall(r"the leak is at (\d+\.\d+) m", metric)]
        in_ft = [
            int(feet) * FOOT_M + int(inches) * INCH_M
            for feet, inches in re.findall(r"the leak is at (\d+)' (\d+)\"", us)
        ]
        assert len(in_m) == len(in_ft) == 2
        assert in_ft == pytest.approx(in_m, abs=0.05 + INCH_M / 2)
        assert not re.search(r"\d m\b", us)

    def test_text_from_files_cannot_command_the_terminal(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        evil = "\x1b]0;owned\x07\x1b[2J\u202ednE"
        found = make_candidate(pipe_id=evil, note=evil, material=evil)
        fix = make_fix(candidates=(found,), pair_changes={"candidates": (found,), "notes": (evil,)})
        text = survey_text(replace(fix, notes=(evil,)))
        assert "\x1b" not in text
        assert "\u202e" not in text
        assert "\x07" not in text

    def test_unknown_material_and_size_are_said(
        self, make_fix: Callable[..., SurveyFix], make_candidate: Callable[..., Candidate]
    ) -> None:
        found = make_candidate(material=None, diameter_mm=float("nan"))
        text = one_line(survey_text(make_fix(candidates=(found,), pair_changes={"candidates": (found,)})))
        assert "unknown material, size unknown" in text
        assert "nan" not in text.lower().replace("maintenance", "")

    def test_a_candidate_is_told_by_its_own_pair(self, make_fix: Callable[..., SurveyFix]) -> None:
        fix = make_fix()
        [pair] = fix.pairs
        turned = replace(
            pair,
            path=pair.path.reversed(),
            candidates=(),
            logger_a="L2",
            logger_b="L1",
            outcome="no leak heard",
        )
        text = one_line(survey_text(replace(fix, pairs=(turned, pair))))
        assert "Sensor A: logger L1 on hydrant H-12" in text
        assert "Between valve V-7 and hydrant H-12" in text


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(name=st.text(min_size=1, max_size=40), note=st.text(max_size=200))
def test_any_text_stays_within_bounds(make_fix: Callable[..., SurveyFix], name: str, note: str) -> None:
    fix = make_fix()
    text = survey_text(replace(fix, notes=(note,), candidates=(replace(fix.candidates[0], pipe_id=name),)))
    assert all(c == "\n" or c.isprintable() or c in "\ufffd\u3000" or not c.isascii() for c in text)
    assert max(map(len, text.split("\n"))) <= 80


@given(st.floats(0, 1))
def test_never_certain(probability: float) -> None:
    assert percent(probability) not in {"0 %", "100 %"}


@given(st.floats(0, 1), st.floats(0, 1))
def test_strength_grows_with_probability(one: float, two: float) -> None:
    order = ["weak", "fair", "strong"]
    low, high = sorted((one, two))
    assert order.index(strength(low)) <= order.index(strength(high))

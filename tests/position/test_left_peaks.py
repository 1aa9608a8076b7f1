"""Peaks beside the first source are found one by one, and told as echoes or as sources of their own."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from netcorr.position.left_peaks import MOST_PEAKS, LeftOver, LeftPeak, leak_odds, left_peaks

DELAY_S = np.linspace(-0.1, 0.1, 4001)
NO_ECHO = np.zeros(0)
PEAK = LeftPeak(
    delay_s=0.02,
    nats=200.0,
    least_nats=95.0,
    rounds=2,
    strength=0.4,
    repeated=0.04,
    on_map=0.0,
    loudest_echo=0.0,
)


def bumps(peaks: dict[float, float], *, width_s: float = 5e-4) -> np.ndarray:
    shapes = [height * np.exp(-0.5 * ((DELAY_S - at_s) / width_s) ** 2) for at_s, height in peaks.items()]
    return np.sum(shapes, axis=0) if shapes else np.zeros(DELAY_S.size)


def left_of(*rounds: dict[float, float], strength: dict[float, float] | None = None) -> LeftOver:
    return LeftOver(
        delay_s=DELAY_S,
        log_likelihood=np.stack([bumps(one) for one in rounds]),
        strength=bumps(strength or {}),
        repeated=np.full(DELAY_S.size, 0.05),
        known_s=0.0,
        width_s=0.01,
        jitter_s=1e-4,
    )


def found(
    left: LeftOver, *, detour_s: np.ndarray = NO_ECHO, echo_strength: np.ndarray = NO_ECHO
) -> tuple[LeftPeak, ...]:
    return left_peaks(left, range_s=(-0.08, 0.08), detour_s=detour_s, echo_strength=echo_strength)


def test_peaks_come_highest_first_with_what_each_round_shows() -> None:
    peaks = found(left_of({0.03: 20.0, -0.05: 60.0}, {0.03: 30.0, -0.05: 5.0}, strength={0.03: 0.6}))
    assert [round(one.delay_s, 3) for one in peaks] == [-0.05, 0.03]
    assert [one.nats for one in peaks] == pytest.approx([65.0, 50.0], rel=0.01)
    assert [one.least_nats for one in peaks] == pytest.approx([5.0, 20.0], rel=0.01)
    assert [one.strength for one in peaks] == pytest.approx([0.0, 0.6], abs=0.01)


def test_rounds_whose_clocks_differ_a_little_show_one_peak() -> None:
    (one,) = found(left_of({0.03: 20.0}, {0.0302: 20.0}))
    assert one.nats == pytest.approx(40.0, rel=0.01)


def test_what_is_at_the_first_or_out_of_range_or_faint_is_no_peak() -> None:
    assert found(left_of({0.002: 50.0})) == ()
    assert found(left_of({0.095: 50.0})) == ()
    assert found(left_of({0.03: 3.0}, {0.03: 3.0})) == ()


def test_no_more_than_so_many() -> None:
    many = {round(-0.075 + 0.011 * k, 3): 30.0 for k in range(14)}
    assert len(found(left_of(many))) == MOST_PEAKS


def test_an_echo_on_the_map_is_known_by_its_detour() -> None:
    left = left_of({0.03: 40.0, -0.04: 30.0})
    at_echo, elsewhere = found(left, detour_s=np.array([0.0305, 0.06]), echo_strength=np.array([0.4, 0.7]))
    assert (at_echo.on_map, elsewhere.on_map) == (0.4, 0.0)
    assert at_echo.loudest_echo == elsewhere.loudest_echo == 0.7


def test_a_leak_is_strong_not_repeated_and_in_all_rounds() -> None:
    assert leak_odds(PEAK) > 3
    for unlike in ({"repeated": 0.4}, {"strength": 0.06}, {"least_nats": 3.0}, {"loudest_echo": 0.8}):
        assert leak_odds(replace(PEAK, **unlike)) < 0.7 * leak_odds(PEAK)


def test_what_the_map_explains_is_no_leak_what_is_much_louder_may_be() -> None:
    assert leak_odds(replace(PEAK, on_map=0.35)) == 0
    assert 0 < leak_odds(replace(PEAK, strength=0.8, on_map=0.35)) < leak_odds(replace(PEAK, strength=0.8))


@given(
    repeated=st.tuples(st.floats(0.0, 1.5), st.floats(0.0, 1.5)),
    strength=st.floats(0.15, 1.0),
    even=st.tuples(st.floats(1.0, 100.0), st.floats(1.0, 100.0)),
)
def test_more_repetition_never_raises_the_odds_and_evenness_never_lowers_them(
    repeated: tuple[float, float], strength: float, even: tuple[float, float]
) -> None:
    less, more = (leak_odds(replace(PEAK, strength=strength, repeated=value)) for value in sorted(repeated))
    assert more <= less * (1 + 1e-9)
    uneven, evener = (leak_odds(replace(PEAK, least_nats=value)) for value in sorted(even))
    assert uneven <= evener * (1 + 1e-9)


def test_odds_are_finite_whatever_is_measured() -> None:
    for value in (-5.0, 0.0, 1e-12, 1e6):
        assert 0 < leak_odds(replace(PEAK, strength=value, repeated=-value, least_nats=value)) < 1e6

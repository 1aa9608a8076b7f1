"""An assumption widens the speed by what else the pipe could be, and by nothing where it is sure."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.network import Alternative
from netcorr.path import CorrelationPath, PathSegment
from netcorr.position import LocateSettings, path_speeds, path_times
from netcorr.position.assumed import ANOTHER_SHARE, ASSUMED_SHARE
from netcorr.speed import pipe_wave_speed
from netcorr.speed.wave_speed import WaveSpeed

from .conftest import exact_settings, path_of

SETTINGS = LocateSettings()
SAID = "material grey cast iron from neighbours (3 of 4; or PVC 17 %, another 17 %)"


def guessed(**changes: Any) -> CorrelationPath:
    path = path_of([100.0])
    return replace(path, segments=(replace(path.segments[0], assumed=SAID, **changes),))


def speed(path: CorrelationPath) -> WaveSpeed:
    return path_speeds(path, settings=SETTINGS)[0]


def added(path: CorrelationPath) -> float:
    """What the assumption adds to the spread of the pipe. [m/s]"""
    return math.sqrt(max(speed(path).pipe_sd_m_s ** 2 - speed(path_of([100.0])).pipe_sd_m_s ** 2, 0.0))


def test_an_assumption_that_is_sure_is_the_same_as_a_value_that_is_given() -> None:
    given, assumed = speed(path_of([100.0])), speed(guessed(could_be=()))
    assert replace(assumed, assumptions=()) == replace(given, assumptions=())
    assert assumed.assumptions == (SAID, *given.assumptions), "but it is said"


def test_where_nobody_says_what_else_it_could_be() -> None:
    assert added(guessed(could_be=None)) == pytest.approx(ASSUMED_SHARE * speed(guessed()).speed_m_s)
    one_in_three = guessed(could_be=(Alternative("material", None, 1 / 3),))
    assert added(one_in_three) == pytest.approx(added(guessed(could_be=None)))


def test_the_sum_of_share_times_difference_squared() -> None:
    others = (Alternative("material", "pvc", 0.1), Alternative("diameter", 300.0, 0.2))
    iron, pvc, wide = (
        pipe_wave_speed(material, size).speed_m_s
        for material, size in (("grey_iron", 150.0), ("pvc", 150.0), ("grey_iron", 300.0))
    )
    expected = math.sqrt(0.1 * (pvc - iron) ** 2 + 0.2 * (wide - iron) ** 2)
    assert added(guessed(could_be=others)) == pytest.approx(expected)
    said = f"{SAID}: so its speed may be off by {expected:.0f} m/s more (standard deviation)"
    assert speed(guessed(could_be=others)).assumptions[0] == said
    assert speed(guessed(could_be=others)).speed_m_s == iron


def test_a_size_that_no_table_has_counts_as_another() -> None:
    at = replace(path_of([100.0]).segments[0], material="pvc", assumed=SAID)
    path = replace(path_of([100.0]), segments=(replace(at, could_be=(Alternative("diameter", -5.0, 0.5),)),))
    known = replace(path, segments=(replace(at, could_be=(Alternative("diameter", None, 0.5),)),))
    assert speed(path) == speed(known)
    plain = pipe_wave_speed("pvc", 150.0)
    expected = math.hypot(plain.pipe_sd_m_s, math.sqrt(0.5) * ANOTHER_SHARE["diameter"] * plain.speed_m_s)
    assert speed(path).pipe_sd_m_s == pytest.approx(expected)


def test_a_measured_speed_needs_no_material() -> None:
    others = (Alternative("material", "pvc", 0.5),)
    measured = speed(guessed(could_be=others, wave_speed_m_s=1200.0))
    assert SAID not in measured.assumptions[0]
    assert measured.pipe_sd_m_s == speed(guessed(could_be=(), wave_speed_m_s=1200.0)).pipe_sd_m_s


VALUES = st.one_of(
    st.builds(lambda v: ("material", v), st.sampled_from(["pvc", "steel", "asbestos_cement", None])),
    st.builds(lambda v: ("diameter", v), st.sampled_from([50.0, 100.0, 300.0, None])),
    st.builds(lambda v: ("year", v), st.sampled_from([1900.0, 1990.0, None])),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(VALUES, min_size=1, max_size=3), st.floats(0.01, 0.3), st.floats(0, 1))
def test_a_surer_assumption_gives_a_narrower_area(
    values: list[tuple[str, Any]], share: float, surer: float
) -> None:
    """Off the middle of the path and at it: the spread of the delay grows with every share."""

    def spread(share: float) -> Any:
        path = guessed(could_be=tuple(Alternative(name, value, share) for name, value in values))
        times = path_times(
            path, path_speeds(path, settings=SETTINGS), settings=exact_settings(), clock_sd_s=0.0
        )
        return times.sd_s(clock_sd_s=0.0)

    assert (spread(surer * share) <= spread(share) + 1e-15).all()
    assert (spread(0.0) <= spread(surer * share) + 1e-15).all()


def test_segments_from_a_network_say_nothing_unless_something_is_assumed() -> None:
    segment: PathSegment = path_of([100.0]).segments[0]
    assert (segment.assumed, segment.could_be) == ("", None)
    assert speed(path_of([100.0])).pipe_sd_m_s == pipe_wave_speed("grey_iron", 150.0).pipe_sd_m_s

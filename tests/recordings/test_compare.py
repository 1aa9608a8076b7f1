"""What shows only beside other recordings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from netcorr.recordings import Deployment, Recording, compare_recordings, measure_quality, read_rounds

Record = Callable[..., Recording]
RATE = 2000.0


@pytest.fixture
def heard(record: Record) -> Record:
    """A recording whose quality was measured."""

    def make(
        logger: str, *, rms: float = 0.05, row: int = 2, at_s: float = 0.0, seconds: float = 10.0
    ) -> Recording:
        rng = np.random.default_rng([row, *logger.encode()])
        samples = rng.normal(0, rms, round(seconds * RATE)).astype(np.float32)
        made = record(logger, row=row, at_s=at_s, rate=RATE, samples=samples)
        return replace(made, quality=measure_quality(samples, RATE))

    return make


def findings(groups: list[list[Recording]]) -> list[list[tuple[str, ...]]]:
    return [[recording.quality.findings for recording in group] for group in compare_recordings(groups)]


def test_a_good_survey_has_nothing_to_tell(heard: Record) -> None:
    """Gains differ by 6 dB, levels from round to round by 4 dB, starts by a tenth of a second."""
    groups = [
        [
            heard("A", row=2 + 3 * k, rms=0.05 * 1.25**k),
            heard("B", row=3 + 3 * k, rms=0.1, at_s=0.1),
            heard("C", row=4 + 3 * k, rms=0.04, at_s=0.02),
        ]
        for k in range(3)
    ]
    compared = compare_recordings(groups)
    assert all(
        one is other
        for old, new in zip(groups, compared, strict=True)
        for one, other in zip(old, new, strict=True)
    )


def test_one_deaf_sensor(heard: Record) -> None:
    group = [heard("A"), heard("B", rms=0.1), heard("C", rms=0.05e-2), heard("D", rms=0.03)]
    (told,) = findings([group])
    assert told[0] == told[1] == told[3] == ()
    (finding,) = told[2]
    assert finding.startswith(
        "40 dB quieter than the others of its round: deaf, loose or set to another gain"
    )


def test_with_two_sensors_nobody_can_tell_which_is_deaf(heard: Record) -> None:
    assert findings([[heard("A"), heard("B", rms=1e-4)]])[0][0] == ()
    assert findings([[heard("A"), heard("B", rms=1e-4)]])[0][1] == ()


@pytest.mark.parametrize("rounds", [2, 4])
def test_usage_in_one_round(rounds: int, heard: Record) -> None:
    groups = [
        [heard("A", row=2 + 2 * k, rms=0.2 if k == 1 else 0.02), heard("B", row=3 + 2 * k)]
        for k in range(rounds)
    ]
    told = findings(groups)
    (finding,) = told[1][0]
    other = "rounds" if rounds > 2 else "round"
    assert finding.startswith(f"20 dB louder than this logger's other {other}: usage or traffic in this one")
    told[1][0] = ()
    assert all(one == () for group in told for one in group)


def test_knocks_do_not_make_a_round_loud(heard: Record) -> None:
    loud = heard("A", row=4, rms=0.02)
    samples = loud.samples.copy()
    samples[5000:5100] = np.linspace(0.9, 0.3, 100) * np.sign(samples[5000:5100])
    loud = replace(loud, samples=samples, quality=measure_quality(samples, RATE))
    assert loud.quality.rms > 2 * heard("A", rms=0.02).quality.rms
    ((before,), (after,)) = findings([[heard("A", rms=0.02)], [loud]])
    assert before == ()
    assert [text.split(",")[0] for text in after] == ["1 knock"]


def test_one_logger_started_late(heard: Record) -> None:
    group = [heard("A"), heard("B", at_s=0.05), heard("C", at_s=3.55)]
    (told,) = findings([group])
    assert told[0] == told[1] == ()
    assert told[2] == ("began 3.5 s after all others: 6.5 s are left in common",)


def test_late_in_a_pair(heard: Record) -> None:
    (told,) = findings([[heard("A", at_s=2.0), heard("B")]])
    assert told == [("began 2.0 s after the other: 8.0 s are left in common",), ()]


def test_one_logger_stopped_early(heard: Record) -> None:
    (told,) = findings([[heard("A"), heard("B"), heard("C", at_s=1.5, seconds=5.5)]])
    assert told[2] == (
        "began 1.5 s after all others and ended 3.0 s before all others: 5.5 s are left in common",
    )


def test_one_left_running_disturbs_nobody(heard: Record) -> None:
    (told,) = findings([[heard("A", at_s=-30.0, seconds=100.0), heard("B"), heard("C", at_s=0.1)]])
    assert told == [(), (), ()]


def test_unmeasured_levels_are_not_compared(record: Record) -> None:
    group = [record("A"), record("B"), record("C")]
    assert compare_recordings([group, group]) == (tuple(group), tuple(group))


def test_survey_files_carry_the_findings(
    write: Callable[..., Path], deploy: Callable[..., Deployment], night: object
) -> None:
    """From sound files through the rounds to the line that a technician reads."""
    rng = np.random.default_rng(1)
    rows = []
    for k, (logger, rms) in enumerate((("A", 0.1), ("B", 0.1), ("C", 0.001))):
        samples: NDArray[np.float64] = rng.normal(0, rms, 24_000)
        path = write(samples, f"{logger}.wav", subtype="PCM_24")
        rows.append(deploy(path, logger, k + 2, start=night))
    (one,) = read_rounds(rows).rounds
    assert [bool(recording.quality.findings) for recording in one.recordings] == [False, False, True]
    assert "40 dB quieter than the others of its round" in str(one.recordings[2])

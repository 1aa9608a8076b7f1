"""What a survey learns first: pairs worth comparing, clocks that part, spectra kept while they are few."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from netcorr.delay import pool_drifts
from netcorr.position import first_look
from netcorr.position.first_look import SCREENED, PreparedRounds, clock_drifts, worth_comparing
from netcorr.position.sites import Site
from netcorr.position.travel import PathTimes
from netcorr.recordings import Deployment, Recording, RecordingQuality, Round, interpolate

Maker = Callable[..., Any]
RATE = 2000.0
START = datetime(2026, 3, 1, 2, tzinfo=UTC)


@dataclass(frozen=True)
class Pair:
    """Two sites with the times of their path."""

    a: Site
    b: Site
    times: PathTimes


def recording(logger: str, *, drift_sd_ppm: float | None = None) -> Recording:
    deployment = Deployment(
        table="t.csv",
        row=2,
        logger=logger,
        recording=Path(f"{logger}.wav"),
        fitting=f"V-{logger}",
        clock_drift_sd_ppm=drift_sd_ppm,
    )
    quality = RecordingQuality(rms=1.0, peak=4.0)
    return Recording(deployment, np.zeros(1, np.float32), RATE, START, "table", quality)


def round_of(number: int, samples: np.ndarray, *, drift_sd_ppm: float | None = None) -> Round:
    rows = tuple(recording(f"L{i}", drift_sd_ppm=drift_sd_ppm) for i in range(len(samples)))
    return Round(number, START, RATE, rows, samples.astype(np.float32))


def heard(seed: int, *, seconds: float, others: int = 0, ppm: float = 0.0) -> np.ndarray:
    """L0 and L1 hear one source 10 ms apart, by clocks that part; the others hear noise alone."""
    rng = np.random.default_rng(seed)
    size = round(seconds * RATE)
    source = rng.normal(size=size + 200)
    late = interpolate(source, first=100 - 0.01 * RATE, step=1 / (1 + 1e-6 * ppm), size=size)
    rows = np.stack([source[100 : size + 100], late, *rng.normal(size=(others, size))])
    return np.asarray(rows + rng.normal(size=rows.shape))


@pytest.fixture(scope="module")
def pair_of(make_times: Maker) -> Maker:
    times = make_times(60.0)

    def made(i: int, k: int) -> Pair:
        sites = (Site(f"L{n}", f"V-L{n}", 0.0, 1e-4, ()) for n in (i, k))
        return Pair(*sites, times)

    return made


def spectra(rounds: list[Round]) -> PreparedRounds:
    return PreparedRounds(rounds, 0.08, None)


def test_few_pairs_are_all_kept_unseen(pair_of: Maker) -> None:
    pairs = [pair_of(0, 1), pair_of(0, 2)]
    assert worth_comparing(pairs, spectra([])) == (pairs, (), "")


def test_of_many_pairs_the_silent_ones_are_left_out_and_named(
    pair_of: Maker, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(first_look, "FEW_PAIRS", 1)
    monkeypatch.setattr("netcorr.position.screening.pairs_worth_comparing.__kwdefaults__", {"least": 1})
    pairs = [pair_of(i, k) for i in range(6) for k in range(i + 1, 6)]
    rounds = [round_of(n, heard(n, seconds=5.0, others=4)) for n in (1, 2)]
    kept, left_out, note = worth_comparing(pairs, spectra(rounds))
    assert (kept[0].a.logger, kept[0].b.logger) == ("L0", "L1")
    assert len(kept) + len(left_out) == 15
    # noise alone passes in one of ten rounds at most
    assert len(left_out) >= 8
    assert {one.reason for one in left_out} == {SCREENED}
    assert all((one.logger_a, one.logger_b) != ("L0", "L1") for one in left_out)
    assert left_out[0].sensor_a == f"V-{left_out[0].logger_a}"
    assert note.startswith(f"{len(left_out)} of 15 pairs")


def test_drift_is_pooled_over_the_rounds(pair_of: Maker) -> None:
    rounds = [round_of(n, heard(n, seconds=24.0, ppm=20.0)) for n in (1, 2, 3)]
    prepared = spectra(rounds)
    drifts = clock_drifts([pair_of(0, 1)], prepared)
    alone = [clock_drifts([pair_of(0, 1)], spectra([one]))["L0", "L1"] for one in rounds]
    assert drifts["L0", "L1"] == pool_drifts(alone)
    assert drifts["L0", "L1"].drift_ppm == pytest.approx(20, abs=0.5)
    assert drifts["L0", "L1"].standard_error_ppm < min(one.standard_error_ppm for one in alone)


def test_short_rounds_and_known_clocks_are_left_alone(pair_of: Maker) -> None:
    short = round_of(1, heard(1, seconds=10.0, ppm=20.0))
    known = round_of(2, heard(2, seconds=24.0, ppm=20.0), drift_sd_ppm=0.5)
    assert clock_drifts([pair_of(0, 1)], spectra([short, known])) == {}


def test_spectra_are_made_once_while_they_are_few(monkeypatch: pytest.MonkeyPatch) -> None:
    rounds = [round_of(n, heard(n, seconds=3.0)) for n in (1, 2)]
    prepared = spectra(rounds)
    first = [prepared.of(one) for one in rounds]
    assert [prepared.of(one) for one in rounds] == first
    assert all(again is one for again, one in zip(prepared, first, strict=True))
    monkeypatch.setattr(first_look, "MOST_KEPT_BYTES", 1000)
    many = spectra(rounds)
    one, again = many.of(rounds[0]), many.of(rounds[0])
    assert one is not again
    assert one["L0"].spectrum == pytest.approx(again["L0"].spectrum)
    assert one.keys() == {"L0", "L1"}


def test_rounds_that_are_not_of_all_loggers(pair_of: Maker) -> None:
    one = round_of(1, heard(1, seconds=24.0, ppm=20.0))
    missing = replace(one, number=2, recordings=one.recordings[:1], samples=one.samples[:1])
    drifts = clock_drifts([pair_of(0, 1)], spectra([one, missing]))
    assert drifts == clock_drifts([pair_of(0, 1)], spectra([one]))

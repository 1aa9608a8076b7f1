"""What each pair of sensors hears, in the form in which the pairs of a survey are weighed together.

A pair's likelihood over delay is that of one source whose sound comes straight. On a network of tees most
pairs hear echoes as well, a few decibels below what comes straight or even above it. To one source an echo
with a third of the evidence is impossible; to the map it is a matter of course. So peaks that lie apart are
weighed by the odds that a peak of that height is the direct one, and within each peak the likelihood keeps
its shape. A pair whose peaks are all something else (a source of its own, a fitting that is not where it is
said to be) is allowed for by a floor: it costs a place something not to be heard there, never everything.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage
from scipy.special import logsumexp

from netcorr.position.blur import blurred_rows
from netcorr.position.posterior import log_combined

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from netcorr.delay.evidence import DelayEvidence
    from netcorr.position.settings import LocateSettings
    from netcorr.position.travel import PathTimes

    Floats = NDArray[np.float64]

#: Odds that a peak is that of the loudest ways go with this power of its evidence: with half of it (3 dB
#: less) one in 20. Chosen with `REPETITION` and the power of strengths in `arrivals` so that the probability
#: within 4 m of the leak was highest in 42 simulated surveys (iron, 8 sensors, 30 at +6 dB and 12 at -6 dB);
#: the figures of the benchmark come from other ones.
HEIGHT_POWER = 4.5
#: Evidence from which on something apart from the highest peak is a peak: over a second of delays noise has
#: a thousand independent values, of which one in e^7 is as high as 7. [nats]
LEAST_PEAK = 10.0
#: Of more pairs than this only those that hear something are asked: the others tell next to nothing apart.
MANY_PAIRS = 100
#: A pair with so much evidence hears something beyond doubt. [nats]
LOUD = 25.0
#: More evidence than this says nothing more about whether there is a source. [nats]
MOST_EVIDENCE = 30.0
#: Peaks are apart from this many widths of the band on, and never nearer than this. [s]
APART_WIDTHS = 1.0
LEAST_APART_S = 0.001
#: Odds that the highest peak of a pair is the direct sound of the leak: even at so much evidence, going with
#: this power of it, and less the more other peaks there are. On simulated districts (iron, 8 sensors, mesh of
#: 95 by 75 m, tees that scatter) it is right in 57 % of pairs with 25 to 100 nats and next to no other peak,
#: in 12 % of those with several; in 58 % with 100 to 400 nats; above that in 100 % with few others, and in
#: 60 % with several.
EVEN_ODDS_AT = 100.0
ODDS_POWER = 0.8
ODDS_WITHOUT_OTHERS = 3.0
OTHERS = 0.4
#: Each pair counts this over the number of sensors that hear it: 2 would be that of independent delays alone,
#: but each pair also tells which of its peaks is to be believed. See `HEIGHT_POWER`.
REPETITION = 3.5
#: A source that lasts shows in any part of the recordings at least this share of the evidence that it has,
#: for its time, in the part where it is clearest (as in `netcorr.position.passing`);
EVIDENCE_KEPT = 0.1
#: but one part may be covered by a noise that passes, with this probability. What shows without that part
#: only counts no more than this: the noise itself is the other explanation. [nats]
COVERED = 0.05
MOST_COVERED = 6.0


@dataclass(frozen=True, eq=False)
class PairHearing:
    """Evidence of one pair over all its rounds.

    Attributes
    ----------
    a, b : int
        Numbers of its sensors.
    grid_s : numpy.ndarray
        Shape (m,): evenly spaced delays, arrival at B less arrival at A. [s]
    rows : numpy.ndarray
        Shape (r, m): log of the likelihood of a source over that of none, in each round; a round in which the
        strongest delay is there only part of the time comes as two rows, that part and the rest.
    time_share : numpy.ndarray
        Shape (r,): duration of each row, 1 for a whole round.
    apart_s : float
        Peaks nearer than this are one. [s]
    clock_sd_s : float
        Standard deviation of the difference of the clocks. [s]
    most_nats : float
        Evidence of a pair that hears little but the source: time by bandwidth. [nats]
    log_alone : numpy.ndarray or None
        Shape (m,): log of the likelihood ratio of a lasting source, as a pair that stands alone is weighed.
    believed : float
        Share of what it shows that is believed, below 1 where one of its loggers does not fit the others.
    """

    a: int
    b: int
    grid_s: Floats
    rows: Floats
    time_share: Floats
    apart_s: float
    clock_sd_s: float
    most_nats: float = 1e4
    log_alone: Floats | None = None
    believed: float = 1.0
    _blurred: dict[bool, BlurredRatio] = field(default_factory=dict, init=False, repr=False)

    @property
    def step_s(self) -> float:
        """Spacing of the delays. [s]"""
        return float(self.grid_s[1] - self.grid_s[0])

    @property
    def reach(self) -> int:
        """Points of the grid within which peaks are one, both sides together."""
        return 2 * int(np.ceil(self.apart_s / self.step_s)) + 1

    @cached_property
    def lasting(self) -> Floats:
        """Shape (m,): evidence of a source that lasts: what shows in every row."""
        return _lasting(self.rows, self.time_share, reach=self._clock_reach)

    @property
    def _clock_reach(self) -> int:
        return 2 * int(np.ceil(max(2 * self.clock_sd_s, 2e-4) / self.step_s)) + 1

    @cached_property
    def heard(self) -> float:
        """Height of the highest peak, 0 or more. [nats]"""
        return max(float(self.lasting.max()), 0.0)

    @cached_property
    def best_s(self) -> float:
        """Delay of the highest peak. [s]"""
        return float(self.grid_s[int(np.argmax(self.lasting))])

    @cached_property
    def other_peaks(self) -> float:
        """Peaks beside the highest one, each counted by the odds that it is the direct one."""
        near = ndimage.maximum_filter1d(self.lasting, self.reach, mode="nearest")
        peaks = self.lasting[(self.lasting == near) & (near > LEAST_PEAK)]
        if not peaks.size:
            return 0.0
        return float(((peaks / peaks.max()) ** HEIGHT_POWER).sum() - 1)

    @cached_property
    def log_weighed(self) -> Floats:
        """Shape (m,): log of the likelihood ratio of a source there, whichever peak is the direct one."""
        weighed = _weighed_peaks(self.lasting, reach=self.reach)
        if len(self.rows) < 2:
            return weighed
        without = [np.arange(len(self.rows)) != row for row in range(len(self.rows))]
        covered = [
            _weighed_peaks(
                _lasting(self.rows[kept], self.time_share[kept], reach=self._clock_reach), reach=self.reach
            )
            for kept in without
        ]
        capped = [row - max(float(row.max()) - MOST_COVERED, 0.0) for row in covered]
        either: Floats = np.logaddexp(weighed, np.log(COVERED / len(capped)) + logsumexp(capped, axis=0))
        return either

    def blurred(self, *, alone: bool, largest_sd_s: float) -> BlurredRatio:
        """Its likelihood ratio ready to be blurred, kept for the next that asks.

        Parameters
        ----------
        alone : bool
            Whether the pair stands alone: there is nothing to overrule it.
        largest_sd_s : float
            Largest standard deviation that will be asked for. [s]

        Returns
        -------
        BlurredRatio
            For this one or larger ones.
        """
        kept = self._blurred.get(alone)
        if kept is not None and kept.largest_sd_s >= largest_sd_s:
            return kept
        made = BlurredRatio(
            self.grid_s,
            self.log_alone if alone and self.log_alone is not None else self.log_weighed,
            wrong=0.0 if alone else wrong_share(self),
            largest_sd_s=largest_sd_s,
        )
        if self.heard >= LEAST_PEAK:  # the others are seldom asked again, see `pairs_asked`
            self._blurred[alone] = made
        return made


def pair_hearing(a: int, b: int, evidence: Sequence[DelayEvidence], *, clock_sd_s: float) -> PairHearing:
    """Bring the rounds of a pair together.

    Parameters
    ----------
    a, b : int
        Numbers of its sensors.
    evidence : sequence of DelayEvidence
        One for each round, A first.
    clock_sd_s : float
        Standard deviation of the difference of the clocks. [s]

    Returns
    -------
    PairHearing
        On the delays that all rounds have.
    """
    step_s = min(one.step_s for one in evidence)
    first = max(float(one.delay_s[0]) for one in evidence)
    last = min(float(one.delay_s[-1]) for one in evidence)
    points = np.arange(int((last - first) / step_s + 1e-9) + 1, dtype=np.float64)
    grid_s = np.asarray(first + step_s * points, dtype=np.float64)
    rows: list[Floats] = []
    shares: list[float] = []
    for one in evidence:
        if one.splits:
            split = max(one.splits, key=lambda part: float(part.passing_log_likelihood.max()))
            parts = [
                (split.passing_log_likelihood, split.passing_share),
                (split.lasting_log_likelihood, 1 - split.passing_share),
            ]
        else:
            parts = [(one.log_likelihood, 1.0)]
        for row, share in parts:
            rows.append(np.interp(grid_s, one.delay_s, row))
            shares.append(share)
    width_hz = float(np.median([one.band_hz[1] - one.band_hz[0] for one in evidence]))
    return PairHearing(
        a=a,
        b=b,
        grid_s=grid_s,
        rows=np.stack(rows),
        time_share=np.array(shares),
        apart_s=peaks_apart_s(width_hz),
        clock_sd_s=clock_sd_s,
        most_nats=width_hz * sum(one.duration_s for one in evidence),
    )


def peaks_apart_s(width_hz: float) -> float:
    """Delays nearer than this are one peak of a band of some width. [s]"""
    return max(APART_WIDTHS / max(width_hz, 1.0), LEAST_APART_S)


def alone(
    hearing: PairHearing, evidence: Sequence[DelayEvidence], *, times: PathTimes, settings: LocateSettings
) -> PairHearing:
    """Weigh a pair as one that no other can overrule: by `netcorr.position.posterior`.

    Parameters
    ----------
    hearing : PairHearing
        The pair.
    evidence : sequence of DelayEvidence
        One for each round.
    times : PathTimes
        Along the path between its sensors.
    settings : LocateSettings
        Priors of passing noises, jitter of the clocks.

    Returns
    -------
    PairHearing
        With `log_alone`, and the part of the clocks' error that is the same in all rounds.
    """
    log_likelihood, log_none = log_combined(evidence, hearing.grid_s, times=times, settings=settings)
    steady_s = times.clock_sd_s * float(np.sqrt(1 - settings.clock_jitter_share**2))
    return replace(hearing, log_alone=log_likelihood - log_none, clock_sd_s=steady_s)


def _lasting(rows: Floats, share: Floats, *, reach: int) -> Floats:
    """Sum of rows, each no more than what the weakest of them allows."""
    if len(rows) == 1:
        return np.asarray(rows[0], dtype=np.float64)
    seen = ndimage.maximum_filter1d(rows, reach, axis=1, mode="nearest")
    weakest = np.maximum((seen / share[:, None]).min(axis=0), 0.0)
    allowed = share[:, None] * weakest / EVIDENCE_KEPT
    # what is below the allowance keeps its shape; above it, only the height is cut
    cut = np.maximum(seen - np.maximum(allowed, 0.0), 0.0)
    summed: Floats = (rows - np.where(seen > 0, cut, 0.0)).sum(axis=0)
    return summed


def _weighed_peaks(row: Floats, *, reach: int) -> Floats:
    """Peaks of a row of evidence with the odds that each is the direct one in place of their heights."""
    near = ndimage.maximum_filter1d(row, reach, mode="nearest")
    top = float(row.max())
    if top <= LEAST_PEAK:
        return np.asarray(row, dtype=np.float64)
    clear = near > LEAST_PEAK
    as_echo = np.where(clear, HEIGHT_POWER * np.log(np.where(clear, near, top) / top), -np.inf)
    odds = np.maximum(near - top, as_echo)
    peaks = odds[(row == near) & clear]
    weighed: Floats = min(top, MOST_EVIDENCE) + odds - logsumexp(peaks) + (row - near)
    return weighed


def wrong_share(hearing: PairHearing) -> float:
    """Prior probability that what a pair shows is not the direct sound of the leak that the others hear.

    Examples
    --------
    >>> loud = PairHearing(0, 1, np.arange(3.0), np.array([[0.0, 900.0, 0.0]]), np.ones(1), 1.0, 0.0)
    >>> round(wrong_share(loud), 2)
    0.05
    """
    odds = (max(hearing.heard, 1e-3) / EVEN_ODDS_AT) ** ODDS_POWER
    odds *= ODDS_WITHOUT_OTHERS * OTHERS / (OTHERS + hearing.other_peaks)
    return float(1 - hearing.believed * odds / (1 + odds))


def weight_of_pairs(hearings: Sequence[PairHearing]) -> float:
    """How much each pair counts, since pairs that hear the same source say the same thing again.

    Of n sensors that hear one source, n (n - 1) / 2 pairs have only n - 1 delays between them: each would
    count 2 / n were all of them right. Echoes differ from pair to pair, and what is common to all is less:
    see `REPETITION`.

    Parameters
    ----------
    hearings : sequence of PairHearing
        All pairs of the survey.

    Returns
    -------
    float
        Above 0; 1 when no more than one pair hears anything.
    """
    pairs = sum(1 - wrong_share(one) for one in hearings)
    sensors = (1 + np.sqrt(1 + 8 * pairs)) / 2
    return float(min(REPETITION / max(sensors, 2.0), 1.0))


def pairs_asked(hearings: Sequence[PairHearing]) -> list[int]:
    """Numbers of the pairs that are worth asking again and again: of many only those that hear something.

    Parameters
    ----------
    hearings : sequence of PairHearing
        All pairs of the survey.

    Returns
    -------
    list of int
        All where none hears anything.
    """
    every = list(range(len(hearings)))
    if len(every) <= MANY_PAIRS:
        return every
    return [number for number in every if hearings[number].heard >= LEAST_PEAK] or every


class BlurredRatio:
    """Likelihood ratio over delay, blurred by a Gaussian of any width, with a floor.

    Parameters
    ----------
    grid_s : numpy.ndarray
        Shape (m,): evenly spaced delays. [s]
    log_ratio : numpy.ndarray
        Shape (m,).
    wrong : float
        Prior probability that the pair shows something else, 0 for a pair that stands alone.
    largest_sd_s : float
        Largest standard deviation that will be asked for. [s]
    """

    def __init__(
        self,
        grid_s: Floats,
        log_ratio: Floats,
        *,
        wrong: float,
        largest_sd_s: float,
    ) -> None:
        step_s = float(grid_s[1] - grid_s[0])
        self._first_s, self._step_s, self._size = float(grid_s[0]), step_s, grid_s.size
        self._top = float(log_ratio.max())
        ratio = np.exp(np.maximum(log_ratio - self._top, -70.0))
        levels = 2 + max(int(np.ceil(2 * np.log2(max(largest_sd_s / (0.5 * step_s), 1.0)))), 0)
        #: Standard deviations up to this are told apart. [s]
        self.largest_sd_s = 0.5 * step_s * 2 ** ((levels - 2) / 2)
        self._least_sd_s = 0.5 * step_s
        self._levels = levels
        rows = blurred_rows(ratio, 0.5 * 2 ** (np.arange(levels) / 2)).astype(np.float32)
        #: The ratio of a source that is not what the pair shows: that may come from anywhere, or is nothing.
        self.otherwise_share = max(float(ratio.mean()), float(np.exp(-max(self._top, -50.0))))
        self._flat = ((1 - wrong) * rows + wrong * self.otherwise_share).ravel()
        #: The most that `share_at` gives.
        self.most_share = float(self._flat.max())

    def log_at(self, delay_s: Floats, sd_s: Floats) -> Floats:
        """Log of the ratio at delays (..., k), those of one column with one standard deviation (k,)."""
        return self.log_of(self.share_at(delay_s, sd_s))

    def log_of(self, share: Floats) -> Floats:
        """Log of the ratio from a share of the highest."""
        value: Floats = self._top + np.log(np.maximum(share, 1e-37))
        return value

    def share_at(self, delay_s: Floats, sd_s: Floats) -> Floats:
        """The ratio at delays as a share of the highest, shape of `delay_s`."""
        level = np.clip(np.log2(np.maximum(sd_s, self._least_sd_s) / self._least_sd_s) * 2, 0, None)
        below = np.minimum(level.astype(np.intp), self._levels - 2)
        share = np.clip(level - below, 0.0, 1.0)
        place = np.clip((delay_s - self._first_s) / self._step_s, 0, self._size - 1.001)
        left = place.astype(np.intp)
        step = place - left
        at = below * self._size + left
        lower = self._flat[at] * (1 - step) + self._flat[at + 1] * step
        at += self._size
        upper = self._flat[at] * (1 - step) + self._flat[at + 1] * step
        value: Floats = lower * (1 - share) + upper * share
        return value

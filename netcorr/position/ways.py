"""The likelihood of a leak along a path when its sound may come by more ways than one.

A leak shows at the delay of every pair of ways by which it is heard, one to A and one to B, about as strong
as the map says. Which of them makes the highest peak is not known for certain: mountings, losses and what
overlaps change strengths. So the likelihood at a point is that of each pair of ways, weighted with the
probability that it is the strongest, and lowered where the whole pattern of peaks is unlike the one that is
seen: pairs that should show and do not, clear peaks that none of the pairs explains.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

import numpy as np
from scipy import ndimage

from netcorr.position.blur import blurred_rows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from netcorr.position.echoes import PathEchoes

#: Probability that a pair of ways is the strongest goes with this power of its strength: one 3 dB below
#: another is stronger once in five times, 6 dB below once in twenty (strengths known to 2.5 dB; judgement).
STRONGEST_POWER = 4.5
#: Standard deviation of the detour of an echo, as a share of it: speeds and lengths of pipes off the path.
DETOUR_SD_SHARE = 0.03
#: The most that a missing peak of the direct wave speaks against one of neighbouring places (logarithm).
MOST_SHARPENED = 4.0
#: Sine of the angle between the pattern that the map foretells and the one that is seen: standard deviation
#: of what mountings, losses and noise make of it (from simulated streets with branches of twice the main).
PATTERN_SD = 0.25
#: Evidence that ripples of noise may reach: a pattern that stands out less tells less, none tells nothing.
CLEAR_NATS = 5.0
#: Patterns are compared as smooth curves over delay, at least this wide (sd). [s]
PATTERN_WIDTH_S = 1e-3
#: It may be shifted as a whole, since speeds and clocks are not known better (standard deviations),
SHIFTS = np.linspace(-3.0, 3.0, 13)
#: and points whose delays lie within so many of them are one place to it.
WITHIN_SD = 1.0
#: It is worked out at every so many points of the path.
PATTERN_STRIDE = 5


class Blurred(Protocol):
    """A likelihood over delay that can be read off blurred, such as `BlurredLikelihood`."""

    def at(self, delay_s: NDArray[np.float64], sd_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Likelihood at delays, each with its own standard deviation. [s]"""
        ...


@dataclass(frozen=True, eq=False)
class SeenEvidence:
    """What the rounds together show over delay, and how well the delay of each place is known.

    Attributes
    ----------
    grid_s : numpy.ndarray
        Shape (m,): evenly spaced delays. [s]
    log_evidence : numpy.ndarray
        Shape (m,): log of the likelihood of a lasting source there over that of none.
    sd_s : numpy.ndarray
        Shape (n,): standard deviation of the direct delay at each point of the path. [s]
    """

    grid_s: NDArray[np.float64]
    log_evidence: NDArray[np.float64]
    sd_s: NDArray[np.float64]

    @property
    def step_s(self) -> float:
        """Spacing of the delays. [s]"""
        return float(self.grid_s[1] - self.grid_s[0])

    @property
    def width_s(self) -> float:
        """Width (sd) of the curves by which patterns are compared. [s]"""
        return max(float(self.sd_s.max()), PATTERN_WIDTH_S)


def likelihood_by_ways(blurred: Blurred, echoes: PathEchoes, *, seen: SeenEvidence) -> NDArray[np.float64]:
    """Likelihood of a leak at every point, whichever pair of ways makes the peak.

    Parameters
    ----------
    blurred : BlurredLikelihood
        Likelihood of the rounds over delay.
    echoes : PathEchoes
        Pairs of ways.
    seen : SeenEvidence
        The same in full, with the uncertainty of the delays.

    Returns
    -------
    numpy.ndarray
        Shape (n,).
    """
    weight = echoes.strength**STRONGEST_POWER
    weight /= weight.sum(axis=0)
    detour_s = echoes.delay_s - echoes.delay_s[0]
    sd = np.hypot(seen.sd_s, DETOUR_SD_SHARE * np.abs(detour_s))
    by_echo = np.zeros(seen.sd_s.size)
    for share, delay_s, spread_s in zip(weight[1:], echoes.delay_s[1:], sd[1:], strict=True):
        heard = share > 0
        by_echo[heard] += share[heard] * blurred.at(delay_s[heard], spread_s[heard])
    direct = weight[0] * blurred.at(echoes.delay_s[0], seen.sd_s)
    total: NDArray[np.float64] = direct + by_echo * _sharpened(echoes.delay_s[0], seen)
    return total


def _sharpened(direct_s: NDArray[np.float64], seen: SeenEvidence) -> NDArray[np.float64]:
    """Where, of places that an echo does not tell apart, the weaker peak of the direct wave puts the leak.

    Factors with a mean of 1 over any few metres: the peak moves what is there, and adds nothing.
    """
    size = 2 * int(np.ceil(3 * seen.width_s / seen.step_s)) + 1
    highest = ndimage.maximum_filter1d(seen.log_evidence, size, mode="nearest")
    peak = np.exp(np.maximum(seen.log_evidence - highest, -MOST_SHARPENED))
    [shape] = blurred_rows(peak, [float(seen.sd_s.max()) / seen.step_s])
    factors = shape / ndimage.uniform_filter1d(shape, size, mode="nearest")
    sharpened: NDArray[np.float64] = np.interp(direct_s, seen.grid_s, factors)
    return sharpened


def log_pattern_fit(echoes: PathEchoes, *, seen: SeenEvidence) -> NDArray[np.float64]:
    """Log of how well the whole pattern that a leak at each point would make fits what is seen.

    Parameters
    ----------
    echoes : PathEchoes
        Pairs of ways.
    seen : SeenEvidence
        What the rounds show.

    Returns
    -------
    numpy.ndarray
        Shape (n,), 0 or less. Points that their delay does not tell apart share the best of them: the pattern
        says which peak is the direct one, not where on its flank the leak lies.
    """
    points = np.arange(echoes.delay_s.shape[1])
    some = np.unique(np.append(points[::PATTERN_STRIDE], points[-1]))
    cosine = _cosine(echoes.delay_s[:, some], echoes.strength[:, some], seen)
    told = min(float(np.ptp(seen.log_evidence)) / CLEAR_NATS, 1.0)
    log_fit = np.interp(points, some, -0.5 * told * (1 - cosine**2) / PATTERN_SD**2)
    per_point_s = max(float(np.abs(np.diff(echoes.delay_s[0])).min()), 1e-9)
    reach = int(np.ceil(WITHIN_SD * seen.width_s / per_point_s))
    fit: NDArray[np.float64] = ndimage.maximum_filter1d(
        log_fit, min(2 * reach + 1, points.size), mode="nearest"
    )
    return fit


def _cosine(
    delay_s: NDArray[np.float64], strength: NDArray[np.float64], seen: SeenEvidence
) -> NDArray[np.float64]:
    """Likeness of the patterns (k, n) to what is seen, as smooth curves over delay, shape (n,), 0 to 1."""
    width_s, step_s = seen.width_s, seen.step_s
    # where little is known the evidence goes with the square of the strength
    height = np.sqrt(np.maximum(seen.log_evidence, 0.0))
    # two smooth curves, multiplied and summed: one Gaussian of twice the variance
    widths = [width_s / step_s, np.sqrt(2) * width_s / step_s]
    once, smooth = blurred_rows(height, widths, silent_beyond=True)
    norm = float(np.sqrt((once**2).sum()))
    if not norm > 0:
        return np.ones(delay_s.shape[1])
    product = np.max(
        [
            (strength * np.interp(delay_s + shift * width_s, seen.grid_s, smooth, left=0.0, right=0.0)).sum(
                axis=0
            )
            for shift in SHIFTS
        ],
        axis=0,
    )
    apart = (delay_s[:, None, :] - delay_s[None, :, :]) / width_s
    overlap = np.exp(-0.25 * apart**2) * step_s / (np.sqrt(4 * np.pi) * width_s)
    own = np.sqrt((strength[:, None, :] * strength[None, :, :] * overlap).sum(axis=(0, 1)))
    cosine: NDArray[np.float64] = np.minimum(product / (own * norm), 1.0)
    return cosine

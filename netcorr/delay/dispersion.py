"""Evidence in distance, not in delay: the phase by which a pipe's speed changes with frequency is taken out.

In plastic, and in very large iron mains, low frequencies travel at another speed than high ones. A leak then
has a delay of its own at each frequency, and the peak of a correlogram lies where the group of waves arrives,
half a metre or more away near an end. The phase left over beside one nominal speed is known for every place
of the leak, so each delay of the search can be judged with the phase that belongs to its place.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import DelayError

if TYPE_CHECKING:
    from numpy.typing import NDArray


@dataclass(frozen=True, eq=False)
class Dispersion:
    """Phase that a source at each of a few places has beside that of its nominal delay.

    Attributes
    ----------
    delay_s : numpy.ndarray
        Shape (m,), ascending, two at least: nominal delays of the places, arrival at B minus at A. [s]
    frequency_hz : numpy.ndarray
        Shape (k,), ascending: frequencies at which the phase is given; in between and beyond it is read off
        along straight lines and held. [Hz]
    phase_rad : numpy.ndarray
        Shape (m, k): ``sum_i Re k_i(f) D_i - 2 pi f delay``, with ``D_i`` the length of pipe i on B's side of
        the place less that on A's side. Places between two of these have a phase between theirs. [rad]

    Notes
    -----
    With ``exp(j (omega t - k x))`` a source at such a place gives the cross-spectrum conj(A) B the phase
    ``-(2 pi f delay + phase)``: positive where a frequency arrives later at B than the nominal delay says.

    Examples
    --------
    >>> f = np.array([0.0, 100.0, 200.0])
    >>> late = np.array([[-0.5], [0.5]]) * (f / 200)  # rad, at either end of the path
    >>> pipe = Dispersion(delay_s=np.array([-0.1, 0.1]), frequency_hz=f, phase_rad=late)
    >>> pipe.at(0.05, np.array([200.0])).round(3)
    array([0.25])
    """

    delay_s: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    phase_rad: NDArray[np.float64]

    def __post_init__(self) -> None:
        places, frequencies = self.delay_s.size, self.frequency_hz.size
        ascending = all(np.all(np.diff(row) > 0) for row in (self.delay_s, self.frequency_hz))
        if places < 2 or self.phase_rad.shape != (places, frequencies) or not ascending:
            raise DelayError(
                "dispersion",
                found=f"{places} delays, {frequencies} frequencies, phases of shape {self.phase_rad.shape}",
                remedy="give ascending delays and frequencies, and a phase for each of them",
            )
        if not all(np.isfinite(row).all() for row in (self.delay_s, self.frequency_hz, self.phase_rad)):
            raise DelayError("dispersion", found="values that are not finite", remedy="give numbers")

    def phase(self, place: int, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Phase of one place at other frequencies, shape (n,). [rad]"""
        return np.asarray(np.interp(frequency_hz, self.frequency_hz, self.phase_rad[place]), dtype=np.float64)

    def at(self, delay_s: float, frequency_hz: NDArray[np.float64]) -> NDArray[np.float64]:
        """Phase of the place with one nominal delay, shape (n,). [rad]"""
        place = float(np.interp(delay_s, self.delay_s, np.arange(self.delay_s.size, dtype=np.float64)))
        below = min(int(place), self.delay_s.size - 2)
        lower, upper = (self.phase(one, frequency_hz) for one in (below, below + 1))
        return np.asarray(lower + (place - below) * (upper - lower), dtype=np.float64)

    def steer(
        self, cross: NDArray[np.complex128], *, bin_hz: float, delay_s: float
    ) -> NDArray[np.complex128]:
        """Cross-spectrum without the phase of one place, shape of `cross`: only its nominal delay is left."""
        frequency_hz = np.arange(cross.size, dtype=np.float64) * bin_hz
        return np.asarray(cross * np.exp(1j * self.at(delay_s, frequency_hz)), dtype=np.complex128)

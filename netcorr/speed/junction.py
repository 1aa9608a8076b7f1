"""What a joint of pipes does to a sound wave, and what a pipe takes from it on the way: plain numbers.

Long waves only: the bore is small against the wavelength, so pressure is the same in all pipes at a joint and
the flows sum to zero.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from netcorr.errors import SpeedError
from netcorr.speed.wavenumber import TYPICAL_EXTRA_LOSS_FACTOR

if TYPE_CHECKING:
    from collections.abc import Sequence


def relative_admittance(*, bore_m: float, speed_m_s: float) -> float:
    """Flow that a travelling wave carries for its pressure, but for the density of the water: area / speed.

    Parameters
    ----------
    bore_m : float
        Inside diameter. [m]
    speed_m_s : float
        Speed of the wave. [m/s]

    Returns
    -------
    float
        Area over speed. [m s]

    Raises
    ------
    SpeedError
        If either is not positive.

    Examples
    --------
    >>> round(relative_admittance(bore_m=0.2, speed_m_s=1000.0) / 1e-5, 3)
    3.142
    """
    if not (bore_m > 0 and speed_m_s > 0 and math.isfinite(bore_m + speed_m_s)):
        raise SpeedError(
            "pipe at a joint", found=f"bore {bore_m} m, speed {speed_m_s} m/s", remedy="give positive numbers"
        )
    return math.pi * bore_m**2 / 4 / speed_m_s


def transmission(incoming: float, others: Sequence[float]) -> float:
    """Pressure at a joint over that of the wave that comes in, and so of the wave in every other pipe.

    Parameters
    ----------
    incoming : float
        Admittance of the pipe in which the wave comes.
    others : sequence of float
        Admittances of the other pipes at the joint, in the same unit; none at a closed end.

    Returns
    -------
    float
        0 to 2; less 1, it is the wave thrown back into the pipe of the incoming one.

    Raises
    ------
    SpeedError
        If an admittance is not positive.

    References
    ----------
    Wylie, E. B. and Streeter, V. L. (1993). Fluid Transients in Systems. Prentice Hall: transmission at a
    junction ``(2 A_i / c_i) / sum(A_j / c_j)``.

    Examples
    --------
    >>> transmission(1.0, [1.0, 1.0]), transmission(1.0, [1.0]), transmission(1.0, [])
    (0.6666666666666666, 1.0, 2.0)
    """
    if not (incoming > 0 and all(other > 0 for other in others)):
        raise SpeedError(
            "joint of pipes", found=f"admittances {incoming}, {list(others)}", remedy="give positive numbers"
        )
    return 2 * incoming / (incoming + math.fsum(others))


def wave_loss_np_m(
    frequency_hz: float, *, speed_m_s: float, water_speed_m_s: float, wall_loss_factor: float
) -> float:
    r"""Loss of the wave on its way, of a pipe without soil, from the loss factor of its wall.

    Parameters
    ----------
    frequency_hz : float
        Frequency. [Hz]
    speed_m_s : float
        Speed of the wave. [m/s]
    water_speed_m_s : float
        Speed of sound in open water. [m/s]
    wall_loss_factor : float
        Structural loss factor of the wall.

    Returns
    -------
    float
        Nepers of amplitude for every metre. [1/m]

    Notes
    -----
    With the modulus :math:`E (1 + j\eta)` in the water-hammer speed
    :math:`c = c_w / \sqrt{1 + X}`, to first order :math:`-\Im k / \Re k = \eta X / (2 (1 + X))`, and
    :math:`X / (1 + X) = 1 - c^2 / c_w^2`. `TYPICAL_EXTRA_LOSS_FACTOR` is added for joints and deposits.

    Examples
    --------
    >>> round(wave_loss_np_m(500.0, speed_m_s=1250.0, water_speed_m_s=1447.0, wall_loss_factor=0.001), 4)
    0.0066
    """
    yielding = max(1 - (speed_m_s / water_speed_m_s) ** 2, 0.0)
    return math.pi * frequency_hz / speed_m_s * (TYPICAL_EXTRA_LOSS_FACTOR + wall_loss_factor * yielding)

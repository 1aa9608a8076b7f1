"""How much the speed in a pipe changes with frequency: slowness over that at the frequency of its speed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from netcorr.speed.water import water_at
from netcorr.speed.wavenumber import pipe_wavenumber

if TYPE_CHECKING:
    from netcorr.speed.section import PipeWall
    from netcorr.speed.soil import Real

#: Frequency to which the elastic moduli of the tables, and so the wave speeds from them, belong. [Hz]
REFERENCE_HZ = 100.0


def relative_slowness(frequency_hz: Real, pipe: PipeWall, *, temperature_c: float = 10.0) -> Real:
    """Phase slowness of leak noise over that at `REFERENCE_HZ`.

    Parameters
    ----------
    frequency_hz : numpy.ndarray
        Shape (k,): frequencies above 0. [Hz]
    pipe : PipeWall
        The pipe.
    temperature_c : float, default 10
        Water temperature. [degree C]

    Returns
    -------
    numpy.ndarray
        Shape (k,): above 1 where the wave is slower than at the reference.

    Raises
    ------
    SpeedError
        If a frequency is negative, or the pipe has no such wave.

    Notes
    -----
    Two causes: the inertia and bending of the wall slow high frequencies; and a loss factor that does not
    change with frequency is not causal alone, with it goes a phase speed that grows as f to the power of the
    loss factor over pi (Kramers and Kronig).

    References
    ----------
    Futterman, W. I. (1962). Dispersive body waves. J. Geophys. Res. 67, 5279-5291; Kjartansson, E. (1979).
    Constant Q wave propagation and attenuation. J. Geophys. Res. 84, 4737-4748: the power law (both from
    memory).

    Examples
    --------
    >>> from netcorr.speed import pipe_wall
    >>> relative_slowness(np.array([50.0, 100.0, 200.0]), pipe_wall("pvc", 160.0)).round(3)
    array([1.009, 1.   , 0.993])
    """
    f = np.append(np.maximum(np.asarray(frequency_hz, dtype=np.float64), 1e-3), REFERENCE_HZ)
    k = pipe_wavenumber(f, pipe, water=water_at(temperature_c))
    loss = -2 * k.imag / k.real
    slowness = k.real / f * (f / REFERENCE_HZ) ** (-loss / np.pi)
    return np.asarray(slowness[:-1] / slowness[-1], dtype=np.float64)

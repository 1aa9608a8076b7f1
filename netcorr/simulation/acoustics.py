"""Sound in a network of water-filled pipes, in the frequency domain, on plain arrays.

Every pipe is a lossy transmission line with a complex wavenumber; at every node the pressures are equal and
the volume velocities sum to what a source injects. Reflections at tees, dead ends and changes of pipe follow
from that alone; nothing here knows of delays or of positions. Time convention exp(+j w t), forward wave
exp(-j k x), so a passive wavenumber has an imaginary part of zero or less.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from netcorr.errors import SimulationError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Complex = NDArray[np.complex128]
    Real = NDArray[np.float64]


@dataclass(frozen=True)
class ResponseGrid:
    """Frequencies at which a response is solved, so that it can be turned into time.

    A response sampled every ``1 / response_s`` hertz repeats in time with that period. To keep what comes
    later than `response_s` from folding back, the network is solved at the complex frequency ``w - j sigma``,
    which is the transform of the response times ``exp(-sigma t)``; the factor is taken out again in time.

    Attributes
    ----------
    sample_rate_hz : float
        Sample rate of the response. [Hz]
    response_s : float
        Length of the response. [s]
    lead_in_s : float
        Part of it before time zero, for the small forerunner of a wavenumber with constant loss. [s]
    folding_db : float
        How much weaker what folds back becomes. [dB]
    """

    sample_rate_hz: float
    response_s: float = 3.0
    lead_in_s: float = 0.02
    folding_db: float = 40.0

    def __post_init__(self) -> None:
        if not (self.sample_rate_hz > 0 and self.response_s > self.lead_in_s >= 0):
            raise SimulationError(
                "response grid",
                found=f"{self.sample_rate_hz} Hz, {self.response_s} s with {self.lead_in_s} s of lead-in",
                remedy="give a positive rate and a response longer than its lead-in",
            )

    @property
    def size(self) -> int:
        """Samples of the response in time."""
        return 2 * math.ceil(self.sample_rate_hz * self.response_s / 2)

    @property
    def damping_per_s(self) -> float:
        """The sigma of the complex frequency. [1/s]"""
        return self.folding_db / 20 * math.log(10) / self.response_s

    @property
    def frequency_hz(self) -> Real:
        """Shape (size // 2 + 1,): from zero to half the sample rate. [Hz]"""
        return np.asarray(np.fft.rfftfreq(self.size, 1 / self.sample_rate_hz), dtype=np.float64)

    @property
    def angular_rad_s(self) -> Complex:
        """Complex angular frequency ``w - j sigma`` of every bin. [rad/s]"""
        return np.asarray(2 * np.pi * self.frequency_hz - 1j * self.damping_per_s, dtype=np.complex128)

    def damped(self, wavenumber_rad_m: Complex) -> Complex:
        """Continue a wavenumber from the real axis to the complex frequencies of the grid.

        Parameters
        ----------
        wavenumber_rad_m : numpy.ndarray
            Shape (f,): wavenumber at `frequency_hz`; the value at zero is not used. [rad/m]

        Returns
        -------
        numpy.ndarray
            Shape (f,): wavenumber at `angular_rad_s`, to first order. [rad/m]
        """
        real = np.array(wavenumber_rad_m, dtype=np.complex128)
        real[0] = 0.0
        slope = np.gradient(real, 2 * np.pi / (self.size / self.sample_rate_hz))
        slope[0] = real[1] / (2 * np.pi * self.frequency_hz[1])
        return np.asarray(real - 1j * self.damping_per_s * slope)

    def to_time(self, transfer: Complex, *, high_pass_hz: float = 0.0) -> Real:
        """Turn a transfer function solved on this grid into an impulse response.

        Parameters
        ----------
        transfer : numpy.ndarray
            Shape (..., f): at `angular_rad_s`.
        high_pass_hz : float, default 0
            Corner of a causal high-pass of second order; what swings slower outlasts any response. [Hz]

        Returns
        -------
        numpy.ndarray
            Shape (..., size): response at ``-lead_in_s + n / sample_rate_hz``; its sum over n is the transfer
            function at zero frequency. The last twentieth is faded out.
        """
        s, corner = 1j * self.angular_rad_s, 2 * np.pi * high_pass_hz
        passed = s**2 / (s**2 + np.sqrt(2) * corner * s + corner**2)
        shifted = transfer * passed * self.top_taper() * np.exp(-s * self.lead_in_s)
        share = np.arange(self.size) / self.size
        fade = 0.5 * (1 + np.cos(np.pi * np.clip((share - 0.95) / 0.05, 0.0, 1.0)))
        undamp = np.exp(self.damping_per_s * share * self.size / self.sample_rate_hz)
        return np.asarray(np.fft.irfft(shifted, n=self.size, axis=-1) * undamp * fade)

    def top_taper(self) -> Real:
        """Shape (f,): 1, and a half cosine down to 0 over the uppermost tenth, so that nothing rings."""
        share = np.clip((self.frequency_hz / self.frequency_hz[-1] - 0.9) / 0.1, 0.0, 1.0)
        return np.asarray(0.5 * (1 + np.cos(np.pi * share)))


@dataclass(frozen=True, eq=False)
class Line:
    """One uniform pipe between two nodes.

    Attributes
    ----------
    u, v : int
        Nodes at its ends.
    length_m : float
        Length. [m]
    wavenumber_rad_m : numpy.ndarray
        Shape (f,), complex. [rad/m]
    impedance_pa_s_m3 : numpy.ndarray
        Shape (f,), complex: pressure over volume velocity of a travelling wave. [Pa s/m3]
    """

    u: int
    v: int
    length_m: float
    wavenumber_rad_m: Complex
    impedance_pa_s_m3: Complex
    _admittance: tuple[Complex, Complex] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.length_m) and self.length_m > 0):
            raise SimulationError(
                f"pipe between nodes {self.u} and {self.v}",
                found=f"length {self.length_m} m",
                remedy="give a positive length",
            )
        object.__setattr__(self, "_admittance", self._ends())

    def _ends(self) -> tuple[Complex, Complex]:
        # coth and 1/sinh by decaying exponentials, which do not overflow on long lossy pipes
        once = np.exp(-1j * self.wavenumber_rad_m * self.length_m)
        twice = once * once
        scale = 1 / (self.impedance_pa_s_m3 * (1 - twice))
        return (1 + twice) * scale, -2 * once * scale

    @property
    def own_admittance(self) -> Complex:
        """Volume velocity into an end for a pressure there, the other end held at zero. [m3/(Pa s)]"""
        return self._admittance[0]

    @property
    def mutual_admittance(self) -> Complex:
        """Volume velocity into an end for a pressure at the other, this end held at zero. [m3/(Pa s)]"""
        return self._admittance[1]


def characteristic_impedance(
    wavenumber_rad_m: Complex, *, angular_rad_s: Complex | Real, area_m2: float, density_kg_m3: float
) -> Complex:
    r"""Impedance of a travelling plane wave in a pipe, with the loss that is in its wavenumber.

    Parameters
    ----------
    wavenumber_rad_m : numpy.ndarray
        Shape (f,), complex. [rad/m]
    angular_rad_s : numpy.ndarray
        Shape (f,): angular frequency, complex on a damped grid. [rad/s]
    area_m2 : float
        Area of the bore. [m2]
    density_kg_m3 : float
        Density of the water. [kg/m3]

    Returns
    -------
    numpy.ndarray
        Shape (f,). [Pa s/m3]

    Notes
    -----
    Momentum of the water, :math:`j\omega\rho v = j k p`, and :math:`Q = A v` give
    :math:`Z = \rho\omega/(k A)`; without loss this is :math:`\rho c / A`.

    Examples
    --------
    >>> w = np.array([1000.0])
    >>> z = characteristic_impedance(w / 1250 + 0j, angular_rad_s=w, area_m2=0.01, density_kg_m3=1000.0)
    >>> float(z[0].real)
    125000000.0
    """
    return np.asarray(density_kg_m3 * angular_rad_s / (wavenumber_rad_m * area_m2))


def transfer_functions(
    lines: Sequence[Line],
    *,
    sources: Sequence[int],
    receivers: Sequence[int],
    terminations: Mapping[int, Complex] | None = None,
) -> Complex:
    """Pressure at every receiver for a unit volume velocity injected at every source.

    Parameters
    ----------
    lines : sequence of Line
        The pipes. A node that ends only one of them is a closed dead end.
    sources, receivers : sequence of int
        Nodes.
    terminations : mapping of int to numpy.ndarray, optional
        Node to the admittance, shape (f,), of what lies beyond it and is not among `lines`; the admittance
        of an endless pipe is one over its characteristic impedance. [m3/(Pa s)]

    Returns
    -------
    numpy.ndarray
        Shape (receivers, sources, f). [Pa s/m3]

    Raises
    ------
    SimulationError
        If a source or a receiver is at no pipe.

    Notes
    -----
    The nodal admittance matrix is complex symmetric and nearly a tree, so its inner nodes are eliminated one
    after the other, the least connected first, for all frequencies at once; what remains is a small dense
    system between sources and receivers.
    """
    diagonal, coupling = _assemble(lines, terminations or {})
    keep = list(dict.fromkeys([*sources, *receivers]))
    for node in keep:
        if node not in diagonal:
            raise SimulationError(
                f"node {node}", found="no pipe ends there", remedy="put sources and sensors on the pipes"
            )
    _eliminate(diagonal, coupling, set(diagonal) - set(keep))
    index = {node: i for i, node in enumerate(keep)}
    matrix = np.zeros((lines[0].wavenumber_rad_m.size, len(keep), len(keep)), dtype=np.complex128)
    for node, i in index.items():
        matrix[:, i, i] = diagonal[node]
        for other, value in coupling[node].items():
            matrix[:, i, index[other]] = value
    drive = np.zeros((len(keep), len(sources)), dtype=np.complex128)
    drive[[index[s] for s in sources], range(len(sources))] = 1.0
    pressure = np.linalg.solve(matrix, np.broadcast_to(drive, (len(matrix), *drive.shape)))
    return np.ascontiguousarray(pressure[:, [index[r] for r in receivers], :].transpose(1, 2, 0))


def _assemble(
    lines: Sequence[Line], terminations: Mapping[int, Complex]
) -> tuple[dict[int, Complex], dict[int, dict[int, Complex]]]:
    """Diagonal and off-diagonal elements of the nodal admittance matrix, each over frequency."""
    diagonal: dict[int, Complex] = {}
    coupling: dict[int, dict[int, Complex]] = {}
    for line in lines:
        for node in (line.u, line.v):
            diagonal[node] = diagonal.get(node, 0.0) + line.own_admittance
            coupling.setdefault(node, {})
        if line.u == line.v:
            diagonal[line.u] = diagonal[line.u] + 2 * line.mutual_admittance
            continue
        mutual = coupling[line.u].get(line.v, 0.0) + line.mutual_admittance
        coupling[line.u][line.v] = coupling[line.v][line.u] = mutual
    for node, admittance in terminations.items():
        if node in diagonal:
            diagonal[node] = diagonal[node] + admittance
    return diagonal, coupling


def _eliminate(
    diagonal: dict[int, Complex], coupling: dict[int, dict[int, Complex]], inner: set[int]
) -> None:
    """Take the `inner` nodes out, in place: what is left acts on the others as the whole did."""
    while inner:
        node = min(inner, key=lambda n: (len(coupling[n]), n))
        inner.discard(node)
        around = list(coupling.pop(node).items())
        inverse = 1 / diagonal.pop(node)
        for i, (first, to_first) in enumerate(around):
            del coupling[first][node]
            part = to_first * inverse
            diagonal[first] = diagonal[first] - to_first * part
            for second, to_second in around[i + 1 :]:
                coupled = coupling[first].get(second, 0.0) - part * to_second
                coupling[first][second] = coupling[second][first] = coupled

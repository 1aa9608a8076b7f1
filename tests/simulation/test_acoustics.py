"""The solver against textbook results for plane waves in pipes and against laws that any network obeys.

Reflection and transmission at a change of area and at a branch: L. E. Kinsler, A. R. Frey, A. B. Coppens and
J. V. Sanders, Fundamentals of Acoustics, 4th ed. (2000), chapter 10 (from memory): pressure reflection
(Z2 - Z1) / (Z2 + Z1), transmission 2 Z2 / (Z2 + Z1), where Z2 is what the wave meets: for two further equal
pipes Z/2, hence -1/3 and 2/3.
"""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from netcorr.errors import SimulationError
from netcorr.simulation.acoustics import Line, ResponseGrid, characteristic_impedance, transfer_functions

GRID = ResponseGrid(4000.0, response_s=1.0)
DENSITY = 1000.0
Complex = NDArray[np.complex128]


def line(
    u: int,
    v: int,
    length_m: float,
    *,
    grid: ResponseGrid = GRID,
    speed: float = 1000.0,
    area_m2: float = 0.01,
    loss: float = 0.0,
) -> Line:
    """A pipe on the damped frequencies of a grid."""
    k = grid.damped(2 * np.pi * grid.frequency_hz / speed * (1 - 0.5j * loss))
    z = characteristic_impedance(k, angular_rad_s=grid.angular_rad_s, area_m2=area_m2, density_kg_m3=DENSITY)
    return Line(u, v, length_m, k, z)


def real_line(
    u: int,
    v: int,
    length_m: float,
    *,
    frequency_hz: NDArray[np.float64],
    speed: float = 1000.0,
    area_m2: float = 0.01,
    loss: float = 0.0,
) -> Line:
    """A pipe at real frequencies."""
    omega = 2 * np.pi * frequency_hz
    k = omega / speed * (1 - 0.5j * loss)
    z = characteristic_impedance(k, angular_rad_s=omega, area_m2=area_m2, density_kg_m3=DENSITY)
    return Line(u, v, length_m, k, z)


def matched(pipe: Line) -> Complex:
    """What an endless continuation of a pipe admits."""
    return np.asarray(1 / pipe.impedance_pa_s_m3)


def impedance(speed: float = 1000.0, area_m2: float = 0.01) -> float:
    return DENSITY * speed / area_m2


def at(response: NDArray[np.float64], time_s: float, grid: ResponseGrid = GRID, half: int = 60) -> float:
    """Strength of the pulse at a moment: the sum of the response around it, times of pulses far apart."""
    centre = round((time_s + grid.lead_in_s) * grid.sample_rate_hz)
    return float(response[centre - half : centre + half + 1].sum())


def solve(lines: list[Line], source: int, receiver: int, ends: dict[int, Complex]) -> NDArray[np.float64]:
    transfer = transfer_functions(lines, sources=[source], receivers=[receiver], terminations=ends)
    return GRID.to_time(transfer)[0, 0]


def test_endless_line_halves_the_source_and_delays_it() -> None:
    pipes = [line(0, 1, 50.0), line(1, 2, 200.0), line(2, 3, 50.0)]
    ends = {0: matched(pipes[0]), 3: matched(pipes[2])}
    response = solve(pipes, 1, 2, ends) / impedance()
    assert at(response, 0.2) == pytest.approx(0.5, abs=0.005)
    # the pulse falls on a sample, so it stands there alone but for the taper
    peak = int(np.argmax(np.abs(response)))
    assert peak == round((0.2 + GRID.lead_in_s) * 4000)
    outside = np.delete(response, np.arange(peak - 40, peak + 41))
    assert np.max(np.abs(outside)) < 2e-4


@given(length=st.floats(5.0, 400.0), speed=st.floats(300.0, 1450.0))
@settings(max_examples=25, deadline=None)
def test_delay_of_a_line_is_exact_between_samples(length: float, speed: float) -> None:
    pipes = [line(0, 1, length, speed=speed)]
    ends = {0: matched(pipes[0]), 1: matched(pipes[0])}
    grid = ResponseGrid(4000.0, response_s=3.0)
    pipes = [line(0, 1, length, speed=speed, grid=grid)]
    ends = {0: matched(pipes[0]), 1: matched(pipes[0])}
    response = grid.to_time(transfer_functions(pipes, sources=[0], receivers=[1], terminations=ends))[0, 0]
    spectrum = np.fft.rfft(response)[200:3000]
    slope = np.polyfit(2 * np.pi * grid.frequency_hz[200:3000], np.unwrap(np.angle(spectrum)), 1)[0]
    assert -slope - grid.lead_in_s == pytest.approx(length / speed, abs=1e-6)


def test_three_equal_pipes_reflect_a_third_and_pass_two() -> None:
    # receiver 1 between source 0 and the tee 2, receiver 3 behind it
    pipes = [line(0, 1, 100.0), line(1, 2, 100.0), line(2, 3, 100.0), line(2, 4, 100.0)]
    ends = {node: matched(pipes[0]) for node in (0, 3, 4)}
    before, behind = solve(pipes, 0, 1, ends) / impedance(), solve(pipes, 0, 3, ends) / impedance()
    direct = at(before, 0.1)
    assert direct == pytest.approx(0.5, abs=0.005)
    assert at(before, 0.3) / direct == pytest.approx(-1 / 3, abs=0.005)
    assert at(behind, 0.3) / direct == pytest.approx(2 / 3, abs=0.005)


@given(ratio=st.floats(0.1, 10.0))
@settings(max_examples=20, deadline=None)
def test_change_of_area_reflects_by_the_impedances(ratio: float) -> None:
    pipes = [line(0, 1, 100.0), line(1, 2, 100.0), line(2, 3, 100.0, area_m2=0.01 * ratio)]
    ends = {0: matched(pipes[0]), 3: matched(pipes[2])}
    before, behind = solve(pipes, 0, 1, ends) / impedance(), solve(pipes, 0, 3, ends) / impedance()
    z2_over_z1 = 1 / ratio
    assert at(before, 0.3) / at(before, 0.1) == pytest.approx((z2_over_z1 - 1) / (z2_over_z1 + 1), abs=0.01)
    assert at(behind, 0.3) / at(before, 0.1) == pytest.approx(
        2 * z2_over_z1 / (z2_over_z1 + 1), rel=0.01, abs=0.01
    )


def test_change_of_material_reflects_by_the_speeds() -> None:
    # equal bores: impedances are as the speeds, 400 to 1200
    pipes = [line(0, 1, 120.0, speed=1200), line(1, 2, 120.0, speed=1200), line(2, 3, 40.0, speed=400)]
    ends = {0: matched(pipes[0]), 3: matched(pipes[2])}
    before, behind = solve(pipes, 0, 1, ends), solve(pipes, 0, 3, ends)
    assert at(before, 0.3) / at(before, 0.1) == pytest.approx(-0.5, abs=0.005)
    assert at(behind, 0.3) / at(before, 0.1) == pytest.approx(0.5, abs=0.005)


def test_closed_end_doubles_and_returns_all() -> None:
    pipes = [line(0, 1, 100.0), line(1, 2, 100.0)]
    ends = {0: matched(pipes[0])}
    at_end, before = solve(pipes, 0, 2, ends) / impedance(), solve(pipes, 0, 1, ends) / impedance()
    assert at(at_end, 0.2) == pytest.approx(2 * 0.5, abs=0.01)
    assert at(before, 0.1) == pytest.approx(0.5, abs=0.005)
    assert at(before, 0.3) == pytest.approx(0.5, abs=0.005)


def test_mixed_path_adds_the_times_of_its_pieces_and_of_the_lead() -> None:
    # a source at 1, then 60 m, 40 m, and a lead of 3 m to the logger
    pieces = [(50.0, 1250.0), (60.0, 1250.0), (40.0, 400.0), (50.0, 400.0)]
    pipes = [line(i, i + 1, length, speed=speed) for i, (length, speed) in enumerate(pieces)]
    ends = {0: matched(pipes[0]), 4: matched(pipes[3])}
    with_lead = [*pipes, line(3, 9, 3.0, speed=1200.0)]
    moments = []
    for lines, receiver in ((pipes, 3), (with_lead, 9)):
        response = np.abs(solve(lines, 1, receiver, ends))
        first = int(np.argmax(response > 0.5 * response.max()))
        moments.append(first / GRID.sample_rate_hz - GRID.lead_in_s)
    assert moments[0] == pytest.approx(60 / 1250 + 40 / 400, abs=1 / 4000)
    assert moments[1] == pytest.approx(60 / 1250 + 40 / 400 + 3 / 1200, abs=1.5 / 4000)


def test_loss_is_the_one_of_the_wavenumber() -> None:
    lossy = {"loss": 0.02, "speed": 1000.0}
    frequency = np.array([100.0, 400.0])
    pipes = [real_line(0, 1, 200.0, frequency_hz=frequency, **lossy)]
    ends = {0: matched(pipes[0]), 1: matched(pipes[0])}
    transfer = transfer_functions(pipes, sources=[0], receivers=[0, 1], terminations=ends)
    lost = np.abs(transfer[1, 0] / transfer[0, 0])
    assert lost == pytest.approx(np.exp(-2 * np.pi * frequency / 1000 * 0.01 * 200), rel=1e-9)


def looped_network(seed: int, frequency_hz: NDArray[np.float64], loss: float) -> list[Line]:
    """A random tree of ten nodes with four more pipes that close loops, one of them onto itself."""
    rng = np.random.default_rng(seed)
    pairs = [(int(rng.integers(0, n)), n) for n in range(1, 10)]
    pairs += [(int(a), int(b)) for a, b in rng.integers(0, 10, (4, 2))] + [(3, 3)]
    return [
        real_line(
            u,
            v,
            float(rng.uniform(2, 150)),
            frequency_hz=frequency_hz,
            speed=float(rng.uniform(300, 1400)),
            area_m2=float(rng.uniform(0.005, 0.05)),
            loss=loss,
        )
        for u, v in pairs
    ]


@given(seed=st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_elimination_agrees_with_a_dense_solve(seed: int) -> None:
    frequency = np.linspace(20.0, 1900.0, 40)
    pipes = looped_network(seed, frequency, 0.01)
    ends = {5: matched(pipes[0])}
    dense = np.zeros((40, 10, 10), dtype=complex)
    for pipe in pipes:
        for a, b in ((pipe.u, pipe.v), (pipe.v, pipe.u)):
            dense[:, a, a] += pipe.own_admittance
            dense[:, a, b] += pipe.mutual_admittance
    dense[:, 5, 5] += ends[5]
    inverse = np.linalg.inv(dense)
    transfer = transfer_functions(pipes, sources=[2, 7], receivers=[0, 7, 9], terminations=ends)
    for i, receiver in enumerate((0, 7, 9)):
        for j, source in enumerate((2, 7)):
            assert transfer[i, j] == pytest.approx(inverse[:, receiver, source], rel=1e-6)


@given(seed=st.integers(0, 10_000))
@settings(max_examples=25, deadline=None)
def test_source_and_receiver_may_change_places(seed: int) -> None:
    pipes = looped_network(seed, np.linspace(20.0, 1900.0, 30), 0.01)
    there = transfer_functions(pipes, sources=[1], receivers=[8])
    back = transfer_functions(pipes, sources=[8], receivers=[1])
    assert there[0, 0] == pytest.approx(back[0, 0], rel=1e-7)


@given(seed=st.integers(0, 10_000), loss=st.sampled_from([0.0, 0.02]))
@settings(max_examples=25, deadline=None)
def test_no_power_comes_from_nowhere(seed: int, loss: float) -> None:
    frequency = np.linspace(20.3, 1900.0, 50)
    pipes = looped_network(seed, frequency, loss)
    ends = {4: matched(pipes[0]), 7: matched(pipes[3])}
    pressure = transfer_functions(pipes, sources=[1], receivers=[1, 4, 7], terminations=ends)[:, 0]
    given_up = pressure[0].real
    leaves = sum(np.abs(pressure[i]) ** 2 * ends[node].real for i, node in ((1, 4), (2, 7)))
    if loss:
        assert np.all(leaves < given_up)
    else:
        assert leaves == pytest.approx(given_up, rel=1e-5)


def test_late_echoes_do_not_fold_back() -> None:
    # a dead end 900 m away answers after 1.8 s, later than a response of one second can hold
    short, long = ResponseGrid(4000.0, response_s=1.0), ResponseGrid(4000.0, response_s=4.0)
    responses = []
    for grid in (short, long):
        pipes = [
            line(0, 1, 60.0, grid=grid),
            line(1, 2, 100.0, grid=grid),
            line(2, 3, 850.0, grid=grid),
            line(2, 4, 60.0, grid=grid),
        ]
        ends = {0: matched(pipes[0])}
        responses.append(
            grid.to_time(transfer_functions(pipes, sources=[1], receivers=[2], terminations=ends))
        )
    n = int(0.9 * short.size)
    reference = responses[1][0, 0, :n]
    late = responses[1][0, 0, short.size :]
    assert np.abs(late).max() > 0.2 * np.abs(reference).max()  # there is something that could fold
    assert np.abs(responses[0][0, 0, :n] - reference).max() < 0.02 * np.abs(reference).max()


def test_a_district_is_solved_quickly() -> None:
    # tree of 120 nodes at the frequencies of a two-second response; ten times the time measured when written
    grid = ResponseGrid(4000.0, response_s=2.0)
    rng = np.random.default_rng(5)
    pipes = [line(max(0, n - int(rng.integers(1, 5))), n, 30.0 + n, grid=grid) for n in range(1, 120)]
    begin = time.perf_counter()
    transfer_functions(pipes, sources=[3, 50], receivers=[10, 100], terminations={119: matched(pipes[0])})
    assert time.perf_counter() - begin < 2.0


def test_a_source_off_the_pipes_is_refused() -> None:
    with pytest.raises(SimulationError, match="node 7: no pipe ends there"):
        transfer_functions([line(0, 1, 10.0)], sources=[7], receivers=[0])


@pytest.mark.parametrize("length", [0.0, -1.0, float("nan"), float("inf")])
def test_a_pipe_needs_a_length(length: float) -> None:
    with pytest.raises(SimulationError, match="pipe between nodes 3 and 4"):
        line(3, 4, length)


@pytest.mark.parametrize(("rate", "length"), [(0.0, 1.0), (4000.0, 0.01), (-1.0, 2.0)])
def test_a_grid_that_cannot_be_is_refused(rate: float, length: float) -> None:
    with pytest.raises(SimulationError, match="response grid"):
        ResponseGrid(rate, response_s=length)

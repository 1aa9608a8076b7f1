"""Ways of a leak's sound over the map's pipes, against work on paper and against the wave solver."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from netcorr.path import correlation_path
from netcorr.position import LocateSettings, path_speeds, path_times
from netcorr.position.echoes import ECHO_SHOWN, PathEchoes, path_echoes

Maker = Callable[..., Any]
SETTINGS = LocateSettings()
SPEED = 1250.0


def echoes_of(network: Any, *, frequency_hz: float = 300.0) -> tuple[PathEchoes, Any]:
    path = correlation_path(network, "V1", fitting_b="V2")
    speeds = path_speeds(path, settings=SETTINGS)
    times = path_times(path, speeds, settings=SETTINGS, clock_sd_s=1e-4)
    found = path_echoes(network, path, speeds, times=times, frequency_hz=frequency_hz, settings=SETTINGS)
    return found, times


@pytest.fixture(scope="module")
def straight(make_network: Maker) -> Any:
    mains = {"M1": [(-900, 0), (1000, 0)]}
    return make_network(mains, {"V1": (0, 0), "V2": (100, 0)}, speed_m_s=SPEED)


def teed(make_network: Maker, *, branch_mm: float, branch_m: float = 900.0) -> Any:
    """Main of 150 mm with a branch at 60 m of the 100 m between the sensors."""
    mains = {"M1": [(-900, 0), (60, 0), (1000, 0)], "S1": [(60, 0), (60, branch_m)]}
    return make_network(
        mains,
        {"V1": (0, 0), "V2": (100, 0)},
        speed_m_s=SPEED,
        attributes={"S1": {"diameter_mm": branch_mm}},
    )


def at(found: PathEchoes, times: Any, x_m: float) -> list[tuple[float, float]]:
    """Delay less the direct one [ms] and strength of all pairs at one point, strongest first."""
    i = int(np.argmin(np.abs(times.position_m - x_m)))
    pairs = [
        (1000 * float(delay - times.delay_s[i]), float(strength))
        for delay, strength in zip(found.delay_s[:, i], found.strength[:, i], strict=True)
        if strength > 0
    ]
    return sorted(pairs, key=lambda pair: -pair[1])


def strength_near(pairs: list[tuple[float, float]], delay_ms: float) -> float:
    return max((strength for ms, strength in pairs if abs(ms - delay_ms) < 0.1), default=0.0)


def test_a_plain_main_has_the_direct_way_alone(straight: Any) -> None:
    found, times = echoes_of(straight)
    assert found.delay_s.shape == found.strength.shape == (1, times.position_m.size)
    assert found.delay_s[0] == pytest.approx(times.delay_s)
    assert (found.strength == 1).all()


def test_a_small_branch_is_not_worth_a_word(make_network: Maker) -> None:
    found, _ = echoes_of(teed(make_network, branch_mm=60.0))
    assert found.strength.shape[0] == 1


def test_a_large_branch_throws_back_what_paper_says(make_network: Maker) -> None:
    # no fields of the wall but the bore matter: the speed is stated on the map
    found, times = echoes_of(teed(make_network, branch_mm=450.0), frequency_hz=60.0)
    pairs = at(found, times, 40.0)
    main, branch = 1.0, 9.0  # admittances go with the area; the wall is thin beside the bore
    through = 2 * main / (2 * main + branch)
    # from the leak to the tee and back to A, 20 m more each way; B hears what passed the tee
    strength = strength_near(pairs, -2 * 20 / SPEED * 1000)
    assert strength == pytest.approx(ECHO_SHOWN * (1 - through), rel=0.1)
    # beyond the tee it is B that hears the echo, later
    assert any(ms == pytest.approx(2 * 20 / SPEED * 1000, abs=0.05) for ms, _ in at(found, times, 80.0)[1:])


def test_a_short_dead_end_echoes_after_its_own_length(make_network: Maker) -> None:
    found, times = echoes_of(teed(make_network, branch_mm=300.0, branch_m=25.0))
    delays_ms = [ms for ms, _ in at(found, times, 40.0)]
    # what goes into the branch and comes out again reaches both sensors later: B's delay grows by 2 x 25 m
    assert any(ms == pytest.approx(2 * 25 / SPEED * 1000, abs=0.05) for ms in delays_ms)


def test_branches_closed_by_a_valve_do_not_count(make_network: Maker) -> None:
    network = teed(make_network, branch_mm=450.0)
    for _, _, data in network.graph.edges(data=True):
        data["is_open"] = data["is_open"] and data["pipe_id"] != "S1"
    found, _ = echoes_of(network)
    assert found.strength.shape[0] == 1


def test_losses_weaken_echoes_of_long_detours(make_network: Maker) -> None:
    network = teed(make_network, branch_mm=300.0, branch_m=25.0)
    low, times = echoes_of(network, frequency_hz=50.0)
    high, _ = echoes_of(network, frequency_hz=3000.0)
    detour_ms = 2 * 25 / SPEED * 1000

    weak, strong = (strength_near(at(found, times, 40.0), detour_ms) for found in (high, low))
    assert strong > 1.2 * weak


def test_a_pipe_of_unknown_kind_is_taken_as_the_path_s(make_network: Maker) -> None:
    network = teed(make_network, branch_mm=450.0)
    for _, _, data in network.graph.edges(data=True):
        if data["pipe_id"] == "S1":
            data.update(material=None, wave_speed_m_s=math.nan)
    unknown, times = echoes_of(network)
    assert any(abs(ms) > 1 and strength > 0.5 for ms, strength in at(unknown, times, 40.0))


def test_swapping_the_sensors_mirrors_the_ways(make_network: Maker) -> None:
    network = teed(make_network, branch_mm=450.0)
    here, times = echoes_of(network)
    path = correlation_path(network, "V2", fitting_b="V1")
    speeds = path_speeds(path, settings=SETTINGS)
    back = path_times(path, speeds, settings=SETTINGS, clock_sd_s=1e-4)
    there = path_echoes(network, path, speeds, times=back, frequency_hz=300.0, settings=SETTINGS)
    for x_m in (20.0, 50.0, 75.0):
        one, other = at(here, times, x_m), at(there, back, 100 - x_m)
        assert sorted(round(ms, 1) + 0.0 for ms, _ in one) == sorted(round(-ms, 1) + 0.0 for ms, _ in other)


def test_strengths_are_those_of_the_wave_solver(make_network: Maker) -> None:
    # impulse at 40 m: arrivals at A over frequency, from the admittances of the network
    from netcorr.simulation.acoustics import Line, transfer_functions

    f = np.fft.rfftfreq(8192, 1 / 8192.0)
    w = 2 * np.pi * f - 30j  # damped, so that one second is enough
    z = [1 / area for area in (1.0, 9.0)]
    k = w / SPEED

    def pipe(u: int, v: int, length_m: float, kind: int) -> Line:
        return Line(u, v, length_m, k, np.full(f.size, z[kind] + 0j))

    lines = [pipe(0, 1, 40.0, 0), pipe(1, 2, 20.0, 0), pipe(2, 3, 40.0, 0)]
    endless = {0: np.full(f.size, 1 + 0j), 2: np.full(f.size, 9 + 0j), 3: np.full(f.size, 1 + 0j)}
    response = transfer_functions(lines, sources=[1], receivers=[0], terminations=endless)[0, 0]
    gauss = np.exp(-0.5 * (f / 1500) ** 2)
    time = np.fft.irfft(response * gauss) * np.exp(30 * np.arange(8192) / 8192.0)
    direct, echo = (abs(time[round(d / SPEED * 8192)]) for d in (40.0, 80.0))
    found, times = echoes_of(teed(make_network, branch_mm=450.0), frequency_hz=60.0)
    strength = strength_near(at(found, times, 40.0), -2 * 20 / SPEED * 1000)
    assert strength == pytest.approx(ECHO_SHOWN * echo / direct, rel=0.1)

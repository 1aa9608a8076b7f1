"""What becomes of a network before it is solved: cuts, ends, leads, speeds."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from netcorr.errors import NetworkError, SimulationError, SpeedError
from netcorr.network.pipe_network import PipeNetwork
from netcorr.simulation.acoustics import ResponseGrid
from netcorr.simulation.pipe_lines import LocalPipes, local_pipes
from netcorr.simulation.setup import Place, SensorSetup, TrueSpeeds
from netcorr.speed.soil import LOOSE_SOIL, Soil

NetworkMaker = Callable[..., PipeNetwork]
GRID = ResponseGrid(4000.0, response_s=0.5)
AT_100_HZ = round(100 * 0.5)


def lines_of(
    network: PipeNetwork,
    sensors: list[SensorSetup],
    places: list[Place],
    *,
    speeds: TrueSpeeds | None = None,
    soil: Soil | None = None,
    reach_m: float = 300.0,
) -> LocalPipes:
    return local_pipes(
        network,
        sensors=sensors,
        places=places,
        grid=GRID,
        speeds=speeds or TrueSpeeds(),
        soil=soil,
        reach_m=reach_m,
    )


def speed(local: LocalPipes, i: int = 0) -> float:
    return float(2 * np.pi * 100 / local.lines[i].wavenumber_rad_m[AT_100_HZ].real)


def test_places_cut_their_pipe_and_lengths_add_up(network_of: NetworkMaker) -> None:
    network = network_of([(0, 1, 100.0), (1, 2, 50.0)], {"A": 0})
    places = [Place((0, 1, 0), 70.0), Place((0, 1, 0), 20.0), Place((0, 1, 0), 70.0), Place((1, 2, 0), 50.0)]
    local = lines_of(network, [SensorSetup("K", "A")], places)
    assert sorted(line.length_m for line in local.lines) == pytest.approx([20, 30, 50, 50])
    first, second, same, end = local.source_nodes
    assert first == same
    assert end == 2
    joined = {frozenset((line.u, line.v)) for line in local.lines}
    assert joined == {frozenset(p) for p in ((0, second), (second, first), (first, 1), (1, 2))}


def test_offset_counts_from_the_first_drawn_point(network_of: NetworkMaker) -> None:
    # the graph may name the ends of an edge in either order
    network = network_of([(0, 1, 100.0, {"from_node": 1, "to_node": 0})], {"A": 0})
    for edge in ((0, 1, 0), (1, 0, 0)):
        local = lines_of(network, [SensorSetup("K", "A")], [Place(edge, 30.0)])
        near_one = next(line for line in local.lines if 1 in (line.u, line.v))
        assert near_one.length_m == pytest.approx(30.0)


def test_lead_is_a_stub_with_its_own_bore(network_of: NetworkMaker) -> None:
    network = network_of([(0, 1, 100.0)], {"A": 0, "B": 1})
    sensors = [SensorSetup("K", "A", lead_m=2.5), SensorSetup("L", "B")]
    local = lines_of(network, sensors, [Place((0, 1, 0), 50.0)])
    assert local.sensor_nodes[1] == 1
    lead = next(line for line in local.lines if local.sensor_nodes[0] in (line.u, line.v))
    main = next(line for line in local.lines if line is not lead)
    assert lead.length_m == 2.5
    # bore of 80 mm against some 150 mm: impedance goes with one over the area
    ratio = abs(lead.impedance_pa_s_m3[AT_100_HZ] / main.impedance_pa_s_m3[AT_100_HZ])
    assert 2.5 < ratio < 5


@pytest.mark.parametrize("reflection", [0.0, 0.6, 1.0])
def test_end_of_a_lead_throws_back_its_share(network_of: NetworkMaker, reflection: float) -> None:
    # reflection at an end of admittance Y: (1 - Z Y) / (1 + Z Y), Kinsler et al., chapter 10 (memory)
    network = network_of([(0, 1, 100.0)], {"A": 0})
    sensor = SensorSetup("K", "A", lead_m=2.0, lead_reflection=reflection)
    local = lines_of(network, [sensor], [Place((0, 1, 0), 50.0)])
    lead = next(line for line in local.lines if local.sensor_nodes[0] in (line.u, line.v))
    admitted = local.terminations.get(local.sensor_nodes[0], 0.0) * lead.impedance_pa_s_m3
    assert (1 - admitted) / (1 + admitted) == pytest.approx(reflection)


def test_what_is_out_of_reach_becomes_endless(network_of: NetworkMaker) -> None:
    pipes = [(0, 1, 100.0), (1, 2, 150.0), (2, 3, 100.0), (2, 4, 80.0)]
    network = network_of(pipes, {"A": 0})
    local = lines_of(network, [SensorSetup("K", "A")], [Place((0, 1, 0), 50.0)], reach_m=200.0)
    # nodes 0, 1, 2 are within 200 m of an end of the source's pipe; the two pipes beyond 2 are cut off
    assert {line.u for line in local.lines} | {line.v for line in local.lines} >= {0, 1, 2}
    assert set(local.terminations) == {2}
    one = 1 / local.lines[0].impedance_pa_s_m3
    assert local.terminations[2] == pytest.approx(2 * one)
    assert not lines_of(network, [SensorSetup("K", "A")], [Place((0, 1, 0), 50.0)]).terminations


def test_closed_valve_ends_the_pipes_on_either_side(network_of: NetworkMaker) -> None:
    network = network_of([(0, 1, 50.0), (1, 2, 0.1, {"is_open": False}), (2, 3, 50.0)], {"A": 0, "B": 3})
    local = lines_of(
        network, [SensorSetup("K", "A"), SensorSetup("L", "B")], [Place((0, 1, 0), 10.0)], reach_m=500
    )
    assert {frozenset((line.u, line.v)) for line in local.lines} == {
        frozenset(pair) for pair in ((0, -1), (-1, 1), (2, 3))
    }
    assert not local.terminations


def test_stated_wave_speed_is_kept_and_factors_act(network_of: NetworkMaker) -> None:
    pipes = [(0, 1, 100.0, {"wave_speed_m_s": 1111.0})]
    network = network_of(pipes, {"A": 0})
    sensors, places = [SensorSetup("K", "A")], [Place((0, 1, 0), 0.0)]
    plain = speed(lines_of(network, sensors, places))
    assert plain == pytest.approx(1111.0, rel=2e-3)
    slower = TrueSpeeds({"grey_iron": 0.9}, {"P0": 0.5})
    assert speed(lines_of(network, sensors, places, speeds=slower)) / plain == pytest.approx(0.45, rel=1e-6)


def test_speed_of_iron_and_pvc_is_the_usual_one(network_of: NetworkMaker) -> None:
    # common practice: iron about 1200 to 1350 m/s, PVC about 350 to 500 m/s
    sensors, places = [SensorSetup("K", "A")], [Place((0, 1, 0), 0.0)]
    iron = network_of([(0, 1, 100.0)], {"A": 0}, material="ductile_iron")
    pvc = network_of([(0, 1, 100.0, {"diameter_mm": 160.0})], {"A": 0}, material="pvc")
    assert 1150 < speed(lines_of(iron, sensors, places)) < 1350
    assert 320 < speed(lines_of(pvc, sensors, places)) < 500


def test_soil_takes_from_the_wave(network_of: NetworkMaker) -> None:
    sensors, places = [SensorSetup("K", "A")], [Place((0, 1, 0), 0.0)]
    network = network_of([(0, 1, 100.0, {"diameter_mm": 160.0})], {"A": 0}, material="pvc")
    air, soil = (
        lines_of(network, sensors, places, soil=soil).lines[0].wavenumber_rad_m[2 * AT_100_HZ]
        for soil in (None, LOOSE_SOIL)
    )
    assert soil.imag < air.imag < 0


def test_wavenumber_does_not_sound_before_it_arrives(network_of: NetworkMaker) -> None:
    # 80 m of lossy PVC; with a loss factor but no dispersion to go with it the front would smear forwards:
    # a thousandth of the peak would already be there at 60 % of the travel time
    grid = ResponseGrid(4000.0, response_s=3.0)
    network = network_of([(0, 1, 80.0, {"diameter_mm": 160.0})], {"A": 1}, material="pvc")
    local = local_pipes(
        network,
        sensors=[SensorSetup("K", "A")],
        places=[Place((0, 1, 0), 0.0)],
        grid=grid,
        speeds=TrueSpeeds(),
    )
    line = local.lines[0]
    response = grid.to_time(np.exp(-1j * line.wavenumber_rad_m * line.length_m), high_pass_hz=10.0)
    slowness = line.wavenumber_rad_m[300].real / (2 * np.pi * 100)
    front = int((grid.lead_in_s + 0.94 * line.length_m * slowness) * grid.sample_rate_hz)
    assert np.abs(response[:front]).max() < 1e-3 * np.abs(response).max()
    assert abs(int(np.argmax(np.abs(response))) - front) < 0.15 * front


@pytest.mark.parametrize(("field", "value"), [("material", None), ("diameter_mm", math.nan)])
def test_unknown_pipe_within_reach_is_named(network_of: NetworkMaker, field: str, value: object) -> None:
    network = network_of([(0, 1, 100.0), (1, 2, 30.0, {field: value})], {"A": 0})
    with pytest.raises(SpeedError, match=r"made by hand, pipe P1: no (material|diameter)"):
        lines_of(network, [SensorSetup("K", "A")], [Place((0, 1, 0), 5.0)])


def test_unknown_pipe_out_of_reach_does_not_matter(network_of: NetworkMaker) -> None:
    pipes = [(0, 1, 100.0), (1, 2, 400.0), (2, 3, 30.0, {"material": None})]
    lines_of(network_of(pipes, {"A": 0}), [SensorSetup("K", "A")], [Place((0, 1, 0), 5.0)])


def test_places_and_fittings_off_the_pipes_are_refused(network_of: NetworkMaker) -> None:
    network = network_of([(0, 1, 100.0), (1, 2, 30.0, {"is_open": False})], {"A": 0, "B": 2})
    with pytest.raises(SimulationError, match=r"offset 130\.0 m; the pipe is 100\.0 m long"):
        lines_of(network, [SensorSetup("K", "A")], [Place((0, 1, 0), 130.0)])
    with pytest.raises(SimulationError, match="no open pipe there"):
        lines_of(network, [SensorSetup("K", "A")], [Place((1, 2, 0), 3.0)])
    with pytest.raises(SimulationError, match="fitting B: no open pipe at it"):
        lines_of(network, [SensorSetup("K", "B", lead_m=1.0)], [Place((0, 1, 0), 3.0)])
    with pytest.raises(NetworkError, match="no fitting has this id"):
        lines_of(network, [SensorSetup("K", "C")], [Place((0, 1, 0), 3.0)])

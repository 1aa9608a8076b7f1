"""Random streets are what they claim, whatever the draw, and the answers agree with the pipes."""

from __future__ import annotations

import functools
import math

import networkx as nx
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import SimulationError
from netcorr.simulation.acoustics import ResponseGrid, transfer_functions
from netcorr.simulation.pipe_lines import local_pipes
from netcorr.simulation.scenario import (
    Scenario,
    draw_speeds,
    leak_between,
    leak_beyond,
    leak_on_branch,
    pair_of_sensors,
    random_street,
)
from netcorr.simulation.setup import Conditions, Place, TrueSpeeds
from netcorr.simulation.street import MaterialMix
from netcorr.simulation.survey import simulate_round

MIXES = ("metal", "mixed", "plastic")
PLASTIC = {"pvc", "pe80", "pe100"}
METAL = {"grey_iron", "ductile_iron", "steel"}
seeds = st.integers(0, 60)
mixes = st.sampled_from(MIXES)
few = settings(max_examples=20, deadline=None)


@functools.cache
def street(seed: int, mix: MaterialMix) -> Scenario:
    return random_street(np.random.default_rng(seed), material_mix=mix)


def distance_m(scenario: Scenario, place: Place, node: int) -> float:
    """Shortest way along the pipes from a place to a node, by another route than the code's own."""
    graph = scenario.network.graph
    data = graph.edges[place.edge]
    from_ends = {
        data["from_node"]: place.offset_m,
        data["to_node"]: data["length_m"] - place.offset_m,
    }
    return min(
        along_m + nx.dijkstra_path_length(graph, end, node, weight="length_m")
        for end, along_m in from_ends.items()
    )


def ends(scenario: Scenario) -> tuple[int, int]:
    network = scenario.network
    return network.node_of(scenario.fitting_a), network.node_of(scenario.fitting_b)


@given(seed=seeds, mix=mixes)
@few
def test_street_is_one_tree_of_the_right_pipes(seed: int, mix: MaterialMix) -> None:
    scenario = street(seed, mix)
    graph = scenario.network.graph
    assert nx.is_connected(graph)
    assert nx.number_of_edges(graph) == nx.number_of_nodes(graph) - 1
    assert 39.5 <= scenario.length_m <= 221
    materials = {scenario.network.edge(*edge)["material"] for edge in scenario.path}
    if mix == "metal":
        assert materials <= METAL
    elif mix == "plastic":
        assert materials <= PLASTIC
    else:
        assert len({m in PLASTIC or (m in METAL and "metal") for m in materials}) >= 2


@given(seed=seeds, mix=mixes)
@few
def test_main_goes_on_beyond_both_loggers_and_has_branches(seed: int, mix: MaterialMix) -> None:
    scenario = street(seed, mix)
    graph = scenario.network.graph
    for node in ends(scenario):
        assert graph.degree(node) >= 2
    assert any(graph.degree(node) >= 3 for node in graph.nodes)


@given(seed=seeds, mix=mixes)
@few
def test_leak_between_lies_where_it_says(seed: int, mix: MaterialMix) -> None:
    scenario = street(seed, mix)
    a, b = ends(scenario)
    leak = leak_between(scenario, np.random.default_rng(seed))
    assert leak.side == "between"
    assert 3 <= leak.from_a_m <= scenario.length_m - 3
    assert distance_m(scenario, leak.source.place, a) == pytest.approx(leak.from_a_m)
    assert distance_m(scenario, leak.source.place, b) == pytest.approx(scenario.length_m - leak.from_a_m)


@given(seed=seeds, mix=mixes, side=st.sampled_from("AB"))
@few
def test_sound_of_a_leak_beyond_passes_the_logger(seed: int, mix: MaterialMix, side: str) -> None:
    scenario = street(seed, mix)
    near, far = ends(scenario) if side == "A" else reversed(ends(scenario))
    leak = leak_beyond(scenario, np.random.default_rng(seed), side="A" if side == "A" else "B")
    away_m = distance_m(scenario, leak.source.place, near)
    assert 3 <= away_m <= 60.001
    assert distance_m(scenario, leak.source.place, far) == pytest.approx(away_m + scenario.length_m)
    assert leak.side == side
    assert leak.from_a_m == pytest.approx(0.0 if side == "A" else scenario.length_m)


@given(seed=seeds, mix=mixes)
@few
def test_leak_on_a_branch_has_the_delay_of_its_tee(seed: int, mix: MaterialMix) -> None:
    scenario = street(seed, mix)
    a, b = ends(scenario)
    leak = leak_on_branch(scenario, np.random.default_rng(seed))
    if leak is None:
        return
    difference_m = distance_m(scenario, leak.source.place, b) - distance_m(scenario, leak.source.place, a)
    assert difference_m == pytest.approx(scenario.length_m - 2 * leak.from_a_m)


def test_most_streets_have_a_branch_between_the_loggers() -> None:
    drawn = [
        leak_on_branch(street(seed, mix), np.random.default_rng(1)) for seed in range(7) for mix in MIXES
    ]
    assert sum(leak is not None for leak in drawn) >= 19


def test_same_generator_same_street() -> None:
    one, two, other = (random_street(np.random.default_rng(s), material_mix="mixed") for s in (5, 5, 6))
    assert one.layers.mains.equals(two.layers.mains)
    assert one.layers.fittings.equals(two.layers.fittings)
    assert not one.layers.mains.equals(other.layers.mains)


def test_sensors_differ_in_what_was_asked() -> None:
    scenario = street(3, "metal")
    rng = np.random.default_rng(9)
    alike = pair_of_sensors(scenario, rng, unlike=False)
    assert [s.fitting for s in alike] == ["A", "B"]
    assert [s.lead_m for s in alike] == [scenario.lead_a_m, scenario.lead_b_m]
    assert all(s.gain == 1.0 and s.resonance_hz is None and s.clock_error_s == 0.0 for s in alike)
    pairs = [pair_of_sensors(scenario, rng, clock_sd_s=0.001, noise_spread_db=4.0) for _ in range(100)]
    clocks = np.array([s.clock_error_s for pair in pairs for s in pair])
    levels = np.array([s.noise_level_db for pair in pairs for s in pair])
    assert clocks.std() == pytest.approx(0.001, rel=0.2)
    assert levels.std() == pytest.approx(4.0, rel=0.2)
    assert all(s.resonance_hz is not None and 900 <= s.resonance_hz <= 3000 for pair in pairs for s in pair)


def test_speeds_are_drawn_for_every_material_and_main() -> None:
    network = street(4, "mixed").network
    rng = np.random.default_rng(2)
    drawn = [draw_speeds(network, rng, common_sd=0.03, pipe_sd=0.02) for _ in range(60)]
    edges = [data for _, _, data in network.graph.edges(data=True)]
    assert set(drawn[0].by_material) == {data["material"] for data in edges}
    assert set(drawn[0].by_pipe) == {data["pipe_id"] for data in edges}
    common = np.log([value for speeds in drawn for value in speeds.by_material.values()])
    single = np.log([value for speeds in drawn for value in speeds.by_pipe.values()])
    assert common.std() == pytest.approx(0.03, rel=0.2)
    assert single.std() == pytest.approx(0.02, rel=0.2)


@pytest.mark.parametrize(("seed", "mix"), [(0, "metal"), (3, "metal"), (6, "metal"), (2, "plastic")])
def test_response_of_a_street_has_died_away_before_it_ends(seed: int, mix: MaterialMix) -> None:
    # three seconds, as the surveys use, against nine: a hundredth of the power may be cut off or fold back
    scenario = street(seed, mix)
    rng = np.random.default_rng(seed)
    leak, sensors = leak_between(scenario, rng), pair_of_sensors(scenario, rng)
    spectra = []
    for grid in (ResponseGrid(4000.0), ResponseGrid(4000.0, response_s=9.0)):
        local = local_pipes(
            scenario.network, sensors=sensors, places=[leak.source.place], grid=grid, speeds=TrueSpeeds()
        )
        transfer = transfer_functions(
            local.lines,
            sources=local.source_nodes,
            receivers=local.sensor_nodes,
            terminations=local.terminations,
        )
        spectra.append(np.fft.rfft(grid.to_time(transfer, high_pass_hz=10.0)[:, 0], n=36_000))
    inside = slice(20 * 9, 1700 * 9)
    short, long = (s[:, inside] for s in spectra)
    lost = np.sum(np.abs(short - long) ** 2, axis=1) / np.sum(np.abs(long) ** 2, axis=1)
    assert 10 * np.log10(lost.max()) < -20


@pytest.mark.parametrize("mix", MIXES)
def test_a_whole_round_can_be_recorded(mix: MaterialMix) -> None:
    scenario, rng = street(8, mix), np.random.default_rng(8)
    leak = leak_between(scenario, rng)
    recorded = simulate_round(
        scenario.network,
        sensors=pair_of_sensors(scenario, rng),
        leak=leak.source,
        conditions=Conditions(snr_db=0.0, duration_s=2.0),
        rng=rng,
        speeds=draw_speeds(scenario.network, rng, common_sd=0.03, pipe_sd=0.02),
    )
    assert min(r.leak_snr_db for r in recorded.recordings) == pytest.approx(0.0, abs=1e-9)
    assert all(np.isfinite(r.samples).all() and r.samples.std() > 0 for r in recorded.recordings)


@pytest.mark.parametrize("lengths", [(5.0, 50.0), (100.0, 50.0), (math.nan, 50.0)])
def test_lengths_that_make_no_street(lengths: tuple[float, float]) -> None:
    with pytest.raises(SimulationError, match="random street"):
        random_street(np.random.default_rng(1), material_mix="metal", length_range_m=lengths)


def test_leaks_that_do_not_fit() -> None:
    scenario = street(1, "metal")
    with pytest.raises(SimulationError, match=r"leak between .* a margin of 500"):
        leak_between(scenario, np.random.default_rng(1), margin_m=500.0)
    with pytest.raises(SimulationError, match="leak beyond A"):
        leak_beyond(scenario, np.random.default_rng(1), side="A", range_m=(5000.0, 6000.0))

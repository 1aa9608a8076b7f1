"""Why there is no path: named so that someone can go and look."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from netcorr.errors import NoPathError
from netcorr.network import PipeNetwork
from netcorr.path import correlation_path
from netcorr.path.separation import why_no_path

Maker = Callable[..., PipeNetwork]
ROW = {f"M{k}": [(100 * k, 0), (100 * k + 100, 0)] for k in range(4)}
ENDS = {"V1": (0, 0), "V2": (400, 0)}


def test_all_that_is_closed_on_the_way_is_named_once_in_order(make_network: Maker) -> None:
    fittings = {**ENDS, "V3": (50, 0), "V4": (350, 0)}
    network = make_network(ROW, fittings, closed=["V4", "V3"], out_of_service=["M1", "M2"])
    expected = (
        "between them lies closed valve V3, main M1, which is out of service, "
        "main M2, which is out of service, closed valve V4; correct the map"
    )
    with pytest.raises(NoPathError, match=expected):
        correlation_path(network, "V1", fitting_b="V2")


def test_way_with_least_that_is_closed_is_told(make_network: Maker) -> None:
    """A long way round with one closed valve, rather than the straight one with two."""
    mains = {**ROW, "L": [(0, 0), (0, 200), (400, 200), (400, 0)]}
    fittings = {**ENDS, "V3": (50, 0), "V4": (350, 0), "V5": (200, 200)}
    network = make_network(mains, fittings, closed=["V3", "V4", "V5"])
    assert "lies closed valve V5;" in str(why_no_path(network, "V1", fitting_b="V2"))


def test_open_pipe_beside_a_closed_one_is_not_blamed(make_network: Maker) -> None:
    mains = {**ROW, "BESIDE": [(100, 0), (150, 5), (200, 0)]}
    network = make_network(mains, {**ENDS, "V3": (350, 0)}, closed=["V3"], out_of_service=["M1"])
    message = str(why_no_path(network, "V1", fitting_b="V2"))
    assert "closed valve V3" in message
    assert "M1" not in message


def test_parts_of_the_map_are_counted_without_what_joins_nothing(make_network: Maker) -> None:
    mains = {
        "A": [(0, 0), (50, 0)],
        "B": [(50, 0), (90, 0)],
        "C": [(93, 0), (400, 0)],
        "FAR": [(0, 900), (9, 900)],
    }
    network = make_network(mains, ENDS, out_of_service=["B"])
    message = str(why_no_path(network, "V1", fitting_b="V2"))
    assert "2 mains (0.09 km) around the first, 1 main (0.31 km) around the second" in message
    assert "they come nearest, 3.00 m, at mains C and B (x 500393.00, y 5400700.00): correct" in message


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:3857"])
def test_distances_are_ground_metres_in_any_crs(make_network: Maker, crs: str) -> None:
    network = make_network({"A": [(0, 0), (50, 0)], "B": [(50.5, 0), (400, 0)]}, ENDS, crs=crs)
    message = str(why_no_path(network, "V1", fitting_b="V2"))
    assert "the fittings are 400 m apart in a straight line" in message
    assert "they come nearest, 0.50 m, at mains A and B" in message

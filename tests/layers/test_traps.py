"""What real maps get wrong or leave unsaid, as a whole source, with the message that a user sees."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely
from shapely import LineString, MultiLineString

from netcorr.errors import LayerError
from netcorr.layers import NetworkLayers, inspect_source, read_network_layers

X0, Y0 = 500_000.0, 5_540_000.0
Writer = Callable[..., Path]


def with_notes(layers: NetworkLayers, part: str) -> list[str]:
    return [note for note in layers.notes if part in note]


def test_material_and_size_in_one_text(town: Writer, mains: gpd.GeoDataFrame) -> None:
    texts = ["DN150 GGG", "PVC 160", "GG 100"]
    path = town(mains=mains.assign(material=texts).drop(columns="diameter_mm"))
    layers = read_network_layers(path)
    assert layers.mains["material"].tolist() == ["ductile_iron", "pvc", "grey_iron"]
    assert layers.mains["diameter_mm"].tolist() == [150, 160, 100]
    said = "the diameter is read from column 'material' too, as its texts hold both"
    assert with_notes(layers, said)
    summary = inspect_source(path)
    assert summary.mapping is not None
    assert summary.mapping.mains.columns["diameter"] == "material"
    assert said in summary.mapping.reasons
    assert said in next(c.note for c in summary.layers[0].columns if c.name == "material")


def test_size_and_material_in_a_column_for_sizes(town: Writer, mains: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(
        town(
            mains=mains.assign(DIMENSION=['6" CI', "160/146 PVC", "Ø 110 PE"]).drop(
                columns=["diameter_mm", "material"]
            )
        )
    )
    assert layers.mains["material"].tolist() == ["grey_iron", "pvc", "pe"]
    assert layers.mains["diameter_mm"].tolist() == [152.4, 160, 110]


def test_inch_marks_beside_plain_millimetres(town: Writer, mains: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(
        town(
            mains=mains.assign(D=['1.25"', "110", "0"])
            .drop(columns="diameter_mm")
            .rename(columns={"D": "DIAM"})
        )
    )
    np.testing.assert_allclose(layers.mains["diameter_mm"], [31.75, 110, np.nan])
    assert with_notes(
        layers, "diameters in 'DIAM' are read in millimetres: the only value 110 is too large for"
    )
    assert with_notes(layers, "1 of 3 without a known diameter")


def test_a_field_called_m_that_holds_millimetres(town: Writer, mains: gpd.GeoDataFrame) -> None:
    layers = read_network_layers(town(mains=mains.rename(columns={"diameter_mm": "diameter_m"})))
    assert layers.mains["diameter_mm"].tolist() == [150, 110, 100]
    assert with_notes(
        layers, "diameters in 'diameter_m' are read in millimetres: values from 100 to 150 are too"
    )


def test_diameters_in_metres_under_a_name_in_millimetres(town: Writer, mains: gpd.GeoDataFrame) -> None:
    path = town(mains=mains.assign(diameter_mm=[0.15, 0.11, 0.1]))
    message = "diameters from 0.1 to 0.15 mm, with a median of 0.11 mm, which mains do not have"
    with pytest.raises(LayerError, match=f"mains, column diameter_mm: {message}; state the true unit"):
        read_network_layers(path)
    (problem,) = inspect_source(path).problems
    assert problem.startswith(
        f"town.gpkg, layer mains: column 'diameter_mm' has {message}; state the true unit"
    )


def test_the_same_two_letters_for_two_materials_are_asked_about(
    town: Writer, mains: gpd.GeoDataFrame
) -> None:
    path = town(mains=mains.assign(material=["AC", "AZ", "FC"]))
    assert read_network_layers(path).mains["material"].tolist() == [None] * 3
    assert inspect_source(path).questions == (
        "mains, column material: 'AC' (1 feature): asbestos cement or steel? Taken for unknown",
        "mains, column material: 'AZ' (1 feature): asbestos cement or steel? Taken for unknown",
        "mains, column material: 'FC' (1 feature): asbestos cement or grey cast iron? Taken for unknown",
    )


@pytest.mark.parametrize(
    "status",
    ["hors service", "fictif", "stillgelegt", "fuori servizio", "buiten gebruik", "geplant", "abandonado"],
)
def test_mains_shut_down_or_fictional_do_not_connect(
    town: Writer, mains: gpd.GeoDataFrame, status: str
) -> None:
    layers = read_network_layers(town(mains=mains.assign(status=["en service", status, None])))
    assert layers.mains["in_service"].tolist() == [True, False, True]
    assert with_notes(layers, "status not understood, taken as in service: blank (1)")


def test_multipart_lines_whose_parts_lie_far_apart(town: Writer, mains: gpd.GeoDataFrame) -> None:
    far = MultiLineString([[(X0, Y0), (X0 + 30, Y0)], [(X0 + 9000, Y0), (X0 + 9060, Y0)]])
    layers = read_network_layers(town(mains=mains.set_geometry([far, *mains.geometry[1:]], crs=mains.crs)))
    assert layers.mains["asset_id"].tolist() == ["M1", "M1#2", "M2", "M3"]
    assert with_notes(layers, "mains: 1 of several parts (M1); their further parts are called M1#2 and so on")


def test_x_and_y_exchanged(town: Writer, mains: gpd.GeoDataFrame) -> None:
    swapped = shapely.transform(mains.geometry.to_numpy(), lambda xy: xy[:, ::-1])
    with pytest.raises(LayerError) as caught:
        read_network_layers(town(mains=mains.set_geometry(swapped, crs=mains.crs)))
    assert "degrees outside the area of WGS 84 / UTM zone 33N" in str(caught.value)
    assert str(caught.value).endswith("; x and y are exchanged in the file: put them in order")


def test_a_datum_shift_without_its_grid_is_said_with_its_accuracy(
    town: Writer, mains: gpd.GeoDataFrame, fittings: gpd.GeoDataFrame
) -> None:
    """DHDN to ETRS89 in Hesse: metres by parameters, 0.1 m by the state's grid (EPSG registry)."""
    there = {"mains": mains.translate(-400_000, 10_000), "fittings": fittings.translate(-400_000, 10_000)}
    layers = read_network_layers(
        town(
            mains=mains.set_geometry(there["mains"]).to_crs("EPSG:25832"),
            fittings=fittings.set_geometry(there["fittings"]).to_crs("EPSG:31467"),
        )
    )
    (said,) = with_notes(
        layers, "the datum shift from DHDN / 3-degree Gauss-Kruger zone 3 to ETRS89 / UTM zone"
    )
    known = r"has an accuracy that is about [13] m"
    assert re.search(known, said)
    if "grid file" in said:
        assert re.search(
            rf"{known} because the grid file of the best shift \([\w.]+\), good to 0\.\d m, is not", said
        )


def test_shapes_without_a_coordinate_and_zero_lengths_pass_the_door(
    town: Writer, mains: gpd.GeoDataFrame
) -> None:
    """A main without length is the network's to judge; one without a shape is left out here."""
    still = LineString([(X0, Y0), (X0, Y0)])
    layers = read_network_layers(
        town(mains=mains.set_geometry([still, None, mains.geometry[2]], crs=mains.crs))
    )
    assert layers.mains["asset_id"].tolist() == ["M1", "M3"]
    assert with_notes(layers, "mains: 1 without a usable geometry left out (M2)")

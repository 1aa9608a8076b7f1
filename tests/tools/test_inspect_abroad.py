"""Maps as utilities of several countries draw them: what the analyst reads before anything is computed."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import geopandas as gpd
import pytest
from shapely import LineString, Point

from netcorr.cli import main
from netcorr.layers import read_network_layers

Text = Callable[..., str]
X0, Y0 = 652_000.0, 6_862_000.0


@pytest.fixture
def text(capsys: pytest.CaptureFixture[str]) -> Text:
    """What `netcorr inspect` says."""

    def run(path: Path, *words: str, code: int = 0) -> str:
        assert main(["inspect", str(path), *words]) == code
        out, err = capsys.readouterr()
        return out if code == 0 else err

    return run


def rows_of(said: str) -> list[list[str]]:
    """Lines with single spaces, in words."""
    return [line.split() for line in said.splitlines()]


def write(
    path: Path, names: Sequence[str], mains: dict[str, list[Any]], fittings: dict[str, list[Any]], crs: Any
) -> Path:
    """Write a street of mains of 60 m with fittings on them."""
    n, m = (len(next(iter(table.values()))) for table in (mains, fittings))
    lines = [LineString([(X0 + 60 * k, Y0), (X0 + 60 * k + 60, Y0)]) for k in range(n)]
    points = [Point(X0 + 60 * k, Y0) for k in range(m)]
    gpd.GeoDataFrame(mains, geometry=lines, crs=crs).to_file(path, layer=names[0])
    gpd.GeoDataFrame(fittings, geometry=points, crs=crs).to_file(path, layer=names[1])
    return path


@pytest.fixture
def french(tmp_path: Path) -> Path:
    return write(
        tmp_path / "aep.gpkg",
        ("canalisation", "accessoires"),
        {
            "IDENT": [f"C{k}" for k in range(8)],
            "MATERIAU": ["FTG", "Fonte ductile", "PEHD", "AC", "FC", "FTE", "INCONNU", ""],
            "DIAM": ["100", "150", "DN 80", "0", "Ø63", "110", "", None],
            "ETAT": ["En service", "Hors service", "Projeté", "abandonné", "en service", "", "?", "ES"],
        },
        {
            "IDENT": [f"V{k}" for k in range(6)],
            "TYPE": ["vanne", "poteau incendie", "ventouse", "vidange", "compteur", "?"],
            "POSITION": ["ouverte", "", "", "fermée", "", "F"],
        },
        "EPSG:2154",
    )


def test_a_french_map(french: Path, text: Text) -> None:
    said = text(french)
    rows = rows_of(said)
    for line in (
        "MATERIAU text material",
        "FTG 1 grey cast iron",
        "Fonte ductile 1 ductile iron",
        "PEHD 1 polyethylene",
        "AC 1 asbestos cement or steel?",
        "FC 1 asbestos cement or grey cast iron?",
        "FTE 1 grey cast iron or ductile iron?",
        "INCONNU 1 unknown",
        "DN 80 1 80 mm",
        "Ø63 1 63 mm",
        "0 1 unknown",
        "Hors service 1 out of service",
        "Projeté 1 out of service",
        "poteau incendie 1 hydrant",
        "ventouse 1 other",
        "fermée 1 closed",
    ):
        assert line.split() in rows, line
    assert (
        "diameters in 'DIAM' are read in millimetres: values from 100 to 150 are too large for inches" in said
    )
    asked = said.partition("What a mapping has to say")[2]
    assert (
        "canalisation, column MATERIAU: 'AC' (1 feature): asbestos cement or steel? Taken for unknown"
        in asked
    )
    assert "canalisation, column ETAT: 'ES' (1 feature): in service or out of service? Taken for in" in asked
    assert "accessoires, column POSITION: 'F' (1 feature): open or closed? Taken for open" in asked
    assert "ventouse" not in asked, "what is known to be no valve is no question"
    assert "the material of 5 of 8 mains is not known: 3 wait for an answer, 2 have nothing written" in said
    assert "the diameter of 3 of 8 mains is not known: 3 have nothing written" in said


def test_the_answers_of_the_analyst_are_followed(french: Path, text: Text) -> None:
    toml = french.with_name("aep.toml")
    text(french, "--write-mapping", str(toml))
    written = toml.read_text(encoding="utf-8")
    for question, answer in (
        ('# "AC" = ""', '"AC" = "asbestos_cement"'),
        ('# "FTE" = ""', '"FTE" = "grey_iron"'),
        ('# "FC" = ""', '"FC" = "asbestos_cement"'),
        ('# "F" = ""', '"F" = "closed"'),
        ('# "ES" = ""', '"ES" = "in service"'),
    ):
        assert question in written
        written = written.replace(question, answer)
    toml.write_text(written, encoding="utf-8")
    said = text(toml)
    assert "What a mapping has to say" not in said
    assert "the material of 2 of 8 mains is not known: 2 have nothing written" in said
    mains = read_network_layers(toml).mains
    assert mains["material"].isna().sum() == 2


def test_a_german_map_with_material_and_size_in_one_text(tmp_path: Path, text: Text) -> None:
    path = write(
        tmp_path / "netz.gpkg",
        ("Wasserleitung", "Armaturen"),
        {
            "OBJEKTNR": [f"L{k}" for k in range(6)],
            "BEZEICHNUNG": ["GG DN 150", "GGG 200", "PE-HD 160x14,6", "PVC DN100", "St 100", "AZ 150"],
            "BETRIEBSZUSTAND": ["in Betrieb", "i.B.", "außer Betrieb", "geplant", "in Betrieb", "in Betrieb"],
        },
        {
            "OBJEKTNR": ["A1", "A2", "A3"],
            "ART": ["Schieber", "UFH", "Anbohrschelle"],
            "STELLUNG": ["zu", "", ""],
        },
        "EPSG:2154",
    )
    said = text(path)
    assert "column 'OBJEKTNR' of 'Wasserleitung' is taken for the id" in said
    assert "its values look like materials (GG DN 150, GGG 200, PE-HD 160x14,6 and 3 more): say so" in said
    assert "As it is, leaks cannot be located on it:\n  no column for the material\n" in said
    toml = tmp_path / "netz.toml"
    text(path, "--write-mapping", str(toml))
    written = toml.read_text(encoding="utf-8").replace('# material = "BEZ', 'material = "BEZ')
    toml.write_text(written, encoding="utf-8")
    said = text(toml)
    assert "the diameter is read from column 'BEZEICHNUNG' too, as its texts hold both" in said
    assert "'AZ 150' (1 feature): asbestos cement or steel? Taken for unknown" in said
    mains = read_network_layers(toml).mains
    assert mains["diameter_mm"].tolist() == [150, 200, 160, 100, 100, 150]
    assert mains["material"].tolist() == ["grey_iron", "ductile_iron", "pe", "pvc", "steel", None]


def test_a_spanish_folder_without_a_crs(tmp_path: Path, text: Text) -> None:
    path = write(
        tmp_path / "red.gpkg",
        ("tuberias", "valvulas"),
        {
            "ID": [f"T{k}" for k in range(8)],
            "MATERIAL": ["FD", "Fibrocemento", "PEAD", "Fundición gris", "Acero", "HG", "N/D", "PVC-O"],
            "DIAMETRO": ['6"', "160/146", '1 1/2"', "DN150", "90", "200 mm", "S/D", "0"],
            "ESTADO": ["Activo", "Fuera de servicio", "Proyectado", "En uso", "", "", "", ""],
        },
        {
            "ID": ["V1", "V2", "V3"],
            "TIPO": ["Válvula", "Hidrante", "Ventosa"],
            "ESTADO": ["Abierta", "", "Cerrada"],
        },
        "EPSG:2154",
    )
    folder = tmp_path / "red"
    folder.mkdir()
    for layer in ("tuberias", "valvulas"):
        gpd.read_file(path, layer=layer).to_file(folder / f"{layer}.shp")
        (folder / f"{layer}.prj").unlink()
    said = text(folder)
    rows = rows_of(said)
    for line in ('6" 1 152.4 mm', "160/146 1 160 mm", '1 1/2" 1 38.1 mm', "DN150 1 150 mm", "S/D 1 unknown"):
        assert line.split() in rows, line
    assert ["Fundición", "gris", "1", "grey", "cast", "iron"] in rows
    assert ["N/D", "1", "unknown"] in rows
    assert "tuberias: 8 features (8 LineString), no CRS, taken for mains" in said
    assert "tuberias.shp, layer tuberias: no CRS; give the CRS it was drawn in with --crs" in said
    assert "valvulas, column TIPO: its values look like kinds of fittings (Hidrante)" in said
    toml = folder / "red.toml"
    known = text(folder, "--crs", "EPSG:2154", "--write-mapping", str(toml))
    assert "tuberias: 8 features (8 LineString), EPSG:2154 (RGF93 v1 / Lambert-93), taken for mains" in known
    assert "What stands in the way" not in known
    assert 'crs = "EPSG:2154"' in toml.read_text(encoding="utf-8")
    assert "What stands in the way" not in text(toml), "the mapping carries it"
    assert read_network_layers(toml).mains.crs.to_epsg() == 2154
    shutil.rmtree(folder)


def test_a_crs_that_there_is_not(french: Path, text: Text) -> None:
    assert "CRS 'EPSG:99' is not known; give a code such as EPSG:32633" in text(
        french, "--crs", "EPSG:99", code=3
    )


def test_a_crs_in_which_it_cannot_lie(french: Path, text: Text) -> None:
    said = text(french, "--crs", "EPSG:4326")
    assert "aep.gpkg, layer canalisation: coordinates from (652000, 6.862e+06)" in said
    assert "cannot be true in its CRS, WGS 84" in said


def test_an_american_map_in_inches_and_feet(tmp_path: Path, text: Text) -> None:
    path = write(
        tmp_path / "us.gpkg",
        ("wMain", "wSystemValve"),
        {
            "FACILITYID": [f"W{k}" for k in range(6)],
            "MATERIAL": ["CI", "DIP", "HDPE", "AC", "UNK", "STL"],
            "DIAMETER": [6.0, 8.0, 1.25, 12.0, 0.0, 2.0],
            "LIFECYCLE": ["Active", "Retired", "Proposed", "A", "Active", "Active"],
        },
        {"FACILITYID": ["V1", "V2"], "CURRENTLYOPEN": ["Y", "N"]},
        "EPSG:2154",
    )
    said = text(path)
    rows = rows_of(said)
    assert "diameters in 'DIAMETER' are read in inches: values from 1.25 to 12 are usual in inches" in said
    for line in ("6 1 152.4 mm", "1.25 1 31.75 mm", "0 1 unknown", "N 1 closed", "Retired 1 out of service"):
        assert line.split() in rows, line
    assert "every feature of 'wSystemValve' is taken for a valve: the layer's name says so" in said
    assert "wMain, column LIFECYCLE: 'A' (1 feature): in service or out of service?" in said

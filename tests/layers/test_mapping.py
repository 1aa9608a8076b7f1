"""The TOML mapping: what it can say, and what a user sees when it is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from netcorr.errors import LayerError
from netcorr.layers.mapping import MainsMapping, read_mapping, unit_factor

WHOLE = """
source = "data/network.gpkg"
crs = "EPSG:25831"

[mains]
layer = "water_pipe"
columns = { asset_id = "PIPE_ID", material = "MAT", diameter = "DIAM", length_ft = "LEN", status = "ST" }
units = { diameter = "in" }
materials = { AC = "asbestos_cement", "7" = "steel" }
status = { L = "in service", X = "out of service" }

[[fittings]]
layer = "valve"
kind = "valve"
id_prefix = "V-"
columns = { asset_id = "ID", status = "POS" }
status = { "0" = "open", "1" = "closed" }

[[fittings]]
source = "hydrants.shp"
crs = "EPSG:25830"
columns = { asset_id = "ID", kind = "TYPE" }
kinds = { B = "hydrant" }
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "town.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_everything_a_mapping_can_say(tmp_path: Path) -> None:
    mapping = read_mapping(written(tmp_path, WHOLE))
    mains, (valves, hydrants) = mapping.mains, mapping.fittings
    assert mapping.source == tmp_path / "data/network.gpkg"
    assert mapping.crs == "EPSG:25831"
    assert (mains.layer, mains.source, mains.crs) == ("water_pipe", None, None)
    assert dict(mains.columns) == {
        **{"asset_id": "PIPE_ID", "material": "MAT", "diameter": "DIAM", "length": "LEN"},
        "status": "ST",
    }
    assert dict(mains.units) == {"length": "ft", "diameter": "in"}
    assert dict(mains.materials) == {"AC": "asbestos_cement", "7": "steel"}
    assert dict(mains.status) == {"L": True, "X": False}
    assert (valves.kind, valves.id_prefix, dict(valves.status)) == ("valve", "V-", {"0": True, "1": False})
    assert (hydrants.layer, hydrants.source) == (None, tmp_path / "hydrants.shp")
    assert (hydrants.crs, dict(hydrants.kinds)) == ("EPSG:25830", {"B": "hydrant"})


def test_factors_to_si() -> None:
    mapping = MainsMapping(None, {}, units={"length": "ft", "wave_speed": "ft/s", "wall": "in"})
    assert unit_factor("length", mapping) == pytest.approx(0.3048)  # international foot, exact by definition
    assert unit_factor("wave_speed", mapping) == pytest.approx(0.3048)
    assert unit_factor("wall", mapping) == pytest.approx(25.4)
    assert [unit_factor(role, MainsMapping(None, {})) for role in ("length", "wall", "wave_speed")] == [
        1,
        1,
        1,
    ]


ID = 'columns = { asset_id = "ID" }'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "mapping town.toml: no table [mains]; add [mains] with its layer and columns"),
        ("mains = 3", "mapping town.toml, [mains]: not a table"),
        (
            f"sorce = 'x'\n[mains]\n{ID}",
            "mapping town.toml: key 'sorce' is not known (similar: source); use source,",
        ),
        (f"[mains]\nlayr = 'x'\n{ID}", "[mains]: key 'layr' is not known (similar: layer)"),
        ("[mains]\nlayer = 'x'", "[mains], columns: no asset_id; name the column that holds the id"),
        (
            "[mains]\ncolumns = { asset_id = 'ID', materail = 'MAT' }",
            "[mains], columns: key 'materail' is not known (similar: material)",
        ),
        ("[mains]\ncolumns = { asset_id = 3 }", "[mains], columns: asset_id = 3 is not text"),
        (
            "[mains]\ncolumns = { asset_id = 'ID', diameter = 'D', diameter_in = 'E' }",
            "columns: diameter is given twice; keep one of the two",
        ),
        (
            f"[mains]\n{ID}\nunits = {{ diameter = 'inch' }}",
            "units: diameter = 'inch' is not known; use one of mm, cm",
        ),
        (f"[mains]\n{ID}\nunits = {{ year = 'a' }}", "[mains], units: key 'year' is not known"),
        (
            f"[mains]\n{ID}\nmaterials = {{ AC = 'asbestos cement' }}",
            "materials: AC = 'asbestos cement' is not known (similar: asbestos_cement); use one of grey_iron",
        ),
        (
            f"[mains]\n{ID}\nstatus = {{ L = 'live' }}",
            "status: L = 'live' is not known; use one of in service, out",
        ),
        (
            f"[mains]\n{ID}\n[fittings]\n{ID}",
            "fittings is not a list of tables; write [[fittings]] once for each",
        ),
        (
            f"[mains]\n{ID}\n[[fittings]]\nkind = 'valv'\n{ID}",
            "[[fittings]] number 1: kind 'valv' is not known (similar",
        ),
        (
            f"[mains]\n{ID}\n[[fittings]]\n{ID}\n[[fittings]]\ncolumns = {{ asset_id = 'I', material = '' }}",
            "[[fittings]] number 2, columns: key 'material' is not known; use asset_id, kind, status",
        ),
        ("[mains", "mapping town.toml: not TOML: Expected ']' at the end of a table declaration"),
    ],
)
def test_what_a_user_sees(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(LayerError) as caught:
        read_mapping(written(tmp_path, text))
    assert message in str(caught.value)
    assert caught.value.exit_code == 3


def test_missing_file_names_the_near_one(tmp_path: Path) -> None:
    written(tmp_path, WHOLE)
    with pytest.raises(LayerError, match=r"town.tml: no such file; check the path \(similar: town.toml\)"):
        read_mapping(tmp_path / "town.tml")


def test_file_that_is_no_text(tmp_path: Path) -> None:
    (tmp_path / "town.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(LayerError, match="cannot be read"):
        read_mapping(tmp_path / "town.toml")

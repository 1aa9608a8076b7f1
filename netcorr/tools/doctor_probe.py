"""What the libraries can do in this environment, as a program of its own.

A library that clashes with another product may take the whole process down. Prints one JSON document: for
each part its version, or why it does not work.
"""

from __future__ import annotations

import importlib
import io
import json
import sqlite3
import sys
import tempfile
import warnings
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

#: A place on the central meridian of EPSG:25832: its longitude is 9 by definition of the projection; its
#: latitude is 49.652543 by the same (meridian arc of GRS 80 divided by 0.9996).
EAST_M, NORTH_M, LON_DEG, LAT_DEG = 500_000.0, 5_500_000.0, 9.0, 49.652543
CODE = "EPSG:25832"


def _coordinates(folder: Path) -> dict[str, Any]:
    del folder
    import pyproj

    move = pyproj.Transformer.from_crs(CODE, 4326, always_xy=True)
    lon, lat = move.transform(EAST_M, NORTH_M)
    if abs(lon - LON_DEG) > 1e-6 or abs(lat - LAT_DEG) > 1e-6:
        raise RuntimeError(f"{CODE} gives {lon:.6f}, {lat:.6f} in place of {LON_DEG}, {LAT_DEG}")
    return {
        "version": pyproj.__version__,
        "proj": pyproj.proj_version_str,
        "data": pyproj.datadir.get_data_dir(),
    }


def _layers(folder: Path) -> dict[str, Any]:
    import geopandas as gpd
    import pyogrio
    from shapely import Point

    frame = gpd.GeoDataFrame({"name": ["Ä"]}, geometry=[Point(EAST_M, NORTH_M)], crs=CODE)
    file = folder / "probe.gpkg"
    pyogrio.write_dataframe(frame, file)
    crs = pyogrio.read_info(file)["crs"]
    if crs != CODE:
        raise RuntimeError(f"a layer written in {CODE} comes back as {str(crs)[:60]}")
    pyogrio.write_dataframe(frame, folder / "probe.geojson", driver="GeoJSON", RFC7946="YES")
    text = (folder / "probe.geojson").read_text(encoding="utf-8")
    lon, lat = json.loads(text)["features"][0]["geometry"]["coordinates"][:2]
    if abs(lon - LON_DEG) > 1e-6 or abs(lat - LAT_DEG) > 1e-6:
        raise RuntimeError(f"GDAL puts {CODE} to {lon:.6f}, {lat:.6f}")
    return {
        "version": pyogrio.__version__,
        "gdal": pyogrio.__gdal_version_string__,
        "drivers": dict(pyogrio.list_drivers()),
    }


def _stream(folder: Path) -> dict[str, Any]:
    import fiona

    with fiona.open(folder / "probe.gpkg") as source:
        found = source.crs.to_authority() if source.crs else None
    said = {"version": fiona.__version__, "gdal": fiona.__gdal_version__}
    if found != ("EPSG", "25832"):
        said["doubt"] = f"the CRS of a layer in {CODE} comes without its name"
    return said


def _sound(folder: Path) -> dict[str, Any]:
    del folder
    import numpy as np
    import soundfile

    buffer = io.BytesIO()
    samples = np.arange(-100, 100, dtype=np.int16)
    soundfile.write(buffer, samples, 4000, format="FLAC", subtype="PCM_16")
    buffer.seek(0)
    back, rate = soundfile.read(buffer, dtype="int16")
    if rate != 4000 or not np.array_equal(back, samples):
        raise RuntimeError("a FLAC recording does not come back as it was written")
    return {"version": soundfile.__version__, "sndfile": soundfile.__libsndfile_version__}


def _database(folder: Path) -> dict[str, Any]:
    del folder
    with sqlite3.connect(":memory:") as database:
        database.execute("CREATE VIRTUAL TABLE t USING rtree(id, a, b)")
    return {"version": sqlite3.sqlite_version}


def _imports(name: str) -> Callable[[Path], dict[str, Any]]:
    def load(folder: Path) -> dict[str, Any]:
        del folder
        importlib.import_module(name)
        return {"version": version(name.split(".", maxsplit=1)[0])}

    return load


#: In the order in which they are tried; later ones read what earlier ones wrote.
PARTS: dict[str, Callable[[Path], dict[str, Any]]] = {
    "pyproj": _coordinates,
    "pyogrio": _layers,
    "fiona": _stream,
    "soundfile": _sound,
    "sqlite": _database,
    "scipy": _imports("scipy.signal"),
    "shapely": _imports("shapely"),
    "highspy": _imports("highspy"),
    "matplotlib": _imports("matplotlib"),
}


def probe(parts: dict[str, Callable[[Path], dict[str, Any]]] | None = None) -> dict[str, dict[str, Any]]:
    """Try every part.

    Parameters
    ----------
    parts : dict, optional
        What to try, by name; `PARTS` unless given.

    Returns
    -------
    dict
        By part: what it said of itself, with ``doubt`` where something is not as it should be but netcorr
        can do without it; or ``error`` and ``missing`` (whether the library is not there at all).
    """
    found: dict[str, dict[str, Any]] = {}
    with tempfile.TemporaryDirectory(prefix="netcorr-", ignore_cleanup_errors=True) as folder:
        for name, act in (PARTS if parts is None else parts).items():
            try:
                found[name] = act(Path(folder))
            except Exception as error:  # whatever a library throws is what we want to know
                missing = isinstance(error, ModuleNotFoundError) and error.name == name
                found[name] = {"error": f"{type(error).__name__}: {error}", "missing": missing}
    return found


if __name__ == "__main__":
    warnings.simplefilter("ignore")
    sys.stdout.write(json.dumps(probe()) + "\n")

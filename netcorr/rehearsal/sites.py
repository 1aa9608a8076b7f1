"""Where loggers are planned to stand: a deployments table without recordings, or a layer of sites."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, cast

import numpy as np
import pyogrio
from pyproj import Transformer

from netcorr.errors import PlanError
from netcorr.network.ground import geodesic_distances_m
from netcorr.recordings.table_rows import PLACE, column_name, read_layer_rows, read_text_rows

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.recordings.table_rows import Row

#: Columns that may name the fitting, the first one that is there counts.
FITTING_COLUMNS = ("fitting", "asset_id")
#: Columns that part the loggers that record at the same time from those of another night; `setups` lists
#: several, as the sites of a plan do.
SETUP_COLUMNS = ("setup", "start", "setups")
#: A site given by its place belongs to the nearest fitting within this distance. [m]
NEAREST_FITTING_M = 10.0
#: Names of layers that hold sites, when a dataset holds several.
_LAYERS = ("sites", "deployments", "planned_sites")
_SEVERAL = re.compile(r"\s*[,;]\s*")
_TEXT_SUFFIXES = {".csv", ".tsv", ".tab", ".txt"}


@dataclass(frozen=True)
class PlannedSite:
    """A place for a logger.

    Attributes
    ----------
    fitting : str
        Asset id of the fitting.
    logger : str
        Name of the logger; the fitting's where none is planned.
    lead_m : float
        Pipe between the main and the point of contact. [m]
    setup : str
        Loggers of one setup record at the same time; empty when there is only one.
    """

    fitting: str
    logger: str
    lead_m: float = 0.0
    setup: str = ""


def read_sites(
    path: str | Path, network: PipeNetwork, *, layer: str | None = None
) -> tuple[PlannedSite, ...]:
    """Read planned sites and find their fittings.

    Parameters
    ----------
    path : str or pathlib.Path
        Text file (comma, semicolon or tab; UTF-8) or any vector dataset.
    network : PipeNetwork
        The map.
    layer : str, optional
        Layer of a dataset that holds several.

    Returns
    -------
    tuple of PlannedSite
        In the order of the table; a site that is named twice for one setup counts once.

    Raises
    ------
    PlanError
        If there is no such file or layer, it names no fittings, or a row is at fault; all of them are named.
    RecordingError
        If the file cannot be read as a table.
    NetworkError
        If a fitting is unknown or too far from any main.

    Notes
    -----
    Columns: `fitting` or `asset_id`, or a point, or `lon` and `lat`; optional `logger`, `lead_m`, and
    `setup`, `start` or `setups` (several), by which the sites of several nights are told apart. Others are
    not used.
    """
    path = Path(path)
    if not path.exists():
        raise PlanError(str(path), found="no such file", remedy="check the name of the table of sites")
    if path.suffix.lower() in _TEXT_SUFFIXES:
        table, (columns, rows) = path.name, read_text_rows(path)
    else:
        table, columns, rows = read_layer_rows(path, layer=layer or _site_layer(path))
    return _sites(rows, columns, network=network, table=table)


def _site_layer(path: Path) -> str:
    """The layer with sites: the only one, one that is named so, or the only one with a column for them."""
    try:
        layers = [str(name) for name, _ in pyogrio.list_layers(path)]
    except (RuntimeError, OSError) as error:
        raise PlanError(
            path.name, found=f"cannot be read as a table ({error})", remedy="give a CSV or a GeoPackage"
        ) from error
    named = [name for name in layers if name.lower() in _LAYERS]
    telling = [name for name in layers if "fitting" in _columns(path, name)]
    for some in (layers, named, telling):
        if len(some) == 1:
            return some[0]
    raise PlanError(
        path.name,
        found=f"several layers ({', '.join(layers)})",
        remedy="keep the sites in a layer named sites, with a column fitting",
    )


def _columns(path: Path, layer: str) -> set[str]:
    return {column_name(field) for field in pyogrio.read_info(path, layer=layer)["fields"]}


def _sites(
    rows: Iterable[Row], columns: Sequence[str], *, network: PipeNetwork, table: str
) -> tuple[PlannedSite, ...]:
    name = next((column for column in FITTING_COLUMNS if column in columns), "")
    setup = next((column for column in SETUP_COLUMNS if column in columns), "")
    found: dict[tuple[str, str], PlannedSite] = {}
    problems: list[str] = []
    for number, cells in rows:
        try:
            fitting = _text(cells.get(name)) or _fitting_at(network, _place(cells))
            lead_m = _length(cells.get("lead_m"))
        except ValueError as error:
            problems.append(f"row {number}: {error}")
            continue
        network.node_of(fitting)
        logger = _text(cells.get("logger")) or fitting
        stated = _text(cells.get(setup))
        for night in _SEVERAL.split(stated) if setup == "setups" else [stated]:
            found.setdefault((night, fitting), PlannedSite(fitting, logger, lead_m, night))
    if problems:
        raise PlanError(table, found="; ".join(problems), remedy="correct these rows")
    if not found:
        raise PlanError(table, found="no sites", remedy="add one row for each fitting that gets a logger")
    return _with_own_names(tuple(found.values()))


def _with_own_names(sites: tuple[PlannedSite, ...]) -> tuple[PlannedSite, ...]:
    """Two sites of a setup cannot have one logger: both are then named by their fittings."""
    count: dict[tuple[str, str], int] = {}
    for site in sites:
        key = (site.setup, site.logger)
        count[key] = count.get(key, 0) + 1
    return tuple(
        PlannedSite(
            one.fitting,
            one.fitting if count[one.setup, one.logger] > 1 else one.logger,
            one.lead_m,
            one.setup,
        )
        for one in sites
    )


def _text(value: object) -> str:
    if isinstance(value, float) and value.is_integer():
        value = int(value)
    return "" if value is None else str(value).strip()


def _length(value: object) -> float:
    """Length of a lead, 0 where none is given. [m]"""
    text = _text(value)
    if not text:
        return 0.0
    try:
        length_m = float(text.replace(",", "."))
    except ValueError:
        raise ValueError(f"lead_m {text!r} is no number") from None
    if not (math.isfinite(length_m) and 0 <= length_m <= 50):
        raise ValueError(f"lead_m {text!r} is not from 0 to 50 m")
    return length_m


def _place(cells: object) -> tuple[float, float]:
    """Longitude and latitude of a row."""
    row = cast("dict[str, object]", cells)
    place = row.get(PLACE)
    if isinstance(place, tuple):
        return float(place[0]), float(place[1])
    if isinstance(place, str):
        raise ValueError(place)
    try:
        return float(_text(row.get("lon"))), float(_text(row.get("lat")))
    except ValueError:
        raise ValueError("neither a fitting nor a place") from None


def _fitting_at(network: PipeNetwork, lon_lat: tuple[float, float]) -> str:
    """Nearest fitting that sits on a main, near enough to a place."""
    fittings = network.fittings[network.fittings["node"] >= 0]
    x, y = Transformer.from_crs("EPSG:4326", network.crs, always_xy=True).transform(*lon_lat)
    if not len(fittings) or not (math.isfinite(x) and math.isfinite(y)):
        raise ValueError(f"place {lon_lat[0]:.6f}, {lon_lat[1]:.6f} cannot be set on the map")
    px, py = fittings.geometry.x.to_numpy(), fittings.geometry.y.to_numpy()
    far_m = geodesic_distances_m(np.full(px.size, x), np.full(px.size, y), px, py, network.crs)
    nearest = int(np.argmin(far_m))
    if far_m[nearest] > NEAREST_FITTING_M:
        raise ValueError(
            f"the nearest fitting, {fittings.index[nearest]}, is {far_m[nearest]:.0f} m from its place"
        )
    return str(fittings.index[nearest])

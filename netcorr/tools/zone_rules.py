"""The options about zones, read: the zone of every main."""

from __future__ import annotations

from typing import TYPE_CHECKING

from netcorr.tools.open_map import check_own_columns

if TYPE_CHECKING:
    from pathlib import Path

    from netcorr.planning.from_network import PlanningMap


def zone_names(
    mains: PlanningMap,
    source: Path,
    *,
    mapping: Path | None = None,
    zones: Path | None = None,
    zone_column: str | None = None,
) -> list[str] | None:
    """Zone of each edge, as the options say.

    Parameters
    ----------
    mains : PlanningMap
        Open mains.
    source : pathlib.Path
        What the network was read from.
    mapping : pathlib.Path, optional
        TOML file that says which of the source's layers and columns mean what.
    zones : pathlib.Path, optional
        Layer of polygons.
    zone_column : str, optional
        Column that names the zone: of the polygons, or without them of the source's mains.

    Returns
    -------
    list of str or None
        None when no zones were asked for.

    Raises
    ------
    LayerError
        If a file or column is at fault.
    UsageError
        If a column is asked for that a saved network does not have.
    """
    from netcorr.layers.areas import read_zones
    from netcorr.layers.own_columns import cell_text, one_column, read_own_columns
    from netcorr.planning.zones import zones_by_column, zones_by_polygon

    if zones is not None:
        return zones_by_polygon(mains, read_zones(zones, crs=mains.network.crs, column=zone_column))
    if zone_column is None:
        return None
    remedy = f"give the map that it was saved from: {mains.network.source}, or polygons with --zones"
    check_own_columns(source, "--zone-column", remedy=remedy)
    column = one_column(
        read_own_columns(source, "mains", mapping=mapping), zone_column, f"{source.name}, mains"
    )
    return zones_by_column(mains, {str(asset): cell_text(value) for asset, value in column.items()})

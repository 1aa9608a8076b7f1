"""The product of this folder: mains and fittings in one schema, whatever they were read from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from netcorr.errors import LayerError

if TYPE_CHECKING:
    import geopandas as gpd

#: Columns of `NetworkLayers.mains`, in order, beside `geometry` (single LineStrings).
MAINS_COLUMNS = (
    "asset_id",  # str, unique in the source
    "material",  # key of `netcorr.layers.vocabulary.MATERIALS`, or None when missing or not understood
    "material_text",  # str as found, or None
    "diameter_mm",  # nominal diameter [mm], NaN when unknown
    "wall_mm",  # wall thickness [mm], NaN when unknown
    "year",  # year laid, NaN when unknown
    "wave_speed_m_s",  # measured wave speed [m/s], NaN when unknown
    "length_m",  # length measured along the main [m], NaN when unknown
    "in_service",  # bool; a main out of service does not connect
)

#: Column of `NetworkLayers.mains` that may be missing: what of a main rests on an assumption, in words, such
#: as 'material grey cast iron from neighbours (3 of 4); diameter assumed 100 mm'; empty where nothing does.
ASSUMED = "assumed"
#: Column that may be missing too: what else the assumed values could be, see
#: `netcorr.layers.alternatives.CouldBe`.
COULD_BE = "could_be"

#: Columns of `NetworkLayers.fittings`, in order, beside `geometry` (Points).
FITTINGS_COLUMNS = (
    "asset_id",  # str, unique in the source
    "kind",  # 'valve', 'hydrant', 'meter', 'other'
    "is_open",  # bool; False only for a valve that is closed
)


@dataclass(frozen=True, eq=False)
class NetworkLayers:
    """Mains and fittings of one network, checked and in one CRS.

    Attributes
    ----------
    source : str
        Name of what was read, for messages.
    mains : geopandas.GeoDataFrame
        One row a line, columns `MAINS_COLUMNS`, geometry and, where read from a source, `ASSUMED` and
        `COULD_BE`.
    fittings : geopandas.GeoDataFrame
        One row a fitting, columns `FITTINGS_COLUMNS` and geometry, in the CRS of `mains`.
    notes : tuple of str
        What was inferred or assumed while reading, one sentence each.
    """

    source: str
    mains: gpd.GeoDataFrame
    fittings: gpd.GeoDataFrame
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name, frame, columns in (
            ("mains", self.mains, MAINS_COLUMNS),
            ("fittings", self.fittings, FITTINGS_COLUMNS),
        ):
            missing = [column for column in columns if column not in frame.columns]
            if missing:
                raise LayerError(
                    f"{self.source}, {name}",
                    found=f"columns {', '.join(missing)} are missing",
                    remedy="read the layers with read_network_layers",
                )
            if frame.crs is None:
                raise LayerError(
                    f"{self.source}, {name}", found="no CRS", remedy="state the CRS the layer was drawn in"
                )

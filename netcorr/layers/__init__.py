"""GIS files to checked layers: reading, column mapping, CRS."""

from netcorr.layers.alternatives import Alternative, CouldBe
from netcorr.layers.crs import geodesic_distances_m, geodesic_lengths_m, parse_crs
from netcorr.layers.infer import infer_mapping
from netcorr.layers.inspect import inspect_source
from netcorr.layers.mapping import FittingsMapping, LayerMapping, MainsMapping, read_mapping
from netcorr.layers.mapping_file import mapping_text, write_mapping
from netcorr.layers.network_layers import ASSUMED, COULD_BE, FITTINGS_COLUMNS, MAINS_COLUMNS, NetworkLayers
from netcorr.layers.read import read_network_layers
from netcorr.layers.source_summary import ColumnSummary, LayerSummary, SourceSummary, ValueCount
from netcorr.layers.sources import survey_source
from netcorr.layers.vocabulary import (
    KINDS,
    MATERIALS,
    ambiguous_material,
    diameter_mm_from_text,
    in_service_from_text,
    is_open_from_text,
    kind_from_text,
    material_from_text,
)

__all__ = [
    "ASSUMED",
    "COULD_BE",
    "FITTINGS_COLUMNS",
    "KINDS",
    "MAINS_COLUMNS",
    "MATERIALS",
    "Alternative",
    "ColumnSummary",
    "CouldBe",
    "FittingsMapping",
    "LayerMapping",
    "LayerSummary",
    "MainsMapping",
    "NetworkLayers",
    "SourceSummary",
    "ValueCount",
    "ambiguous_material",
    "diameter_mm_from_text",
    "geodesic_distances_m",
    "geodesic_lengths_m",
    "in_service_from_text",
    "infer_mapping",
    "inspect_source",
    "is_open_from_text",
    "kind_from_text",
    "mapping_text",
    "material_from_text",
    "parse_crs",
    "read_mapping",
    "read_network_layers",
    "survey_source",
    "write_mapping",
]

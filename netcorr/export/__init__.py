"""Results to files and pictures: the only place that writes results or draws."""

from importlib import import_module
from typing import TYPE_CHECKING

from netcorr.export.geopackage import write_result
from netcorr.export.made_from import Inputs
from netcorr.export.network_file import save_network
from netcorr.export.read_result import StoredResult, read_result
from netcorr.export.record import survey_dict
from netcorr.export.result_schema import RESULT_LAYERS
from netcorr.export.result_tables import result_tables
from netcorr.export.stored_schema import STORED_LAYERS
from netcorr.export.wgs84 import write_wgs84
from netcorr.export.words import survey_text

if TYPE_CHECKING:
    from netcorr.export.picture import draw_evidence, draw_map

__all__ = [
    "RESULT_LAYERS",
    "STORED_LAYERS",
    "Inputs",
    "StoredResult",
    "draw_evidence",
    "draw_map",
    "read_result",
    "result_tables",
    "save_network",
    "survey_dict",
    "survey_text",
    "write_result",
    "write_wgs84",
]


def __getattr__(name: str) -> object:
    """Load what draws only when it is asked for: it takes longer than everything else here."""
    if name in {"draw_evidence", "draw_map"}:
        return getattr(import_module("netcorr.export.picture"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

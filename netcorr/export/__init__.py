"""Results to files and pictures: the only place that writes results or draws."""

from importlib import import_module
from typing import TYPE_CHECKING

from netcorr.export.geopackage import write_result
from netcorr.export.made_from import Inputs
from netcorr.export.network_file import save_network
from netcorr.export.points import write_points
from netcorr.export.read_result import StoredResult, read_result
from netcorr.export.record import survey_dict
from netcorr.export.result_schema import RESULT_LAYERS
from netcorr.export.result_tables import result_tables
from netcorr.export.stored_schema import STORED_LAYERS
from netcorr.export.wgs84 import write_wgs84
from netcorr.export.words import survey_text

if TYPE_CHECKING:
    from netcorr.export.picture import draw_evidence, draw_map
    from netcorr.export.plots import plot_along, plot_spectra
    from netcorr.export.report import write_report

__all__ = [
    "RESULT_LAYERS",
    "STORED_LAYERS",
    "Inputs",
    "StoredResult",
    "draw_evidence",
    "draw_map",
    "plot_along",
    "plot_spectra",
    "read_result",
    "result_tables",
    "save_network",
    "survey_dict",
    "survey_text",
    "write_points",
    "write_report",
    "write_result",
    "write_wgs84",
]


_LATE = {
    "draw_evidence": "netcorr.export.picture",
    "draw_map": "netcorr.export.picture",
    "plot_along": "netcorr.export.plots",
    "plot_spectra": "netcorr.export.plots",
    "write_report": "netcorr.export.report",
}


def __getattr__(name: str) -> object:
    """Load what draws only when it is asked for: it takes longer than everything else here."""
    if name in _LATE:
        return getattr(import_module(_LATE[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")

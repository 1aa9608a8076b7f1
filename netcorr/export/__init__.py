"""Results to files and pictures: the only place that writes results or draws."""

from netcorr.export.geopackage import write_result
from netcorr.export.result_schema import RESULT_LAYERS
from netcorr.export.result_tables import result_tables

__all__ = ["RESULT_LAYERS", "result_tables", "write_result"]

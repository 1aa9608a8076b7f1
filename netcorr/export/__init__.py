"""Results to files and pictures: the only place that writes results or draws."""

from netcorr.export.geopackage import write_result
from netcorr.export.record import survey_dict
from netcorr.export.result_schema import RESULT_LAYERS
from netcorr.export.result_tables import result_tables
from netcorr.export.wgs84 import write_wgs84
from netcorr.export.words import survey_text

__all__ = ["RESULT_LAYERS", "result_tables", "survey_dict", "survey_text", "write_result", "write_wgs84"]

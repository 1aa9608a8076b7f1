"""The layers of a result and their columns: the one place that says what is in them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import geopandas as gpd
import numpy as np
import pandas as pd

from netcorr.export.plain_text import plain_text
from netcorr.verification.visit import VERIFICATIONS

if TYPE_CHECKING:
    import pyproj

#: Types of columns: what they become in a GeoPackage is TEXT, REAL, INTEGER, BOOLEAN, DATETIME and BLOB.
Kind = Literal["text", "real", "integer", "flag", "time", "bytes"]


@dataclass(frozen=True)
class Column:
    """One column: name (with its unit), type, and what it says.

    Attributes
    ----------
    name : str
        Name, with its unit.
    kind : Kind
        Type.
    meaning : str
        What it says.
    choices : tuple of str
        What a person chooses from; empty where anything goes.
    editable : bool
        Whether a crew fills it in; all else is locked.
    """

    name: str
    kind: Kind
    meaning: str
    choices: tuple[str, ...] = ()
    editable: bool = False

    @property
    def title(self) -> str:
        """Name for people, the unit in brackets.

        Examples
        --------
        >>> Column("from_a_m", "real", "").title, Column("pipe_id", "text", "").title
        ('From A [m]', 'Pipe ID')
        """
        words = self.name.split("_")
        unit = ""
        for ending, shown in _UNITS:
            if len(words) > len(ending) and tuple(words[-len(ending) :]) == ending:
                words, unit = words[: -len(ending)], f" [{shown}]"
                break
        named = " ".join(_SPELT.get(word, word) for word in words)
        return named[0].upper() + named[1:] + unit


#: Endings of names that are units, and how a person reads them.
_UNITS = (
    (("m", "s"), "m/s"),
    (("m2",), "m²"),
    *(((unit,), unit) for unit in ("m", "mm", "ms", "s", "ft")),
    (("hz",), "Hz"),
    (("deg",), "°"),
)
_SPELT = {"a": "A", "b": "B", "id": "ID", "ids": "IDs", "sd": "SD"}


@dataclass(frozen=True)
class ResultLayer:
    """One layer of a result.

    Attributes
    ----------
    name : str
        Name of the layer.
    geometry : str or None
        Geometry type, None for a table without geometry.
    title, description : str
        What a person reads about it.
    columns : tuple of Column
        In order, without the geometry.
    """

    name: str
    geometry: str | None
    title: str
    description: str
    columns: tuple[Column, ...]

    def table(self, rows: Iterable[Mapping[str, Any]], crs: pyproj.CRS | None) -> pd.DataFrame:
        """Rows as a typed table, also when there are none.

        Parameters
        ----------
        rows : iterable of mapping
            Values by column name, and `geometry` when the layer has one; what is left out is null.
        crs : pyproj.CRS or None
            CRS of the geometries; None for a layer without.

        Returns
        -------
        pandas.DataFrame or geopandas.GeoDataFrame
            Columns of this layer in order.
        """
        listed = list(rows)
        columns: dict[str, Any] = {
            column.name: _typed([row.get(column.name) for row in listed], column.kind)
            for column in self.columns
        }
        if self.geometry is None:
            return pd.DataFrame(columns)
        shapes = gpd.GeoSeries([row.get("geometry") for row in listed], crs=crs)
        table: pd.DataFrame = gpd.GeoDataFrame(columns, geometry=shapes, crs=crs)
        return table

    def typed(self, table: pd.DataFrame) -> pd.DataFrame:
        """Table as read from a file, with the types and the order of this layer's columns.

        Parameters
        ----------
        table : pandas.DataFrame or geopandas.GeoDataFrame
            With all columns of this layer.

        Returns
        -------
        pandas.DataFrame or geopandas.GeoDataFrame
            Columns of this layer in order.

        Raises
        ------
        KeyError
            If a column is missing.
        """
        plain = table[[column.name for column in self.columns]].astype(object)
        columns = {str(name): values.where(values.notna(), None).tolist() for name, values in plain.items()}
        if self.geometry is not None:
            columns["geometry"] = list(table.geometry)
        rows = (dict(zip(columns, row, strict=True)) for row in zip(*columns.values(), strict=True))
        return self.table(rows, getattr(table, "crs", None))


def _typed(values: list[Any], kind: Kind) -> pd.Series[Any]:
    if kind == "text":
        cleaned = [None if value is None else plain_text(value) for value in values]
        return pd.Series(cleaned, dtype=object)
    if kind == "real":
        numbers = np.array([np.nan if value is None else value for value in values], dtype=float)
        return pd.Series(np.where(np.isfinite(numbers), numbers, np.nan), dtype=float)
    if kind == "integer":
        return pd.Series([pd.NA if value is None else int(value) for value in values], dtype="Int32")
    if kind == "flag":
        return pd.Series([bool(value) for value in values], dtype=bool)
    return pd.Series(pd.to_datetime(values, utc=True)).astype("datetime64[ms, UTC]")


#: What a crew records at a candidate; everything else is locked.
FIELD_COLUMNS = (
    Column("verification", "text", "What the ground said", VERIFICATIONS, editable=True),
    Column(
        "offset_m",
        "real",
        "Where the leak was, from the point along the main: + towards sensor B, - towards sensor A [m]",
        editable=True,
    ),
    Column(
        "offset_ft",
        "real",
        "The same in decimal feet, for a tape in feet; give one of the two",
        editable=True,
    ),
    Column("depth_m", "real", "Depth of the leak below the ground [m]", editable=True),
    Column("depth_ft", "real", "The same in decimal feet; give one of the two", editable=True),
    Column("visited", "time", "When it was seen (UTC)", editable=True),
    Column("crew", "text", "Who was there", editable=True),
    Column("photo", "text", "Photo of the place: a path, relative to this file", editable=True),
    Column("field_note", "text", "Anything else", editable=True),
)

LEAK_CANDIDATES = ResultLayer(
    "leak_candidates",
    "Point",
    "Leak candidates",
    "Most probable position of each leak that may be there. Never dig on this alone: see caution.",
    (
        Column("name", "text", "Rank and probability, for the label on a map"),
        Column("candidate_id", "text", "Identity of the candidate (UUID), the same in uncertainty_areas"),
        Column("rank", "integer", "1 is the most probable of the survey"),
        Column("probability", "real", "Probability that a leak lies in the candidate's area, 0 to 1"),
        Column("in_bracket", "flag", "False: the noise comes from at or beyond a sensor, do not dig here"),
        Column("outcome", "text", "between, at or beyond A, at or beyond B"),
        Column("sensor_a", "text", "Fitting at which the path starts"),
        Column("sensor_b", "text", "Fitting at which the path ends"),
        Column("from_a_m", "real", "Distance from sensor_a along the main [m]"),
        Column("from_b_m", "real", "Distance from sensor_b along the main [m]"),
        Column("low_m", "real", "Start of the 95 % stretch, from sensor_a along the main [m]"),
        Column("high_m", "real", "End of the 95 % stretch, from sensor_a along the main [m]"),
        Column("sd_m", "real", "Standard deviation of the position along the main [m]"),
        Column("delay_ms", "real", "Arrival at B minus arrival at A, on which the rounds agree [ms]"),
        Column("pipe_id", "text", "Main under the point"),
        Column("material", "text", "Its material"),
        Column("diameter_mm", "real", "Its nominal diameter [mm]"),
        Column("speed_m_s", "real", "Wave speed in it [m/s]"),
        Column("rounds_used", "integer", "Rounds of recordings that carry the evidence"),
        Column("recorded", "time", "Start of the first round of the survey (UTC)"),
        Column("directions", "text", "How to measure to the point from either fitting, and where to search"),
        Column("coordinates", "text", "Latitude and longitude (WGS 84), and the coordinates of the map"),
        Column("note", "text", "What a crew should know"),
        Column("caution", "text", "Read before anyone is sent to this place"),
        *FIELD_COLUMNS,
    ),
)

UNCERTAINTY_AREAS = ResultLayer(
    "uncertainty_areas",
    "MultiPolygon",
    "Areas to search",
    "Pipes that the leak may lie on, widened by the accuracy of the map.",
    (
        Column("candidate_id", "text", "Candidate that this area belongs to"),
        Column("level", "real", "Probability that the stretch on the main was made for"),
        Column("part", "text", "main, side branch (cannot be told from the main) or beyond sensor"),
        Column("pipe_ids", "text", "Mains of a side branch or beyond a sensor"),
        Column("from_a_m", "real", "Where the stretch starts or the branch leaves, from sensor_a [m]"),
        Column("length_m", "real", "Length of pipe in the area [m]"),
        Column("area_m2", "real", "Size on the ground [m2]"),
        Column("widened_m", "real", "Ground added on either side of the pipe for the map's accuracy [m]"),
    ),
)

LEAK_LIKELIHOOD = ResultLayer(
    "leak_likelihood",
    "LineString",
    "Likelihood along the mains",
    "How probable a leak is along every main within reach, by all pairs together.",
    (
        Column("pipe_id", "text", "Main"),
        Column("from_m", "real", "Where the stretch starts, from the beginning of the piece of main [m]"),
        Column("to_m", "real", "Where it ends [m]"),
        Column("length_m", "real", "Its length [m]"),
        Column("probability", "real", "Probability that a leak lies on the stretch, 0 to 1"),
        Column("probability_per_m", "real", "The same for each metre of main: colour by this"),
        Column(
            "told_apart", "flag", "False: no two loggers have it between them, so places on it look alike"
        ),
    ),
)

CORRELATION_PATHS = ResultLayer(
    "correlation_paths",
    "LineString",
    "Paths between sensors",
    "The run of pipe between each two sensors, and what that pair says.",
    (
        Column("sensor_a", "text", "Fitting at which the path starts"),
        Column("sensor_b", "text", "Fitting at which the path ends"),
        Column("logger_a", "text", "Logger at sensor_a"),
        Column("logger_b", "text", "Logger at sensor_b"),
        Column("length_m", "real", "Length of main between the fittings, without leads [m]"),
        Column("lead_a_m", "real", "Pipe between the main and the contact at sensor_a [m]"),
        Column("lead_b_m", "real", "Pipe between the main and the contact at sensor_b [m]"),
        Column("travel_time_ms", "real", "Travel time from contact to contact, leads included [ms]"),
        Column("materials", "text", "Pipes from A to B: length, material, diameter"),
        Column("pipe_ids", "text", "Mains from A to B"),
        Column("second_length_m", "real", "Next shortest way by pipe, when near enough to matter [m]"),
        Column("outcome", "text", "between, at or beyond A, at or beyond B, no leak heard, nothing learnt"),
        Column("probability_between", "real", "Probability of a leak between the sensors, 0 to 1"),
        Column("probability_beyond_a", "real", "Probability of noise from at or beyond sensor_a, 0 to 1"),
        Column("probability_beyond_b", "real", "Probability of noise from at or beyond sensor_b, 0 to 1"),
        Column("probability_none", "real", "Probability that no common noise was heard, 0 to 1"),
        Column("sd_speed_m", "real", "Part of the position's deviation due to wave speed [m]"),
        Column("sd_length_m", "real", "Part due to the map's lengths [m]"),
        Column("sd_clock_m", "real", "Part due to the clocks [m]"),
        Column("sd_delay_m", "real", "Part due to noise in the recordings [m]"),
        Column("sd_model_m", "real", "Part kept for what the model does not know [m]"),
        Column("note", "text", "Assumptions and doubts that the answer rests on"),
    ),
)

SENSORS = ResultLayer(
    "sensors",
    "Point",
    "Sensors",
    "Where each logger stood and how good its recordings are.",
    (
        Column("logger", "text", "Name of the logger"),
        Column("fitting", "text", "Fitting that it stood on"),
        Column("kind", "text", "valve, hydrant, meter or other"),
        Column("lead_m", "real", "Pipe between the main and the point of contact [m]"),
        Column("recordings_used", "integer", "Recordings that were used"),
        Column("recordings_rejected", "integer", "Recordings that were rejected"),
        Column("quality", "text", "Quality of the recording in each round"),
    ),
)

PAIR_ROUNDS = ResultLayer(
    "pair_rounds",
    None,
    "Evidence by pair and round",
    "One row for each pair and round, one for each pair left out and for each recording rejected.",
    (
        Column("logger_a", "text", "Logger at sensor_a"),
        Column("logger_b", "text", "Logger at sensor_b; empty for a rejected recording"),
        Column("sensor_a", "text", "Fitting of logger_a"),
        Column("sensor_b", "text", "Fitting of logger_b"),
        Column("round", "integer", "Round of the survey"),
        Column("start", "time", "Start of the round (UTC)"),
        Column("status", "text", "used, no evidence, left out or rejected"),
        Column("duration_s", "real", "Common record used [s]"),
        Column("delay_ms", "real", "Arrival at B minus arrival at A [ms]"),
        Column("standard_error_ms", "real", "Standard error of the delay from the recordings alone [ms]"),
        Column("second_opinion_ms", "real", "Delay by plain correlation of the cleaned recordings [ms]"),
        Column("coherence", "real", "Coherence in the band, 0 to 1"),
        Column("band_low_hz", "real", "Band that carries the evidence, from [Hz]"),
        Column("band_high_hz", "real", "Band that carries the evidence, to [Hz]"),
        Column("significance", "real", "Probability that noise alone would give so high a peak"),
        Column("rejected", "text", "Sound file that was rejected"),
        Column("reason", "text", "Why it was rejected or left out, or why there is no evidence"),
        Column("note", "text", "What was removed, bounded or disagrees"),
    ),
)

#: Every layer of a result, in the order in which they are written.
RESULT_LAYERS = (
    LEAK_CANDIDATES,
    UNCERTAINTY_AREAS,
    LEAK_LIKELIHOOD,
    CORRELATION_PATHS,
    SENSORS,
    PAIR_ROUNDS,
)

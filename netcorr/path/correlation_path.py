"""The product of this folder: the run of pipe between two sensors."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from netcorr.errors import PathError

if TYPE_CHECKING:
    import pyproj
    from shapely import LineString

    from netcorr.network import CouldBe


@dataclass(frozen=True, eq=False)
class PathSegment:
    """One piece of one main on the path, drawn in the direction from A to B.

    Attributes
    ----------
    pipe_id : str
        Asset id of the source main.
    material : str or None
        Key of the material vocabulary.
    material_text : str or None
        Material as found in the source.
    diameter_mm, wall_mm, year, wave_speed_m_s : float
        As on the network's edge; NaN when unknown.
    length_m : float
        Ground length, scaled to the measured length where one is given. [m]
    geometry : shapely.LineString
        In the network's CRS, from A towards B.
    from_node, to_node : int
        Nodes of the network graph at its ends, in the direction from A to B.
    assumed : str
        What of its attributes is an assumption, in words; '' where nothing is.
    could_be : tuple of Alternative or None
        What else the assumed ones could be; None where nobody said how surely they are right.
    """

    pipe_id: str
    material: str | None
    material_text: str | None
    diameter_mm: float
    wall_mm: float
    year: float
    wave_speed_m_s: float
    length_m: float
    geometry: LineString
    from_node: int
    to_node: int
    assumed: str = ""
    could_be: CouldBe = None

    def __post_init__(self) -> None:
        if not (math.isfinite(self.length_m) and self.length_m > 0):
            raise PathError(
                f"pipe {self.pipe_id}",
                found=f"length {self.length_m} m",
                remedy="a pipe on a path needs a positive length; repair it on the map",
            )


@dataclass(frozen=True, eq=False)
class CorrelationPath:
    """The shortest hydraulic path between two sensor fittings.

    Distances along it are ground lengths from the point of the main at which A's fitting sits
    (0) to that of B's (`length_m`); the leads lie outside that range.

    Attributes
    ----------
    sensor_a, sensor_b : str
        Asset ids of the fittings.
    segments : tuple of PathSegment
        From A to B.
    lead_a_m, lead_b_m : float
        Pipe between the main and the point of contact, at either end. [m]
    crs : pyproj.CRS
        CRS of the geometries.
    second_length_m : float or None
        Length of the next shortest path that does not share all pipes, when it is near enough to
        be an ambiguity. [m]
    """

    sensor_a: str
    sensor_b: str
    segments: tuple[PathSegment, ...]
    crs: pyproj.CRS
    lead_a_m: float = 0.0
    lead_b_m: float = 0.0
    second_length_m: float | None = None

    def __post_init__(self) -> None:
        for end, lead_m in ((self.sensor_a, self.lead_a_m), (self.sensor_b, self.lead_b_m)):
            if not (math.isfinite(lead_m) and lead_m >= 0):
                raise PathError(
                    f"fitting {end}",
                    found=f"lead of {lead_m} m",
                    remedy="give lead_m as 0 or a positive length",
                )
        if not self.segments:
            raise PathError(
                f"path {self.sensor_a} to {self.sensor_b}",
                found="no pipe between the two fittings",
                remedy="choose two fittings at different places",
            )

    @property
    def length_m(self) -> float:
        """Length of main between the two fittings, without the leads. [m]"""
        return math.fsum(segment.length_m for segment in self.segments)

    def reversed(self) -> CorrelationPath:
        """Return the same path from B to A."""
        turned = tuple(
            replace(s, geometry=s.geometry.reverse(), from_node=s.to_node, to_node=s.from_node)
            for s in reversed(self.segments)
        )
        return replace(
            self,
            sensor_a=self.sensor_b,
            sensor_b=self.sensor_a,
            segments=turned,
            lead_a_m=self.lead_b_m,
            lead_b_m=self.lead_a_m,
        )

"""Drawing a random street as map layers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

import geopandas as gpd
import numpy as np
from shapely import LineString, Point

from netcorr.layers.network_layers import NetworkLayers

#: Kinds of pipe between the loggers.
MaterialMix = Literal["metal", "mixed", "plastic"]

#: UTM zone 28 north; the streets lie in the open Atlantic near 47 N 17 W, where there is no town.
STREET_CRS = "EPSG:32628"
_ORIGIN = (350_000.0, 5_205_000.0)

#: Nominal bores [mm] and years of the mains that are drawn, by material. Invented, but usual sizes.
_PIPES: dict[str, tuple[tuple[float, ...], tuple[int, int]]] = {
    "grey_iron": ((100.0, 150.0, 200.0, 300.0), (1900, 1958)),
    "ductile_iron": ((100.0, 150.0, 200.0, 300.0), (1966, 2015)),
    "steel": ((150.0, 200.0, 300.0), (1930, 1990)),
    "asbestos_cement": ((100.0, 150.0, 200.0), (1945, 1978)),
    "pvc": ((90.0, 110.0, 160.0, 225.0), (1970, 2015)),
    "pe80": ((90.0, 110.0, 160.0), (1980, 2005)),
    "pe100": ((90.0, 110.0, 160.0, 225.0), (1995, 2022)),
}
_FAMILIES: dict[str, tuple[str, ...]] = {
    "metal": ("grey_iron", "ductile_iron", "steel"),
    "cement": ("asbestos_cement",),
    "plastic": ("pvc", "pe80", "pe100"),
}
#: No limit to the bore. [mm]
_ANY_BORE_MM = (0.0, math.inf)
#: Along a main the bore changes by no more than this factor from piece to piece; a branch is no larger than
#: its main, but for the share of those that join it to a larger one (common practice; shares by judgement).
_STEP = 1.55
_LARGER_BRANCHES = 0.15
#: Nothing else sits nearer to a logger or to another tee. [m]
_APART_M = 5.0


@dataclass(frozen=True, eq=False)
class Street:
    """A street on the map, fittings A and B, and the leads between them and the main."""

    layers: NetworkLayers
    leads_m: tuple[float, float]


def draw_street(rng: np.random.Generator, *, material_mix: MaterialMix, length_m: float) -> Street:
    """Draw the main from beyond A to beyond B, its branches and fittings.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    material_mix : {'metal', 'mixed', 'plastic'}
        Kinds of pipe between the loggers.
    length_m : float
        Length of main between them, on the plane of the map. [m]

    Returns
    -------
    Street
        Map layers with fittings 'A' and 'B'.
    """
    begin_m, end_m = -_onward(rng), length_m + _onward(rng)
    line = _CentreLine.draw(rng, begin_m, end_m, length_m)
    tees_m = _spread(rng, int(rng.integers(1, 5)), length_m)
    joints_m = _spread(rng, int(rng.integers(0, 4)), length_m)
    if material_mix == "mixed" and not joints_m:
        joints_m = [float(rng.uniform(0.25, 0.75)) * length_m]
    mains = _main_rows(rng, line, [begin_m, *joints_m, end_m], [0.0, length_m, *tees_m], material_mix)
    for tee_m in [*tees_m, *_tees_beyond(rng, begin_m, end_m, length_m)]:
        piece = int(np.searchsorted(joints_m, tee_m))
        main_mm = float(mains[piece]["diameter_mm"])
        mains.append(_branch_row(rng, line, tee_m, len(mains), material_mix=material_mix, main_mm=main_mm))
    leads_m = (_lead(rng), _lead(rng))
    fittings = [
        {"asset_id": name, "kind": "hydrant" if lead_m else "valve", "is_open": True, "geometry": place}
        for name, lead_m, place in zip(
            "AB", leads_m, (line.beside(0.0, rng), line.beside(length_m, rng)), strict=True
        )
    ]
    layers = NetworkLayers(
        "random street",
        gpd.GeoDataFrame(mains, geometry="geometry", crs=STREET_CRS),
        gpd.GeoDataFrame(fittings, geometry="geometry", crs=STREET_CRS),
    )
    return Street(layers, leads_m)


@dataclass(frozen=True)
class _CentreLine:
    """The main as stations (0 at A) with a heading from each."""

    stations_m: tuple[float, ...]
    headings: tuple[float, ...]

    @classmethod
    def draw(cls, rng: np.random.Generator, begin_m: float, end_m: float, length_m: float) -> _CentreLine:
        bends = sorted(float(s) for s in rng.uniform(begin_m + 10, end_m - 10, int(rng.integers(0, 4))))
        bends = [s for s in bends if min(abs(s), abs(s - length_m)) > 1.0]
        turns = [float(rng.choice([-1, 1]) * rng.uniform(0.1, 1.2)) for _ in bends]
        heading = float(rng.uniform(0, 2 * math.pi))
        return cls((begin_m, *bends), tuple(heading + sum(turns[:i]) for i in range(len(bends) + 1)))

    def at(self, station_m: float) -> tuple[float, float]:
        x, y = _ORIGIN
        for i, start_m in enumerate(self.stations_m):
            last = i + 1 == len(self.stations_m)
            stop_m = station_m if last else min(station_m, self.stations_m[i + 1])
            x += max(stop_m - start_m, 0.0) * math.cos(self.headings[i])
            y += max(stop_m - start_m, 0.0) * math.sin(self.headings[i])
        return x, y

    def heading(self, station_m: float) -> float:
        return self.headings[sum(s <= station_m for s in self.stations_m[1:])]

    def beside(self, station_m: float, rng: np.random.Generator) -> Point:
        """A point as a fitting is drawn: up to 0.3 m off the main."""
        x, y = self.at(station_m)
        across = self.heading(station_m) + math.pi / 2
        off_m = float(rng.uniform(-0.3, 0.3))
        return Point(x + off_m * math.cos(across), y + off_m * math.sin(across))


def _spread(rng: np.random.Generator, count: int, length_m: float) -> list[float]:
    """Up to `count` stations between the loggers, apart from them and from each other."""
    chosen: list[float] = []
    for station_m in rng.uniform(_APART_M, length_m - _APART_M, count):
        if all(abs(station_m - other_m) >= _APART_M for other_m in chosen):
            chosen.append(float(station_m))
    return sorted(chosen)


def _tees_beyond(rng: np.random.Generator, begin_m: float, end_m: float, length_m: float) -> list[float]:
    """At most one tee beyond either logger."""
    before, after = float(rng.uniform(begin_m, -8.0)), float(rng.uniform(length_m + 8.0, end_m))
    return [s for s, there in ((before, rng.random() < 0.7), (after, rng.random() < 0.7)) if there]


def _onward(rng: np.random.Generator) -> float:
    """How far the main goes on: mostly out of reach, as in a town, else to a dead end."""
    return float(rng.uniform(320, 420) if rng.random() < 0.8 else rng.uniform(40, 150))


def _lead(rng: np.random.Generator) -> float:
    """No lead at a valve, a metre or two at a hydrant."""
    return float(np.round(rng.uniform(0.5, 2.5), 1)) if rng.random() < 0.5 else 0.0


def _main_rows(
    rng: np.random.Generator,
    line: _CentreLine,
    joints_m: list[float],
    points_m: list[float],
    material_mix: MaterialMix,
) -> list[dict[str, Any]]:
    """Pieces of the main, drawn straight through their tees."""
    families = _families(rng, material_mix, len(joints_m) - 1)
    alike = bool(rng.random() < 0.5) and material_mix != "mixed"
    rows: list[dict[str, Any]] = []
    for i, family in enumerate(families):
        start_m, stop_m = joints_m[i], joints_m[i + 1]
        inside = {s for s in (*points_m, *line.stations_m) if start_m < s < stop_m}
        drawn = LineString([line.at(s) for s in sorted({start_m, stop_m, *inside})])
        like = rows[0] if alike and rows else None
        before_mm = rows[-1]["diameter_mm"] if rows else None
        bores_mm = (before_mm / _STEP, before_mm * _STEP) if before_mm else _ANY_BORE_MM
        rows.append(_row(rng, f"M{i + 1}", family, drawn, bores_mm=bores_mm, like=like))
    return rows


def _families(rng: np.random.Generator, material_mix: MaterialMix, count: int) -> list[str]:
    """Family of each piece; in a mixed street no two neighbours are alike."""
    if material_mix != "mixed":
        return [material_mix] * count
    names = list(_FAMILIES)
    chosen = [str(rng.choice(names))]
    while len(chosen) < count:
        chosen.append(str(rng.choice([name for name in names if name != chosen[-1]])))
    return chosen


def _branch_row(
    rng: np.random.Generator,
    line: _CentreLine,
    tee_m: float,
    count: int,
    *,
    material_mix: MaterialMix,
    main_mm: float,
) -> dict[str, Any]:
    """A side street: a dead end, or long enough to go on out of reach."""
    x, y = line.at(tee_m)
    side = math.pi / 2 * float(rng.choice([-1, 1])) + float(rng.uniform(-0.3, 0.3))
    heading = line.heading(tee_m) + side
    length_m = float(rng.uniform(8, 90) if rng.random() < 0.6 else rng.uniform(120, 400))
    drawn = LineString([(x, y), (x + length_m * math.cos(heading), y + length_m * math.sin(heading))])
    family = str(rng.choice(list(_FAMILIES))) if material_mix == "mixed" else material_mix
    largest_mm = main_mm * (_STEP if rng.random() < _LARGER_BRANCHES else 1.0)
    return _row(rng, f"S{count}", family, drawn, bores_mm=(0.0, largest_mm))


def _row(
    rng: np.random.Generator,
    asset_id: str,
    family: str,
    geometry: LineString,
    *,
    bores_mm: tuple[float, float],
    like: dict[str, Any] | None = None,
) -> dict[str, Any]:
    material = like["material"] if like else str(rng.choice(_FAMILIES[family]))
    sizes_mm, years = _PIPES[material]
    fitting_mm = [size for size in sizes_mm if bores_mm[0] <= size <= bores_mm[1]] or [
        min(sizes_mm, key=lambda size: abs(size - bores_mm[1]))
    ]
    return {
        "asset_id": asset_id,
        "material": material,
        "material_text": material,
        "diameter_mm": like["diameter_mm"] if like else float(rng.choice(fitting_mm)),
        "wall_mm": math.nan,
        "year": like["year"] if like else float(rng.integers(*years)),
        "wave_speed_m_s": math.nan,
        "length_m": math.nan,
        "in_service": True,
        "geometry": geometry,
    }

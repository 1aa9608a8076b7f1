"""The map of the invented town of Kelmarrow, drawn by hand as streets and turned into mains and fittings.

The town is no place: its coordinates lie in the open Atlantic (UTM zone 28 north, near 17 degrees west and
47 degrees north), its streets and names are invented, and the defects are those that real maps have.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import numpy as np
from shapely import LineString, Point
from shapely.affinity import rotate, translate

CRS = "EPSG:32628"
ORIGIN = (348_400.0, 5_207_300.0)
TURN_DEGREES = 17.0

XY = tuple[float, float]


@dataclass(frozen=True)
class Street:
    """Main under one street; where streets share a point there is a joint, and a new asset begins."""

    name: str
    material: str
    diameter_mm: float
    year: int
    points: tuple[XY, ...]


# Joints of the old town, row by row from the quay, west to east.
A0, A1, A2, A3, A4 = (0.0, 0.0), (97.0, -6.0), (188.0, 3.0), (292.0, -2.0), (384.0, 9.0)
B0, B1, B2, B3, B4 = (-6.0, 84.0), (92.0, 79.0), (183.0, 88.0), (296.0, 82.0), (379.0, 91.0)
C0, C1, C2, C3, C4 = (4.0, 171.0), (99.0, 163.0), (190.0, 176.0), (288.0, 169.0), (386.0, 174.0)
D1, D2, D3 = (94.0, 246.0), (186.0, 251.0), (293.0, 240.0)
# Joints further out.
E1, E2, E3 = (521.0, 97.0), (662.0, 131.0), (779.0, 192.0)
F1, F2, F3 = (503.0, 204.0), (621.0, 252.0), (741.0, 301.0)
N1, N2, N3 = (203.0, 362.0), (191.0, 483.0), (232.0, 604.0)
S1, S2, S3 = (334.0, 371.0), (363.0, 502.0), (402.0, 622.0)
H1, H2, H3 = (482.0, 522.0), (601.0, 541.0), (703.0, 518.0)
W1, W2 = (-122.0, 72.0), (-241.0, 92.0)
R1, R2 = (-182.0, 641.0), (-302.0, 762.0)

IRON, DUCTILE, CEMENT = "grey cast iron", "ductile iron", "asbestos cement"
STREETS = (
    # the old town, 1924 to 1931
    Street("Quay Street", IRON, 150, 1924, (A0, A1, A2, A3, A4)),
    Street("Lantern Street", IRON, 150, 1926, (B0, B1, (139.0, 85.0), B2, B3, B4)),
    Street("Market Walk", IRON, 200, 1924, (C0, C1, C2, C3, C4)),
    Street("Bellfounder Street", IRON, 200, 1931, (D1, D2, (243.0, 249.0), D3)),
    Street("Ropery Lane", IRON, 100, 1926, (A0, B0, C0)),
    Street("Cooper's Lane", IRON, 100, 1926, (A1, B1, C1, D1)),
    Street("Chandler Street", IRON, 100, 1928, (A2, B2, C2, D2)),
    Street("Tidewell Lane", IRON, 100, 1928, (A3, B3, C3, D3)),
    Street("Harbour Hill", IRON, 150, 1931, (A4, B4, C4)),
    Street("North Mole", DUCTILE, 150, 1983, (A2, (193.0, -88.0), (232.0, -181.0))),
    Street("South Mole", DUCTILE, 150, 1983, (A4, (431.0, -79.0), (522.0, -118.0), (580.0, -180.0))),
    # the eastern streets, 1972 to 1978
    Street(
        "Fernbank Avenue", DUCTILE, 150, 1974, (B4, (447.0, 84.0), E1, (592.0, 109.0), E2, (731.0, 158.0), E3)
    ),
    Street("Orchard Rise", DUCTILE, 150, 1976, (C4, F1, (566.0, 223.0), F2, (690.0, 288.0), F3)),
    Street("Alder Road", DUCTILE, 100, 1976, (E1, F1)),
    Street("Medlar Road", DUCTILE, 100, 1976, (E2, (651.0, 190.0), F2)),
    Street("Quince Road", DUCTILE, 100, 1978, (E3, F3)),
    Street("Alder Close", DUCTILE, 80, 1977, (E1, (538.0, 26.0), (571.0, -8.0))),
    Street("Medlar Close", DUCTILE, 80, 1977, (E2, (684.0, 62.0), (676.0, 14.0))),
    Street("Damson Close", DUCTILE, 80, 1978, (F2, (603.0, 331.0))),
    # the northern streets, 1956 to 1962
    Street(
        "Windmill Road", CEMENT, 150, 1956, (D2, N1, N2, (204.0, 548.0), N3, (263.0, 763.0), (241.0, 905.0))
    ),
    Street("Saltpan Road", CEMENT, 150, 1958, (D3, (322.0, 311.0), S1, S2, S3)),
    Street("Sailmaker Road", CEMENT, 100, 1958, (N1, S1)),
    Street("Capstan Road", CEMENT, 100, 1962, (N2, S2)),
    Street("Mill Lane", CEMENT, 100, 1962, (N3, S3)),
    Street("Cliff Road", CEMENT, 100, 1961, (R1, (-321.0, 602.0), (-447.0, 561.0), (-562.0, 603.0))),
    # the north-eastern estate, 1994
    Street("Heron Way", "PVC", 160, 1994, (S2, (431.0, 509.0), H1, (540.0, 537.0), H2, H3)),
    Street("Avocet Way", "PVC", 110, 1995, (H1, (489.0, 590.0), (509.0, 651.0), (617.0, 643.0), H2)),
    Street("Teal Close", "PVC", 90, 1995, (H1, (497.0, 431.0))),
    Street("Plover Close", "PVC", 90, 1995, ((509.0, 651.0), (492.0, 741.0))),
    Street("Curlew Close", "PVC", 90, 1996, ((617.0, 643.0), (671.0, 702.0), (667.0, 760.0))),
    Street("Heron Link", "PVC", 160, 1996, (F3, (727.0, 409.0), H3)),
    Street("Dunlin Close", "PVC", 90, 1996, (H3, (801.0, 547.0))),
    # the western estate, 2014 to 2016
    Street("Saltmarsh Way", "PE100", 160, 2014, (B0, W1, W2, (-343.0, 61.0), (-452.0, 74.0))),
    Street("Glasswort Way", "PE100", 110, 2015, (W2, (-219.0, 203.0), (-111.0, 232.0), C0)),
    Street("Sedge Close", "PE100", 90, 2015, (W1, (-131.0, -17.0))),
    Street("Rush Close", "PE100", 90, 2015, (W2, (-262.0, 9.0))),
    Street("Samphire Close", "PE100", 90, 2016, ((-219.0, 203.0), (-318.0, 221.0))),
    # the trunk from the reservoir, and the road to the lighthouse
    Street("Reservoir Road", "steel", 400, 1968, (R2, R1, (-63.0, 502.0), (38.0, 379.0), D1)),
    Street("Lighthouse Road", "PE80", 90, 1998, (E3, (901.0, 161.0), (1049.0, 173.0), (1203.0, 142.0))),
)
#: Street and point where a main is drawn straight through its tee, as in the original field sheet.
DRAWN_THROUGH = {("Quay Street", A2), ("Market Walk", C2)}


def draw_town() -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Mains and fittings as the utility would hand them over, defects included.

    Returns
    -------
    (GeoDataFrame, GeoDataFrame)
        Mains and fittings in `CRS`, with plain column names.
    """
    rows = [row for street in STREETS for row in _assets(street)]
    rows = [row | {"asset_id": f"M{number:03d}"} for number, row in enumerate(rows, start=101)]
    _repair(rows, street="Saltpan Road", near=S2)
    fittings = _fittings(rows)
    _add_defects(rows, fittings)
    mains = gpd.GeoDataFrame(rows, geometry=[_place(row.pop("geometry")) for row in rows], crs=CRS)
    table = gpd.GeoDataFrame(fittings, geometry=[_place(row.pop("geometry")) for row in fittings], crs=CRS)
    columns = ["asset_id", "street", "material", "diameter_mm", "year", "status", "length_m", "geometry"]
    return mains[columns], table[["asset_id", "kind", "status", "geometry"]]


def _place(shape: Any) -> Any:
    """Local metres to the map: turned, so that no street runs along a grid line, and to the centimetre."""
    turned = translate(rotate(shape, TURN_DEGREES, origin=(0, 0)), *ORIGIN)
    points = np.round(np.array(turned.coords), 2)
    return Point(points[0]) if isinstance(shape, Point) else LineString(points)


def _assets(street: Street) -> list[dict[str, Any]]:
    """One row from joint to joint."""
    uses = Counter(point for other in STREETS for point in other.points)
    pieces: list[list[XY]] = [[street.points[0]]]
    for point in street.points[1:]:
        pieces[-1].append(point)
        joint = uses[point] > 1 and (street.name, point) not in DRAWN_THROUGH
        if joint and point != street.points[-1]:
            pieces.append([point])
    return [_main(street, LineString(piece)) for piece in pieces]


def _main(street: Street, geometry: LineString) -> dict[str, Any]:
    return {
        "street": street.name,
        "material": street.material,
        "diameter_mm": float(street.diameter_mm),
        "year": street.year,
        "status": "in use",
        "length_m": math.nan,
        "geometry": geometry,
    }


def _repair(rows: list[dict[str, Any]], *, street: str, near: XY) -> None:
    """Put a short ductile-iron piece into an old main that burst in 2017, 38 m before a joint."""
    index = next(
        i for i, row in enumerate(rows) if row["street"] == street and row["geometry"].coords[-1] == near
    )
    old = rows[index]
    line = old["geometry"]
    cuts = [0.0, line.length - 38.0, line.length - 29.0, line.length]
    parts = [LineString([line.interpolate(a), line.interpolate(b)]) for a, b in itertools.pairwise(cuts)]
    new = {"material": DUCTILE, "diameter_mm": 150.0, "year": 2017, "asset_id": f"{old['asset_id']}R"}
    rows[index : index + 1] = [
        old | {"geometry": parts[0], "asset_id": f"{old['asset_id']}a"},
        old | new | {"geometry": parts[1]},
        old | {"geometry": parts[2], "asset_id": f"{old['asset_id']}b"},
    ]


def _fittings(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Valves near the joints, hydrants a lead away from the main every hundred metres or so."""
    rng = np.random.default_rng(1926)
    fittings: list[dict[str, Any]] = []
    counts = Counter[str]()
    for row in rows:
        line = row["geometry"]
        places = [(min(3.0, line.length / 3), "valve")] if line.length > 40 or "R" in row["asset_id"] else []
        if line.length > 60:
            places.append((line.length - 4.0, "valve"))
            hydrants = max(1, round(line.length / 110))
            places += [
                (line.length * (i + 0.5) / hydrants + float(rng.uniform(-6, 6)), "hydrant")
                for i in range(hydrants)
            ]
        for along_m, kind in places:
            off_m = (
                float(rng.choice([-1, 1]) * rng.uniform(1.0, 3.0))
                if kind == "hydrant"
                else float(rng.normal(0, 0.05))
            )
            counts[kind] += 1
            fittings.append(
                {
                    "asset_id": f"{kind[0].upper()}{counts[kind]:03d}",
                    "kind": kind,
                    "status": "open" if kind == "valve" else None,
                    "geometry": _beside(line, along_m, off_m),
                }
            )
    return fittings


def _beside(line: LineString, along_m: float, off_m: float) -> Point:
    here, ahead = line.interpolate(along_m), line.interpolate(along_m + 0.5)
    if along_m + 0.5 > line.length:
        here, ahead = line.interpolate(along_m - 0.5), line.interpolate(along_m)
    dx, dy = (ahead.x - here.x) / 0.5, (ahead.y - here.y) / 0.5
    at = line.interpolate(along_m)
    return Point(at.x - off_m * dy, at.y + off_m * dx)


def _add_defects(rows: list[dict[str, Any]], fittings: list[dict[str, Any]]) -> None:
    """What real maps have; see `sample_network/README.md` for the list."""
    medlar = _first(rows, "Medlar Close")
    start, *others = medlar["geometry"].coords
    medlar["geometry"] = LineString([(start[0] + 0.03, start[1] - 0.095), *others])  # gap of 0.1 m
    twin = _first(rows, "Sedge Close")
    rows.append(twin | {"asset_id": f"{twin['asset_id']}-2"})  # the same main twice
    heron = _first(rows, "Dunlin Close")
    end = heron["geometry"].coords[-1]
    rows.append(heron | {"asset_id": "M900", "geometry": LineString([end, end])})  # no length
    lighthouse = _first(rows, "Lighthouse Road")
    last = lighthouse["geometry"].coords[-1]
    rows.append(
        lighthouse
        | {
            "asset_id": "M901",
            "material": None,
            "year": None,
            "geometry": LineString([last, (1321.0, 183.0), (1352.0, 241.0)]),
        }
    )
    old = Street("Ballast Yard", IRON, 100, 1919, (A3, (301.0, -74.0), (352.0, -121.0)))
    rows.append(_main(old, LineString(old.points)) | {"asset_id": "M902", "status": "abandoned"})
    for street, factor in (("Saltpan Road", 1.006), ("Orchard Rise", 1.012), ("Cliff Road", 0.994)):
        row = _first(rows, street)
        row["length_m"] = round(row["geometry"].length * factor, 1)  # taped on the ground
    _nearest(fittings, "valve", C3)["status"] = "closed"
    valve = _nearest(fittings, "valve", (92.0, 81.0))
    valve["geometry"] = Point(valve["geometry"].x + 0.21, valve["geometry"].y + 0.21)  # 0.3 m off


def _first(rows: list[dict[str, Any]], street: str) -> dict[str, Any]:
    return next(row for row in rows if row["street"] == street)


def _nearest(fittings: list[dict[str, Any]], kind: str, at: XY) -> dict[str, Any]:
    return min((f for f in fittings if f["kind"] == kind), key=lambda f: f["geometry"].distance(Point(at)))


def town_point(at: XY) -> Point:
    """Put a place in the town's own metres onto the map."""
    point: Point = _place(Point(at))
    return point

"""Make `sample_network/`: the map of an invented town, three simulated surveys, and the answers to them.

Run ``python scripts/make_sample.py`` in an environment with netcorr. Everything comes from fixed seeds; run
twice on one machine it gives the same bytes. The answers are written beside the samples for comparison
only: netcorr never reads them.
"""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import networkx as nx
import numpy as np
import pyogrio
import pyproj
from sample_town import XY, draw_town, town_point
from shapely import Point

from netcorr.layers import read_network_layers
from netcorr.network import PipeNetwork, build_network, open_graph
from netcorr.simulation import (
    Burst,
    Conditions,
    LeakSource,
    LoggerRecord,
    Place,
    SensorSetup,
    Spectrum,
    TrueSpeeds,
    simulate_survey,
    write_survey,
)

FOLDER = Path(__file__).resolve().parent.parent / "sample_network"
START = datetime(2026, 2, 17, 2, 0, tzinfo=UTC)
#: How far the true wave speeds are from those that material and size give; netcorr does not know.
SPEEDS = TrueSpeeds(
    by_material={"grey_iron": 0.982, "ductile_iron": 1.006, "asbestos_cement": 0.985, "pvc": 1.025}
)


@dataclass(frozen=True)
class Logger:
    """A logger of a survey: on the fitting of a kind nearest to a place in the town's own metres."""

    name: str
    kind: str
    near: XY
    record: LoggerRecord
    setup: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Survey:
    """One survey: two loggers, perhaps a leak, and the night."""

    name: str
    seed: int
    loggers: tuple[Logger, Logger]
    leak_at: XY | None
    spectrum: Spectrum
    conditions: dict[str, Any]
    burst: tuple[XY, dict[str, Any]] | None = None


SURVEYS = (
    Survey(
        name="survey_iron",
        seed=11,
        loggers=(
            Logger(
                name="oak",
                kind="hydrant",
                near=(138.0, 85.0),
                record=LoggerRecord("wav16", 0.5, 0.3, "on the hydrant, lead to the main measured"),
                setup={"lead_m": 2.6, "resonance_hz": 1350.0, "resonance_q": 4.0, "clock_error_s": 0.0007},
            ),
            Logger(
                name="elm",
                kind="valve",
                near=(292.0, 82.0),
                record=LoggerRecord("flac16", 0.0, 0.3, "on the spindle of the valve"),
                setup={
                    "gain": 0.7,
                    "resonance_hz": 1900.0,
                    "clock_error_s": -0.0001,
                    "noise_level_db": 2.0,
                    "polarity": -1,
                },
            ),
        ),
        leak_at=(237.0, 85.5),
        spectrum=Spectrum(60.0, 1500.0, slope_db_octave=-3.0),
        conditions={"snr_db": 3.0, "band_hz": (100.0, 1500.0), "noise_colour": "pink"},
        burst=(
            (96.0, 121.0),
            {
                "at_s": 6.2,
                "length_s": 0.7,
                "level_db": 22.0,
                "round_number": 2,
                "spectrum": Spectrum(80.0, 1200.0),
            },
        ),
    ),
    Survey(
        name="survey_mixed",
        seed=12,
        loggers=(
            Logger(
                name="birch",
                kind="hydrant",
                near=(344.0, 416.0),
                record=LoggerRecord("wav24", 12.5, 0.5, "clock compared with the base before the night"),
                setup={"lead_m": 2.2, "resonance_hz": 1100.0, "resonance_q": 3.0, "clock_error_s": 0.0123},
            ),
            Logger(
                name="yew",
                kind="hydrant",
                near=(422.0, 508.0),
                record=LoggerRecord("flac16", 0.0, 0.5, "records at 5000 Hz"),
                setup={
                    "lead_m": 1.9,
                    "gain": 1.6,
                    "sample_rate_hz": 5000.0,
                    "start_delay_s": 0.25,
                    "noise_level_db": -2.0,
                },
            ),
        ),
        leak_at=(383.0, 504.0),
        spectrum=Spectrum(20.0, 600.0, slope_db_octave=-3.0),
        conditions={"snr_db": 6.0, "band_hz": (20.0, 300.0), "noise_colour": "pink"},
    ),
    Survey(
        name="survey_quiet",
        seed=13,
        loggers=(
            Logger(
                name="rowan",
                kind="hydrant",
                near=(447.0, 84.0),
                record=LoggerRecord("wav16", 0.0, 0.5, "close to a transformer"),
                setup={"lead_m": 2.4, "resonance_hz": 1500.0},
            ),
            Logger(
                name="alder",
                kind="valve",
                near=(657.0, 130.0),
                record=LoggerRecord("wav16", 0.0, 0.5, ""),
                setup={"noise_level_db": 3.0, "clock_error_s": 0.0003},
            ),
        ),
        leak_at=None,
        spectrum=Spectrum(),
        conditions={"band_hz": (50.0, 1500.0), "noise_colour": "red", "hum_hz": 50.0, "hum_level_db": 9.0},
    ),
)


def main(folder: Path = FOLDER) -> None:
    """Make the folder anew."""
    folder.mkdir(exist_ok=True)
    write_map(folder / "town.gpkg")
    network = build_network(read_network_layers(folder / "town.gpkg"))
    answers: dict[str, Any] = {
        "about": "Invented and simulated. For comparison only; netcorr never reads this file.",
        "speed_factors": dict(SPEEDS.by_material),
    }
    for survey in SURVEYS:
        answers[survey.name] = make_survey(network, survey, folder / survey.name)
    (folder / "answers.json").write_text(json.dumps(answers, indent=2) + "\n", encoding="utf-8")
    (folder / "README.md").write_text(readme(answers), encoding="utf-8")


def write_map(path: Path) -> None:
    """Write the layers of the town, with a fixed date so that the bytes repeat."""
    mains, fittings = draw_town()
    path.unlink(missing_ok=True)
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2026-01-15T00:00:00.000Z"})
    for layer, frame in (("mains", mains), ("fittings", fittings)):
        pyogrio.write_dataframe(frame, path, layer=layer, driver="GPKG")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})


def make_survey(network: PipeNetwork, survey: Survey, folder: Path) -> dict[str, Any]:
    """Simulate and write one survey; return its answer."""
    sensors = [
        SensorSetup(logger=logger.name, fitting=nearest_fitting(network, logger), **logger.setup)
        for logger in survey.loggers
    ]
    conditions = dict(survey.conditions)
    if survey.burst:
        at, values = survey.burst
        conditions["bursts"] = (Burst(place_at(network, at), **values),)
    leak = None if survey.leak_at is None else LeakSource(place_at(network, survey.leak_at), survey.spectrum)
    rounds = simulate_survey(
        network,
        sensors=sensors,
        leak=leak,
        conditions=Conditions(start=START, interval_s=3600, **conditions),
        rng=np.random.default_rng(survey.seed),
        speeds=SPEEDS,
    )
    shutil.rmtree(folder, ignore_errors=True)
    write_survey(rounds, folder, records={logger.name: logger.record for logger in survey.loggers})
    fittings = [sensor.fitting for sensor in sensors]
    return {
        "sensors": fittings,
        "distance_m": round(distance_m(network, *(network.node_of(f) for f in fittings)), 2),
        "leak": None if leak is None else answer(network, leak.place, fittings),
        "leak_snr_db": [None if leak is None else round(r.leak_snr_db, 1) for r in rounds[0].recordings],
    }


def nearest_fitting(network: PipeNetwork, logger: Logger) -> str:
    """Asset id of the fitting a logger is put on."""
    some = network.fittings[network.fittings["kind"] == logger.kind]
    return str(some.index[int(np.argmin(some.distance(town_point(logger.near))))])


def place_at(network: PipeNetwork, at: XY) -> Place:
    """Point of an open main that is nearest to a place in the town's own metres."""
    here = town_point(at)
    edges = list(open_graph(network).edges(keys=True))
    nearest = min(edges, key=lambda edge: network.edge(*edge)["geometry"].distance(here))
    data = network.edge(*nearest)
    return Place(nearest, data["geometry"].project(here, normalized=True) * data["length_m"])


def distance_m(network: PipeNetwork, start: int, end: int) -> float:
    """Shortest way along open mains."""
    return float(nx.dijkstra_path_length(open_graph(network), start, end, weight="length_m"))


def answer(network: PipeNetwork, place: Place, fittings: list[str]) -> dict[str, Any]:
    """Where a leak is: on the map, and along the main from either fitting."""
    data = network.edge(*place.edge)
    away = [
        min(
            place.offset_m + distance_m(network, data["from_node"], network.node_of(fitting)),
            data["length_m"]
            - place.offset_m
            + distance_m(network, data["to_node"], network.node_of(fitting)),
        )
        for fitting in fittings
    ]
    at: Point = data["geometry"].interpolate(place.offset_m / data["length_m"], normalized=True)
    lon, lat = pyproj.Transformer.from_crs(network.crs, 4326, always_xy=True).transform(at.x, at.y)
    return {
        "sensor_a": fittings[0],
        "sensor_b": fittings[1],
        "from_a_m": round(away[0], 2),
        "from_b_m": round(away[1], 2),
        "pipe_id": data["pipe_id"],
        "material": data["material_text"],
        "x": round(at.x, 2),
        "y": round(at.y, 2),
        "lon": round(lon, 7),
        "lat": round(lat, 7),
    }


def readme(answers: dict[str, Any]) -> str:
    """Text of `sample_network/README.md`."""
    rows = []
    for survey in SURVEYS:
        known = answers[survey.name]
        leak = known["leak"]
        a, b = known["sensors"]
        where = (
            "none"
            if leak is None
            else f"main {leak['pipe_id']} ({leak['material']}), {leak['from_a_m']:.1f} m from {a} and "
            f"{leak['from_b_m']:.1f} m from {b} along the main; x {leak['x']:.2f}, y {leak['y']:.2f} "
            f"(lon {leak['lon']:.6f}, lat {leak['lat']:.6f})"
        )
        rows.append(f"| `{survey.name}` | {a} and {b}, {known['distance_m']:.1f} m | {where} |")
    factors = ", ".join(f"{name} {factor:g}" for name, factor in answers["speed_factors"].items())
    return README.format(rows="\n".join(rows), factors=factors)


README = """# The sample town of Kelmarrow

**Everything here is invented and simulated.** There is no Kelmarrow: its island lies in the open Atlantic
(EPSG:32628, near 17 degrees west and 47 degrees north, where there is only water). Streets, mains, fittings,
leaks and recordings are made up; nothing was recorded in the field.

`town.gpkg` holds the layers `mains` (about 10 km) and `fittings`. `survey_iron`, `survey_mixed` and
`survey_quiet` hold a table of deployments and the recordings of two rounds each. Try

```
netcorr inspect sample_network/town.gpkg
netcorr locate sample_network/town.gpkg sample_network/survey_iron/deployments.csv -o result.gpkg
```

## Known answers

| survey | loggers on, pipe between them | leak |
|---|---|---|
{rows}

`answers.json` says the same for programs. netcorr locates without either; `netcorr doctor` compares its
answer with them afterwards.

- `survey_iron`: grey iron throughout, a hydrant against a valve; someone draws water during round 2.
- `survey_mixed`: asbestos cement, a repair of 2017 in ductile iron, asbestos cement again, PVC; one logger
  records at 5000 Hz and starts a quarter of a second late, the other's clock runs 12 ms ahead (the table
  says so, nearly).
- `survey_quiet`: ductile iron, no leak, mains hum in both recordings.

## What is wrong with the map, on purpose

- Quay Street and Market Walk are drawn straight through a tee (the main is not cut where the other ends).
- Medlar Close starts 0.1 m from the main it belongs to.
- A valve in Lantern Street is drawn 0.3 m off its main; hydrants are drawn 1 to 3 m off, with their leads.
- Sedge Close is there twice; one main in Dunlin Close has no length.
- The far end of Lighthouse Road has no material and no year.
- Ballast Yard is abandoned; one valve at Market Walk is closed.
- Three mains have a measured length that differs from the drawn one by up to 1.2 %.

## How it was made

`python scripts/make_sample.py`, with fixed seeds: on one machine the same bytes each time. The town is drawn
in `scripts/sample_town.py`. The recordings are computed by `netcorr.simulation`: the network of pipes is
solved in the frequency domain (every pipe a lossy transmission line, so tees, dead ends, leads and changes of
pipe reflect), driven by random leak noise, with ambient noise, hum, mountings and clocks added. That is not
the model by which netcorr locates. The true network is the map after netcorr's own repairs, so the lengths
agree; the true wave speeds differ from those of material and size by the factors {factors}, which netcorr is
not told.
"""

if __name__ == "__main__":
    main()

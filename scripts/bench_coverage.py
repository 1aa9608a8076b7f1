"""How long the coverage of 2,000 given sites takes in a city of 20,000 mains, from the file to the file.

Processor time of one process, so that other work on the machine does not count.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from bench_city import city
from bench_table import Target, table

from netcorr.tools import TOOLS

MAINS, FITTINGS, SITES = 20_000, 12_000, 2_000
MOST_S = 20.0


def coverage_of_a_city(
    *, seed: int, mains: int = MAINS, fittings: int = FITTINGS, sites: int = SITES
) -> list[Target]:
    """Time ``netcorr coverage`` with sites side by side, and with sites strewn over the city.

    Parameters
    ----------
    seed : int
        Another seed gives another city.
    mains, fittings, sites : int
        Their numbers.

    Returns
    -------
    list of Target
        One for each way to choose the sites.
    """
    targets, rows = [], []
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "city.gpkg")
        drawn = city(mains, fittings=fittings, seed=seed)
        for frame, layer in zip(drawn, ("mains", "fittings"), strict=True):
            frame.to_file(file, layer=layer)
        ids, places = drawn[1]["asset_id"].to_numpy(), drawn[1].geometry
        far = places.distance(places.union_all().centroid).to_numpy()
        strewn = np.random.default_rng(seed).permutation(len(ids))
        for name, order in (("side by side", np.argsort(far)), ("strewn", strewn)):
            listed = Path(folder, "sites.txt")
            listed.write_text("\n".join(map(str, ids[order[:sites]])), encoding="utf-8")
            began = time.process_time()
            result = TOOLS["coverage"].run(
                {"network": file, "sites": listed, "output": Path(folder, "coverage.gpkg")}
            )
            seconds = time.process_time() - began
            told = result.as_dict()
            rows.append(
                (name, told["sensors"], told["pairs"], f"{told['covered_m'] / 1000:.0f}", f"{seconds:.1f}")
            )
            targets.append(
                Target(
                    f"coverage of {sites} sites {name}, {mains} mains",
                    f"{seconds:.1f} s",
                    f"{MOST_S:.0f} s",
                    seconds <= MOST_S,
                )
            )
    print(table(("sites", "places", "pairs", "km covered", "cpu s"), rows) + "\n")
    return targets

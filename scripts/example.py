"""Own layers in, candidates out, map drawn. Runs as it is; then put your own files and columns in.

python scripts/example.py FOLDER    # where result.gpkg and the two maps go; this folder unless given
"""

import sys
from pathlib import Path

import geopandas as gpd
import matplotlib.pyplot as plt

import netcorr
from netcorr.export import draw_map, read_result

sample = Path(__file__).resolve().parent.parent / "sample_network"
folder = Path(sys.argv[1] if len(sys.argv) > 1 else ".")

# 1. Your layers, from wherever geopandas reads: name the columns as netcorr does, keep the CRS.
mains = gpd.read_file(sample / "town.gpkg", layer="mains").rename(columns={"your_size": "diameter_mm"})
fittings = gpd.read_file(sample / "town.gpkg", layer="fittings")
town = {"mains": mains, "fittings": fittings}

# 2. What was recorded where: a table, here as a file; a DataFrame does as well.
table = sample / "survey_iron" / "deployments.csv"

# 3. Locate, with one setting changed, and keep the GeoPackage for the GIS and the phone.
answer = netcorr.locate(town, table, output=folder / "result.gpkg", temperature_c=12)
print(answer.text())  # in words, with the cautions before anyone digs
candidates = answer.layers["leak_candidates"]
print(candidates[["rank", "probability", "pipe_id", "from_a_m", "low_m", "high_m", "in_bracket"]])

# 4. Maps: the ready one, and one of your own with geopandas.
draw_map(read_result(folder / "result.gpkg").fix, folder / "map.svg")
figure, axes = plt.subplots(figsize=(8, 6))
answer.layers["uncertainty_areas"].plot(ax=axes, color="orange")
mains.plot(ax=axes, color="steelblue", linewidth=1)
candidates.plot(ax=axes, color="black", marker="x", zorder=3)
figure.savefig(folder / "own_map.png", dpi=120)

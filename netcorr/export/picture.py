"""Pictures of a result: the map, and the evidence of one pair of sensors."""

from __future__ import annotations

import os
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from netcorr.errors import ExportError
from netcorr.export.evidence_panels import compose_evidence
from netcorr.export.map_scene import compose_map
from netcorr.export.safe_file import check_folder, replacing
from netcorr.units import UnitSystem

if TYPE_CHECKING:
    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import PairFix, SurveyFix

#: The pictures are laid out for this width; a larger picture is a finer one. [inch]
_WIDTH_IN = 8.0
#: PNG, or SVG for print and for the web.
_ENDINGS = (".png", ".svg")


def draw_map(
    fix: SurveyFix,
    path: str | os.PathLike[str],
    *,
    width_px: int = 1600,
    height_px: int = 1000,
    units: UnitSystem = "metric",
) -> None:
    """Draw the result of a survey on the map, as a PNG or SVG picture.

    Up is true north and a metre is a metre in every direction, whatever the CRS of the network.

    Parameters
    ----------
    fix : SurveyFix
        The answer of a survey.
    path : str or path-like
        Picture to write, ending in ``.png`` or ``.svg``.
    width_px, height_px : int
        Size of the picture, at least 800 by 500. [px]
    units : {'metric', 'us'}
        Units of texts and scale bars.

    Raises
    ------
    ExportError
        If the picture cannot be written, is too small, or there is nothing to draw.
    """
    target = Path(path)
    check_picture(target, width_px=width_px, height_px=height_px, endings=_ENDINGS)
    if not fix.pairs:
        raise ExportError(
            str(target),
            found="the survey has no pair of sensors, so there is nothing to draw",
            remedy="give a round, without a known noise, that at least two loggers recorded",
        )
    with drawing(target, width_px=width_px, height_px=height_px) as figure:
        compose_map(figure, fix, units=units)


def draw_evidence(
    pair: PairFix,
    path: str | os.PathLike[str],
    *,
    network: PipeNetwork | None = None,
    width_px: int = 1600,
    height_px: int = 1000,
    units: UnitSystem = "metric",
) -> None:
    """Draw what the answer of a pair rests on, as a PNG or SVG picture.

    Above, the probability along the pipe over a strip of the pipe itself; below, the likelihood of
    every delay in each round, and the coherence with the band that carries the evidence.

    Parameters
    ----------
    pair : PairFix
        The answer of one pair.
    path : str or path-like
        Picture to write, ending in ``.png`` or ``.svg``.
    network : PipeNetwork, optional
        The map; with it, tees are marked on the strip.
    width_px, height_px : int
        Size of the picture, at least 800 by 500. [px]
    units : {'metric', 'us'}
        Units of the axis along the pipe.

    Raises
    ------
    ExportError
        If the picture cannot be written, is too small, or there is no evidence to draw.
    """
    target = Path(path)
    check_picture(target, width_px=width_px, height_px=height_px, endings=_ENDINGS)
    if not pair.evidence:
        raise ExportError(
            str(target),
            found=f"the pair {pair.logger_a} - {pair.logger_b} has no evidence, so there is nothing to draw",
            remedy="give recordings of both loggers of the same time",
        )
    with drawing(target, width_px=width_px, height_px=height_px) as figure:
        compose_evidence(figure, pair, network=network, units=units)


def check_picture(target: Path, *, width_px: int, height_px: int, endings: tuple[str, ...]) -> None:
    """Refuse a picture of another kind, one that is too small, or one that has no folder.

    Raises
    ------
    ExportError
        If so.
    """
    if target.suffix.lower() not in endings:
        either = " or ".join(endings)
        raise ExportError(
            str(target), found=f"no {either} at the end", remedy=f"name it such as map{endings[0]}"
        )
    if width_px < 800 or height_px < 500:
        raise ExportError(
            str(target), found=f"a size of {width_px} by {height_px} px", remedy="make it at least 800 by 500"
        )
    check_folder(target)


@contextmanager
def drawing(target: Path, *, width_px: int, height_px: int) -> Iterator[Figure]:
    """Give a figure to draw on, and write it when all went well."""
    dpi = width_px / _WIDTH_IN
    figure = Figure(figsize=(_WIDTH_IN, height_px / dpi), dpi=dpi, facecolor="white")
    FigureCanvasAgg(figure)
    with warnings.catch_warnings():
        # an id in a script that the font lacks is drawn as boxes; nothing else depends on it
        warnings.filterwarnings("ignore", message="Glyph .* missing from", category=UserWarning)
        yield figure
        with replacing(target) as draft:
            _save(figure, draft, dpi=dpi)


def _save(figure: Figure, draft: Path, *, dpi: float) -> None:
    """Write the figure; what changes from one day to the next is left out of the file."""
    if draft.suffix.lower() == ".svg":
        # letters stay letters: smaller, and they can be searched and read aloud
        with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "netcorr"}):
            figure.savefig(draft, format="svg", metadata={"Date": None, "Creator": None})
    else:
        figure.savefig(draft, format="png", dpi=dpi, metadata={"Software": None})

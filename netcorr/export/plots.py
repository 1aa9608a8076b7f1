"""Single plots of a pair's evidence for reports and notebooks of your own, as PNG or SVG."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from netcorr.errors import ExportError
from netcorr.export.evidence_panels import (
    colours_of_rounds,
    draw_coherence_panel,
    draw_density_panel,
    draw_strip_panel,
    plain_axes,
)
from netcorr.export.palette import INK, PATH, QUIET
from netcorr.export.picture import check_picture, drawing
from netcorr.export.plain_text import plain_text
from netcorr.export.report.along_data import curves_along
from netcorr.export.report.spectra import TELLING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from netcorr.network.pipe_network import PipeNetwork
    from netcorr.position.fix import PairFix
    from netcorr.units import UnitSystem


def plot_along(
    pair: PairFix,
    path: str | os.PathLike[str],
    *,
    network: PipeNetwork | None = None,
    width_px: int = 1600,
    height_px: int = 1000,
    units: UnitSystem = "metric",
) -> None:
    """Plot what the recordings say of each place along the main.

    Above, the log-likelihood of a source at each place in each round; below it, the probability of a leak
    with all rounds together, over the pipe drawn straight and to scale.

    Parameters
    ----------
    pair : PairFix
        A pair, from `netcorr.position.locate_survey` or from `netcorr.export.read_result`.
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
        If the picture cannot be written, is too small, or there is no evidence to plot.

    Examples
    --------
    >>> from netcorr.export import plot_along, read_result
    >>> result = read_result("result.gpkg")  # doctest: +SKIP
    >>> plot_along(result.fix.pairs[0], "along.svg", network=result.fix.network)  # doctest: +SKIP
    """
    target = _checked(pair, path, width_px=width_px, height_px=height_px)
    with drawing(target, width_px=width_px, height_px=height_px) as figure:
        _title(figure, pair, "Where along the main")
        density = figure.add_axes((0.075, 0.34, 0.9, 0.22))
        evidence = figure.add_axes((0.075, 0.64, 0.9, 0.22), sharex=density)
        strip = figure.add_axes((0.075, 0.12, 0.9, 0.12), sharex=density)
        draw_density_panel(density, pair, units)
        draw_strip_panel(strip, pair.path, network, units)
        _draw_evidence(evidence, pair, float(density.get_xlim()[1]))


def plot_spectra(
    pair: PairFix,
    path: str | os.PathLike[str],
    *,
    width_px: int = 1600,
    height_px: int = 1000,
) -> None:
    """Plot coherence and remaining phase over frequency, with the band that carries the evidence.

    Parameters
    ----------
    pair : PairFix
        A pair, from `netcorr.position.locate_survey` or from `netcorr.export.read_result`.
    path : str or path-like
        Picture to write, ending in ``.png`` or ``.svg``.
    width_px, height_px : int
        Size of the picture, at least 800 by 500. [px]

    Raises
    ------
    ExportError
        If the picture cannot be written, is too small, or there is no evidence to plot.

    Notes
    -----
    The phase is that of the cross-spectrum with the delay found taken out: flat where one wave explains the
    noise. It is drawn where the coherence is above 0.05.

    Examples
    --------
    >>> from netcorr.export import plot_spectra, read_result
    >>> result = read_result("result.gpkg")  # doctest: +SKIP
    >>> plot_spectra(result.fix.pairs[0], "spectra.png")  # doctest: +SKIP
    """
    target = _checked(pair, path, width_px=width_px, height_px=height_px)
    with drawing(target, width_px=width_px, height_px=height_px) as figure:
        _title(figure, pair, "Which frequencies")
        phase = figure.add_axes((0.085, 0.12, 0.89, 0.3))
        coherence = figure.add_axes((0.085, 0.52, 0.89, 0.33), sharex=phase)
        draw_coherence_panel(coherence, pair)
        coherence.set_xlabel("")
        coherence.tick_params(labelbottom=False)
        _draw_phase(phase, pair)


def _checked(pair: PairFix, path: str | os.PathLike[str], *, width_px: int, height_px: int) -> Path:
    target = Path(path)
    check_picture(target, width_px=width_px, height_px=height_px, endings=(".png", ".svg"))
    if not pair.evidence:
        raise ExportError(
            str(target),
            found=f"the pair {pair.logger_a} - {pair.logger_b} has no evidence, so there is nothing to plot",
            remedy="give a pair with recordings of the same time, and one whose curves the result keeps",
        )
    return target


def _title(figure: Figure, pair: PairFix, words: str) -> None:
    a, b = plain_text(pair.path.sensor_a), plain_text(pair.path.sensor_b)
    style: dict[str, Any] = {"transform": figure.transFigure, "parse_math": False, "va": "baseline"}
    figure.text(
        0.025, 0.94, f"{words}: {a} (A) to {b} (B)", fontsize=12, fontweight="bold", color=INK, **style
    )


def _draw_evidence(axes: Axes, pair: PairFix, right: float) -> None:
    """Draw the log-likelihood of a source at each place, one curve a round."""
    where, curves = curves_along(pair)
    shown = where * right / pair.path.length_m
    colours = colours_of_rounds(len(curves))
    for one, values, colour in zip(pair.evidence, curves, colours, strict=True):
        axes.plot(shown, values, color=colour, linewidth=1.0, label=f"round {one.round_number}")
    axes.set_ylabel("log-likelihood")
    plain_axes(axes, "How well a source at each place fits, round by round")
    axes.tick_params(labelbottom=False)
    axes.legend(loc="best", fontsize=6.4, labelcolor=INK, handlelength=1.4, frameon=False)


def _draw_phase(axes: Axes, pair: PairFix) -> None:
    """Draw what remains of the phase where the coherence tells something."""
    for one, colour in zip(pair.evidence, colours_of_rounds(len(pair.evidence)), strict=True):
        axes.axvspan(*one.band_hz, color=PATH, alpha=0.3 / len(pair.evidence), linewidth=0)
        telling = one.coherence_spectrum > TELLING
        axes.plot(
            one.frequency_hz[telling], np.degrees(one.phase_rad[telling]), "o", color=colour, markersize=2.6
        )
    axes.axhline(0.0, color=QUIET, linewidth=0.6)
    axes.set_ylim(-180, 180)
    axes.set_yticks([-180, -90, 0, 90, 180])
    axes.set_xlabel("frequency [Hz]; shaded: the band that carries the evidence")
    axes.set_ylabel("phase [degrees]")
    plain_axes(axes, "What the delay leaves of the phase")

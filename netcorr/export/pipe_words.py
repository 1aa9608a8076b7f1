"""Pipes in words."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from netcorr.layers.vocabulary import MATERIALS

if TYPE_CHECKING:
    from netcorr.path.correlation_path import CorrelationPath


def materials_text(path: CorrelationPath) -> str:
    """Pipes of a path in the order from A to B, neighbours of one kind as one.

    Parameters
    ----------
    path : CorrelationPath
        The pipe between two sensors.

    Returns
    -------
    str
        Such as ``'82.0 m ductile iron 150 mm, 40.5 m PE 110 mm'``, lengths in metres.
    """
    runs = groupby(path.segments, key=lambda s: pipe_text(s.material, s.diameter_mm))
    return ", ".join(f"{sum(s.length_m for s in run):.1f} m {kind}" for kind, run in runs)


def pipe_text(material: str | None, diameter_mm: float) -> str:
    """Material and size of a pipe, in words that say when one is not known."""
    size = f"{diameter_mm:.0f} mm" if np.isfinite(diameter_mm) else "of unknown size"
    return f"{material_text(material)} {size}"


def material_text(material: str | None) -> str:
    """Material in words."""
    return MATERIALS.get(material, material) if material else "unknown material"

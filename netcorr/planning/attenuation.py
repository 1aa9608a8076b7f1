"""How the reach of common practice changes with the size of a pipe: by its attenuation in the ground."""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from types import MappingProxyType

from netcorr.errors import SpeedError
from netcorr.speed.pipe import pipe_wall
from netcorr.speed.soil import LOOSE_SOIL
from netcorr.speed.wavenumber import TYPICAL_EXTRA_LOSS_FACTOR, attenuation_db_m, pipe_wavenumber

#: Frequency about which leak noise is heard, and size of a main that common practice speaks of, by material.
#: Common practice: leak noise on metal lies at some hundreds of hertz, on plastic at some tens to a hundred.
USUAL: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "grey_iron": (500.0, 150.0),
        "ductile_iron": (500.0, 150.0),
        "steel": (500.0, 150.0),
        "copper": (500.0, 25.0),
        "asbestos_cement": (250.0, 150.0),
        "concrete": (250.0, 300.0),
        "lead": (250.0, 25.0),
        "grp": (100.0, 300.0),
        "pvc": (100.0, 110.0),
        "pvc_o": (100.0, 110.0),
        "pe": (100.0, 110.0),
        "pe80": (100.0, 110.0),
        "pe100": (100.0, 110.0),
    }
)
#: The model says how size matters; how much a real trench takes it does not know. So common practice is never
#: lengthened, and at most cut to this share.
LEAST_FACTOR = 0.5


@lru_cache(maxsize=4096)
def pipe_loss_db_m(material: str, diameter_mm: float) -> float:
    """Attenuation of leak noise in a buried main.

    Parameters
    ----------
    material : str
        Key of `USUAL`.
    diameter_mm : float
        Nominal diameter; the wall is that of the standards' tables. [mm]

    Returns
    -------
    float
        At the material's usual frequency, in loose soil, with the usual loss of joints and deposits. [dB/m]

    Raises
    ------
    SpeedError
        If there is no such pipe.

    Examples
    --------
    >>> round(pipe_loss_db_m("ductile_iron", 150), 2), round(pipe_loss_db_m("pe100", 110), 2)
    (0.1, 0.53)
    """
    frequency_hz, _ = USUAL[material]
    wall = pipe_wall(material, diameter_mm)
    k = pipe_wavenumber([frequency_hz], wall, soil=LOOSE_SOIL, extra_loss_factor=TYPICAL_EXTRA_LOSS_FACTOR)
    return float(attenuation_db_m(k)[0])


def size_factor(material: str | None, diameter_mm: float | None) -> float:
    """Reach on a main of this size over that on one of the usual size.

    Parameters
    ----------
    material : str or None
        Key of the material vocabulary.
    diameter_mm : float or None
        Nominal diameter; None or NaN is unknown. [mm]

    Returns
    -------
    float
        `LEAST_FACTOR` to 1: the inverse of the attenuation, so that less loss never shortens the reach; 1
        where size or material is not known.

    Examples
    --------
    >>> size_factor("pvc", 63.0), size_factor("pvc", None), size_factor("pvc", 800.0)
    (1.0, 1.0, 0.5)
    """
    if material is None or material not in USUAL or diameter_mm is None or math.isnan(diameter_mm):
        return 1.0
    try:
        ratio = pipe_loss_db_m(material, USUAL[material][1]) / pipe_loss_db_m(material, float(diameter_mm))
    except SpeedError:
        return LEAST_FACTOR  # a size that no pipe of this material has: the worst is planned for
    return min(max(ratio, LEAST_FACTOR), 1.0)

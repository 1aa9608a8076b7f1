"""Which mains lack a material or a diameter, and which have one by assumption."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from netcorr.network.connected import Connected

#: Words for what is missing.
MATERIAL, DIAMETER = "material", "diameter"


def lacking_attributes(parts: Connected) -> pd.DataFrame:
    """Mains in service whose material or diameter is unknown or assumed.

    Parameters
    ----------
    parts : Connected
        Edges of the network.

    Returns
    -------
    pandas.DataFrame
        One row a main, by its id: `pipe_id`, `missing` ('material', 'diameter', 'material and diameter' or
        ''), `assumed` (the rule that filled it, in words, or ''), `material_text` (as found, or None),
        `stops` (nothing can be located on it: something is missing and no speed was measured), `length_m`.
    """
    columns = parts.columns
    row = np.flatnonzero(parts.in_service)
    code, pipe = pd.factorize(columns["pipe_id"][row], sort=True)
    first = row[np.unique(code, return_index=True)[1]] if len(row) else row
    no_material = pd.isna(columns["material"][first])
    no_diameter = ~(columns["diameter_mm"][first] > 0)
    table = pd.DataFrame(
        {
            "pipe_id": pipe,
            "missing": np.select(
                [no_material & no_diameter, no_material, no_diameter],
                [f"{MATERIAL} and {DIAMETER}", MATERIAL, DIAMETER],
                "",
            ).astype(object),
            "assumed": columns["assumed"][first],
            "material_text": columns["material_text"][first],
            "stops": (no_material | no_diameter) & ~(columns["wave_speed_m_s"][first] > 0),
            "length_m": np.bincount(code, columns["length_m"][row], minlength=len(pipe)),
        }
    )
    return table[(table["missing"] != "") | (table["assumed"] != "")].reset_index(drop=True)

"""Pipe materials as the wave feels them: every number with its spread and its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from netcorr.errors import SpeedError


@dataclass(frozen=True)
class Cited:
    """A number with its spread and its source.

    Attributes
    ----------
    value : float
        Best value, in the unit named by the field that holds it.
    sd : float
        Standard deviation, same unit; 0 where the spread does not matter here.
    source : str
        Where the number comes from; 'memory' where it was not looked up again.
    """

    value: float
    sd: float
    source: str


@dataclass(frozen=True)
class Material:
    """One pipe material.

    Attributes
    ----------
    label : str
        Name for people.
    youngs_modulus_pa : Cited
        Hoop modulus at leak-noise frequencies (tens of hertz and more) and about 10 deg C. [Pa]
    poisson_ratio : Cited
        Poisson's ratio.
    density_kg_m3 : Cited
        Density. [kg/m3]
    loss_factor : Cited
        Structural loss factor.
    pipe_scatter : Cited
        Standard deviation of the wave speed from pipe to pipe, as a share of it, for what the map never
        says: bedding, lining, deposits, corrosion, age. The value is that share; its sd is 0.
    is_plastic : bool
        Nominal diameters of plastics in the metric series are outside diameters.
    """

    label: str
    youngs_modulus_pa: Cited
    poisson_ratio: Cited
    density_kg_m3: Cited
    loss_factor: Cited
    pipe_scatter: Cited
    is_plastic: bool = False


_HANDBOOK = "materials handbooks, memory"
_CHAUDHRY = "Chaudhry, Applied Hydraulic Transients, Table 1-1, memory"
_METAL_LOSS = "of the order of 0.001 to 0.002 for cast irons and steel (handbooks, memory)"
_MDPE_RIG = "0.06 for MDPE, Muggleton, Brennan and Linford (2004), J. Sound Vib. 270, 171"
_METAL_SCATTER = Cited(
    0.01, 0.0, "assumption: a 3 to 5 mm mortar lining adds about 1 %, corrosion takes as much"
)
_PLASTIC_SCATTER = Cited(
    0.045,
    0.0,
    "assumption: full-wave finite elements put pipes bonded to soil 10 to 24 % above the same pipe in air;"
    " how well a real trench grips is not known",
)

_PE_POISSON = Cited(0.45, 0.02, "PE100 technical guidance of the resin makers' association; Chaudhry: 0.46")
_PE_LOSS = Cited(0.06, 0.02, _MDPE_RIG)

#: Material key -> properties. Moduli of plastics are dynamic ones: handbooks give 0.8 to 1.1 GPa for PE,
#: the modulus under a load of minutes, which would make the wave a third too slow.
PIPE_MATERIALS: Mapping[str, Material] = MappingProxyType(
    {
        "grey_iron": Material(
            "grey cast iron",
            # 69-83 pit-cast, about 103 spun (AWWA C101-era design values, memory); 80-170 Chaudhry Table 1-1
            Cited(95e9, 20e9, "AWWA C101-era design values 69 to 103 GPa; Chaudhry 80 to 170 GPa; memory"),
            Cited(0.25, 0.03, _CHAUDHRY),
            Cited(7200.0, 150.0, _HANDBOOK),
            Cited(0.002, 0.001, _METAL_LOSS),
            Cited(0.015, 0.0, "assumption: as other metals, and graphitised walls of unknown depth"),
        ),
        "ductile_iron": Material(
            "ductile iron",
            # 24e6 psi = 165.5 GPa AWWA C150; 170 GPa EN 545
            Cited(168e9, 5e9, "AWWA C150: 24e6 psi (165.5 GPa); EN 545: 170 GPa; memory"),
            Cited(0.28, 0.02, "AWWA C150 design practice, memory"),
            Cited(7050.0, 50.0, "EN 545 (7050 kg/m3), memory"),
            Cited(0.001, 0.001, _METAL_LOSS),
            _METAL_SCATTER,
        ),
        "steel": Material(
            "steel",
            Cited(207e9, 4e9, f"{_CHAUDHRY}: 200 to 212 GPa"),
            Cited(0.30, 0.02, f"{_CHAUDHRY}: 0.27 to 0.30"),
            Cited(7850.0, 30.0, _HANDBOOK),
            Cited(0.001, 0.001, _METAL_LOSS),
            _METAL_SCATTER,
        ),
        "asbestos_cement": Material(
            "asbestos cement",
            # 3.0e6 psi = 20.7 GPa Moser and Folkman; 24 GPa Chaudhry
            Cited(
                22e9,
                3.3e9,
                "Moser and Folkman (2008), Buried Pipe Design, Table 5.1: 3.0e6 psi; Chaudhry: 24 GPa",
            ),
            Cited(0.20, 0.03, _HANDBOOK),
            Cited(2000.0, 100.0, _HANDBOOK),
            Cited(0.010, 0.005, "as concrete, assumption"),
            Cited(0.02, 0.0, "assumption: leached walls lose stiffness with age"),
        ),
        "pvc": Material(
            "PVC",
            # Static values are at the low end of the handbooks' range, dynamic ones near the top
            Cited(
                3.1e9,
                0.3e9,
                "trade design value 400 ksi (2.76 GPa); 2.4 to 3.5 GPa Chaudhry and Thorley, memory",
            ),
            Cited(0.40, 0.03, "0.38 to 0.46, Chaudhry and Thorley, memory"),
            Cited(1400.0, 30.0, _HANDBOOK),
            Cited(0.05, 0.02, "0.04 to 0.06 for rigid PVC near 100 Hz, memory"),
            _PLASTIC_SCATTER,
            is_plastic=True,
        ),
        "pvc_o": Material(
            "oriented PVC",
            Cited(3.8e9, 0.35e9, "hoop modulus 3.5 to 4.0 GPa, literature on ISO 16422 pipe, memory"),
            Cited(0.40, 0.03, "as PVC"),
            Cited(1400.0, 30.0, _HANDBOOK),
            Cited(0.05, 0.02, "as PVC"),
            _PLASTIC_SCATTER,
            is_plastic=True,
        ),
        "pe": Material(
            "polyethylene",
            Cited(2.1e9, 0.25e9, "between PE 80 and PE 100"),
            _PE_POISSON,
            Cited(950.0, 15.0, _HANDBOOK),
            _PE_LOSS,
            _PLASTIC_SCATTER,
            is_plastic=True,
        ),
        "pe80": Material(
            "PE 80",
            Cited(2.0e9, 0.2e9, "Muggleton, Brennan and Linford (2004), J. Sound Vib. 270, 171: MDPE main"),
            _PE_POISSON,
            Cited(940.0, 15.0, _HANDBOOK),
            _PE_LOSS,
            _PLASTIC_SCATTER,
            is_plastic=True,
        ),
        "pe100": Material(
            "PE 100",
            Cited(
                2.2e9,
                0.22e9,
                "Graf, Gisler, Sollberger and Schaelli (2014): fitted to measured leak-wave speeds",
            ),
            _PE_POISSON,
            Cited(955.0, 10.0, _HANDBOOK),
            _PE_LOSS,
            _PLASTIC_SCATTER,
            is_plastic=True,
        ),
        "concrete": Material(
            "concrete",
            # Pipes with a steel cylinder or wire are at the stiff end and beyond
            Cited(27e9, 6e9, f"{_CHAUDHRY}: 14 to 30 GPa"),
            Cited(0.15, 0.03, f"{_CHAUDHRY}: 0.10 to 0.15"),
            Cited(2400.0, 50.0, _HANDBOOK),
            Cited(0.010, 0.005, "handbooks, memory"),
            Cited(0.02, 0.0, "assumption: reinforcement and joints differ"),
        ),
        "copper": Material(
            "copper",
            Cited(117e9, 5e9, f"{_CHAUDHRY}: 107 to 131 GPa"),
            Cited(0.34, 0.01, _CHAUDHRY),
            Cited(8930.0, 20.0, _HANDBOOK),
            Cited(0.002, 0.001, _METAL_LOSS),
            _METAL_SCATTER,
        ),
        "lead": Material(
            "lead",
            # The low values of the range are creep; a wave meets the upper end
            Cited(15e9, 2e9, f"{_CHAUDHRY}: 4.8 to 17 GPa"),
            Cited(0.44, 0.01, _CHAUDHRY),
            Cited(11340.0, 20.0, _HANDBOOK),
            Cited(0.02, 0.01, "lead damps more than other metals; size from memory"),
            _METAL_SCATTER,
        ),
        "grp": Material(
            "glass-fibre reinforced plastic",
            # 29 GPa filament-wound data sheet; centrifugally cast pipe with sand 10 to 20 GPa
            Cited(
                20e9,
                5e9,
                "filament-wound data sheet: 4.2e6 psi (29 GPa) hoop; cast pipe 10 to 20 GPa, memory",
            ),
            Cited(0.22, 0.06, "filament-wound data sheet: 0.16 and 0.26"),
            Cited(1900.0, 100.0, _HANDBOOK),
            Cited(0.02, 0.01, "laminates, memory"),
            Cited(0.03, 0.0, "assumption: between metal and plastic"),
            is_plastic=True,
        ),
    }
)


#: Grey iron by era: pit-cast pipe gave way to spun pipe from about 1925 to 1935 (common practice).
PIT_CAST_UNTIL, SPUN_FROM = 1925.0, 1935.0
_PIT_CAST_MODULUS = Cited(80e9, 13e9, "pit-cast: 69 to 83 GPa in AWWA C101-era design values, memory")
_SPUN_GREY_MODULUS = Cited(105e9, 16e9, "spun: about 103 GPa in AWWA C101-era design values, memory")


def youngs_modulus_pa(key: str, *, year: float | None = None) -> Cited:
    """Young's modulus of a material, for grey iron by era.

    Parameters
    ----------
    key : str
        Key of `PIPE_MATERIALS`.
    year : float, optional
        Year laid, where known.

    Returns
    -------
    Cited
        Modulus, spread and source. [Pa]

    Raises
    ------
    SpeedError
        If the key is not known.

    Examples
    --------
    >>> youngs_modulus_pa("grey_iron").value, youngs_modulus_pa("grey_iron", year=1890).value
    (95000000000.0, 80000000000.0)
    """
    general = pipe_material(key).youngs_modulus_pa
    if key != "grey_iron" or year is None or PIT_CAST_UNTIL <= year <= SPUN_FROM:
        return general
    return _PIT_CAST_MODULUS if year < PIT_CAST_UNTIL else _SPUN_GREY_MODULUS


def pipe_material(key: str, *, item: str = "pipe") -> Material:
    """Properties of a material by its key.

    Parameters
    ----------
    key : str
        Key of `PIPE_MATERIALS`.
    item : str, default 'pipe'
        What has this material, for the message.

    Returns
    -------
    Material
        Its properties.

    Raises
    ------
    SpeedError
        If the key is not known.

    Examples
    --------
    >>> pipe_material("ductile_iron").youngs_modulus_pa.value
    168000000000.0
    """
    if key not in PIPE_MATERIALS:
        raise SpeedError(
            item,
            found=f"material {key!r} has no wave speed",
            remedy=f"map it in a mapping file to one of {', '.join(PIPE_MATERIALS)}, or give wave_speed",
        )
    return PIPE_MATERIALS[key]

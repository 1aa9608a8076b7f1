"""The table of materials: complete, cited, and within the ranges that the sources give."""

from __future__ import annotations

import operator
from dataclasses import FrozenInstanceError
from typing import cast

import pytest

from netcorr.errors import SpeedError
from netcorr.layers.vocabulary import MATERIALS
from netcorr.speed import PIPE_MATERIALS, Material, PipeWall, pipe_material, youngs_modulus_pa

#: Young's modulus by Chaudhry, Applied Hydraulic Transients, Table 1-1, static, from memory [GPa].
CHAUDHRY_GPA = {
    "grey_iron": (80, 170),
    "steel": (200, 212),
    "copper": (107, 131),
    "lead": (4.8, 17),
    "concrete": (14, 30),
    "pvc": (2.4, 3.5),
}
#: Handbook values of Poisson's ratio, the same table, from memory.
CHAUDHRY_POISSON = {"grey_iron": 0.25, "steel": 0.30, "copper": 0.34, "lead": 0.44, "pe": 0.46}


def test_every_material_of_the_vocabulary_has_properties() -> None:
    assert set(PIPE_MATERIALS) == set(MATERIALS)


def test_labels_are_those_of_the_vocabulary() -> None:
    assert {key: material.label for key, material in PIPE_MATERIALS.items()} == dict(MATERIALS)


@pytest.mark.parametrize("key", PIPE_MATERIALS)
def test_every_number_has_a_source_and_a_sane_spread(key: str) -> None:
    material = PIPE_MATERIALS[key]
    for name in ("youngs_modulus_pa", "poisson_ratio", "density_kg_m3", "loss_factor"):
        number = getattr(material, name)
        assert number.value > 0, name
        assert 0 < number.sd < number.value or name == "loss_factor", name
        assert len(number.source) > 5, name
    assert 0 < material.pipe_scatter.value < 0.1
    assert "assumption" in material.pipe_scatter.source


@pytest.mark.parametrize("key", PIPE_MATERIALS)
def test_properties_make_a_wall(key: str) -> None:
    """No value is in another unit: the wall refuses gigapascals or grams."""
    m = PIPE_MATERIALS[key]
    wall = PipeWall(
        inside_diameter_m=0.15,
        thickness_m=0.008,
        youngs_modulus_pa=m.youngs_modulus_pa.value,
        poisson_ratio=m.poisson_ratio.value,
        density_kg_m3=m.density_kg_m3.value,
        loss_factor=m.loss_factor.value,
    )
    assert 1000 < wall.ring_frequency_hz < 12000


@pytest.mark.parametrize("key", CHAUDHRY_GPA)
def test_modulus_lies_in_the_handbook_range(key: str) -> None:
    low, high = CHAUDHRY_GPA[key]
    assert low <= PIPE_MATERIALS[key].youngs_modulus_pa.value / 1e9 <= high


@pytest.mark.parametrize("key", CHAUDHRY_POISSON)
def test_poisson_ratio_is_the_handbook_one(key: str) -> None:
    number = PIPE_MATERIALS[key].poisson_ratio
    assert number.value == pytest.approx(CHAUDHRY_POISSON[key], abs=number.sd)


def test_polyethylene_is_stiffer_for_sound_than_in_handbooks() -> None:
    """2.2 GPa fitted measured leak-wave speeds (Graf et al. 2014); PE 100 data sheets: 0.75 to 1.25 GPa."""
    pe100 = PIPE_MATERIALS["pe100"].youngs_modulus_pa
    assert pe100.value == pytest.approx(2.2e9)
    assert pe100.value - 3 * pe100.sd > 1.25e9
    assert (
        pe100.value
        >= PIPE_MATERIALS["pe"].youngs_modulus_pa.value
        >= PIPE_MATERIALS["pe80"].youngs_modulus_pa.value
    )


def test_published_ductile_iron_moduli_are_within_the_spread() -> None:
    """24e6 psi (AWWA C150) and 170 GPa (EN 545)."""
    number = PIPE_MATERIALS["ductile_iron"].youngs_modulus_pa
    for published in (24e6 * 6894.757, 170e9):
        assert abs(published - number.value) < number.sd


def test_published_asbestos_cement_moduli_are_within_the_spread() -> None:
    """3.0e6 psi (Moser and Folkman 2008, Table 5.1) and 24 GPa (Chaudhry)."""
    number = PIPE_MATERIALS["asbestos_cement"].youngs_modulus_pa
    for published in (3.0e6 * 6894.757, 24e9):
        assert abs(published - number.value) < number.sd


def test_grey_iron_is_soft_when_pit_cast_and_stiffer_when_spun() -> None:
    """About 69 to 83 and 103 GPa in AWWA C101-era design values (memory)."""
    pit, spun = youngs_modulus_pa("grey_iron", year=1900), youngs_modulus_pa("grey_iron", year=1950)
    general = youngs_modulus_pa("grey_iron")
    assert 69e9 <= pit.value <= 83e9
    assert abs(spun.value - 103e9) < 5e9
    assert pit.value < general.value < spun.value
    assert general.sd > max(pit.sd, spun.sd)
    assert youngs_modulus_pa("grey_iron", year=1930) == general


@pytest.mark.parametrize("key", sorted(set(PIPE_MATERIALS) - {"grey_iron"}))
def test_other_moduli_do_not_depend_on_the_year(key: str) -> None:
    assert youngs_modulus_pa(key, year=1900) == youngs_modulus_pa(key, year=2020) == youngs_modulus_pa(key)


def test_the_table_is_frozen() -> None:
    with pytest.raises(TypeError):
        operator.setitem(cast(dict[str, Material], PIPE_MATERIALS), "pvc", PIPE_MATERIALS["pe"])
    with pytest.raises(FrozenInstanceError):
        PIPE_MATERIALS["pvc"].youngs_modulus_pa.value = float("1")


@pytest.mark.parametrize("key", ["", "PVC", "wood", "ductile iron"])
def test_unknown_material_says_what_to_do(key: str) -> None:
    with pytest.raises(
        SpeedError, match=r"mains\.gpkg, pipe M-7: .*mapping file.*grey_iron.*give wave_speed"
    ):
        pipe_material(key, item="mains.gpkg, pipe M-7")

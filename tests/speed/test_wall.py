"""Walls against the standards' tables and against the schedules of the library `fluids`.

EN 545 and AWWA values: as printed in tables of makers and in public filings, named beside each.
`fluids.piping` holds ASME B36.10M, ASTM D1785 and AWWA C900 dimensions, entered independently.
"""

from __future__ import annotations

import math

import pytest
from fluids.piping import nearest_pipe
from hypothesis import given, settings
from hypothesis import strategies as st

from netcorr.errors import SpeedError
from netcorr.speed import PIPE_MATERIALS, Wall, wall_thickness
from netcorr.speed.wall import american_size_in
from netcorr.speed.wall_tables import IRON_PIPE_SIZE_OUTSIDE_IN, STEEL_OUTSIDE_MM

INCH = 25.4

#: Class K9 nominal wall by DN, ISO 2531 / EN 545:2006. [mm]
K9_MM = {
    80: 6.0, 100: 6.0, 150: 6.0, 200: 6.3, 250: 6.8, 300: 7.2, 350: 7.7, 400: 8.1, 500: 9.0, 600: 9.9,
    700: 10.8, 800: 11.7, 900: 12.6, 1000: 13.5,
}  # fmt: skip
#: External diameter DE by DN, EN 545:2010. [mm]
DE_MM = {
    80: 98,
    100: 118,
    125: 144,
    150: 170,
    200: 222,
    250: 274,
    300: 326,
    400: 429,
    500: 532,
    600: 635,
    800: 842,
}
#: EN 545:2010 class 40 least wall by DN (maker's table). [mm]
C40_LEAST_MM = {200: 3.1, 250: 3.9, 300: 4.6}
#: ANSI/AWWA C151: outside diameter and nominal wall, pressure class 350 (to 12 in) or 250. [in]
C151_IN = {
    4: (4.80, 0.25), 6: (6.90, 0.25), 8: (9.05, 0.25), 10: (11.10, 0.26), 12: (13.20, 0.28),
    14: (15.30, 0.28), 16: (17.40, 0.30), 18: (19.50, 0.31), 20: (21.60, 0.33), 24: (25.80, 0.37),
}  # fmt: skip
#: AWWA 1908 pit-cast walls of classes A to D by nominal size (cast-iron standard-class table). [in]
PIT_CAST_IN = {
    4: (0.42, 0.45, 0.48, 0.52), 6: (0.44, 0.48, 0.51, 0.55), 8: (0.46, 0.51, 0.56, 0.60),
    12: (0.54, 0.62, 0.68, 0.75), 16: (0.60, 0.70, 0.80, 0.89), 24: (0.76, 0.89, 1.05, 1.16),
}  # fmt: skip
#: PE least wall, SDR 17 and SDR 11, by dn: ISO 4427-2 / EN 12201-2. [mm]
PE_MM = {
    63: (3.8, 5.8),
    90: (5.4, 8.2),
    110: (6.6, 10.0),
    160: (9.5, 14.6),
    200: (11.9, 18.2),
    250: (14.8, 22.7),
}
#: ASTM B88: outside diameter, walls of types K and L. [in]
B88_IN = {
    0.75: (0.875, 0.065, 0.045), 1: (1.125, 0.065, 0.050), 1.5: (1.625, 0.072, 0.060),
    2: (2.125, 0.083, 0.070), 3: (3.125, 0.109, 0.090),
}  # fmt: skip


@pytest.mark.parametrize("dn", K9_MM)
def test_ductile_iron_before_2006_is_class_k9(dn: int) -> None:
    assert wall_thickness("ductile_iron", dn, year=1995).thickness_mm == pytest.approx(K9_MM[dn], abs=0.05)


@pytest.mark.parametrize("dn", DE_MM)
def test_ductile_iron_outside_diameter(dn: int) -> None:
    assert wall_thickness("ductile_iron", dn).outside_diameter_mm == pytest.approx(DE_MM[dn])


@pytest.mark.parametrize("dn", C40_LEAST_MM)
def test_ductile_iron_after_2012_is_class_40_least_wall_and_casting_tolerance(dn: int) -> None:
    found = wall_thickness("ductile_iron", dn, year=2018).thickness_mm
    assert found - (1.3 + 0.001 * dn) == pytest.approx(C40_LEAST_MM[dn], abs=0.06)


def test_ductile_iron_of_unknown_year_lies_between_and_covers_both() -> None:
    old, new, unknown = (wall_thickness("ductile_iron", 300, year=year) for year in (1990, 2020, None))
    assert new.thickness_mm < unknown.thickness_mm < old.thickness_mm
    assert unknown.sd_mm >= (old.thickness_mm - new.thickness_mm) / 2
    assert any("year unknown" in text for text in unknown.assumptions)
    assert not old.assumptions


@pytest.mark.parametrize("inches", C151_IN)
def test_american_ductile_iron(inches: int) -> None:
    outside, wall = C151_IN[inches]
    found = wall_thickness("ductile_iron", inches * INCH, year=2005)
    assert found.outside_diameter_mm == pytest.approx(outside * INCH)
    assert found.thickness_mm == pytest.approx(wall * INCH)


@pytest.mark.parametrize("inches", PIT_CAST_IN)
def test_pit_cast_wall_covers_classes_a_to_d(inches: int) -> None:
    found = wall_thickness("grey_iron", inches * INCH, year=1905)
    walls = [wall * INCH for wall in PIT_CAST_IN[inches]]
    assert walls[1] <= found.thickness_mm + 0.2
    assert found.thickness_mm - 0.2 <= walls[2]
    assert all(abs(wall - found.thickness_mm) < 2 * found.sd_mm for wall in walls)


def test_spun_grey_iron_is_thinner_than_pit_cast() -> None:
    """6 in: 0.38 in spun class 150, 0.48 in pit-cast class B."""
    spun, pit = (wall_thickness("grey_iron", 6 * INCH, year=year) for year in (1950, 1905))
    assert spun.thickness_mm == pytest.approx(9.65, abs=0.05)
    assert spun.thickness_mm < pit.thickness_mm


@pytest.mark.parametrize("nps", [1, 2, 3, 4, 6, 8, 10, 12, 48])
def test_american_steel_is_standard_weight(nps: int) -> None:
    _, _, outside, wall = nearest_pipe(NPS=nps, schedule="STD")
    found = wall_thickness("steel", nps * INCH)
    assert found.thickness_mm == pytest.approx(wall * 1000, abs=0.02)
    assert found.outside_diameter_mm == pytest.approx(outside * 1000, abs=0.2)


@pytest.mark.parametrize(("dn", "nps"), [(50, 2), (100, 4), (150, 6), (200, 8), (300, 12), (600, 24)])
def test_steel_outside_diameters_are_those_of_b36_10(dn: int, nps: int) -> None:
    assert STEEL_OUTSIDE_MM[dn] == pytest.approx(nearest_pipe(NPS=nps, schedule="STD")[2] * 1000, abs=0.2)


def test_published_thin_steel_main_is_within_two_sigma() -> None:
    """813 x 5.8 mm, CPHEEO Manual on Water Supply, cl. 6.17.2."""
    found = wall_thickness("steel", 800)
    assert found.outside_diameter_mm == pytest.approx(813)
    assert abs(found.thickness_mm - 5.8) < 2 * found.sd_mm


@pytest.mark.parametrize("inches", [4, 6, 8, 10, 12])
def test_american_pvc_is_c900_dr18_and_covers_dr14_and_dr25(inches: int) -> None:
    dr18, dr14, dr25 = (nearest_pipe(NPS=inches, schedule=f"DR{ratio}C900") for ratio in (18, 14, 25))
    found = wall_thickness("pvc", inches * INCH)
    assert found.outside_diameter_mm == pytest.approx(dr18[2] * 1000, abs=0.1)
    assert found.thickness_mm == pytest.approx(dr18[3] * 1000, abs=0.05)
    for other in (dr14, dr25):
        assert abs(other[3] * 1000 - found.thickness_mm) < 2.5 * found.sd_mm


@pytest.mark.parametrize("nps", IRON_PIPE_SIZE_OUTSIDE_IN)
def test_small_american_plastic_has_iron_pipe_size(nps: float) -> None:
    _, _, outside, _ = nearest_pipe(NPS=nps, schedule="40D1785")
    assert IRON_PIPE_SIZE_OUTSIDE_IN[nps] * INCH == pytest.approx(outside * 1000, abs=0.2)


@pytest.mark.parametrize("key", ["pe", "pe80", "pe100"])
@pytest.mark.parametrize("dn", PE_MM)
def test_pe_wall_lies_between_sdr_17_and_sdr_11_and_covers_them(key: str, dn: int) -> None:
    sdr17, sdr11 = PE_MM[dn]
    found = wall_thickness(key, dn)
    assert sdr17 <= found.thickness_mm <= sdr11 + 0.1
    assert abs(sdr11 - found.thickness_mm) < 2 * found.sd_mm
    assert found.outside_diameter_mm == dn
    assert any("pressure class unknown" in text for text in found.assumptions)


def test_pvc_in_millimetres_covers_a_published_wall() -> None:
    """160 mm SDR 21: 7.7 mm (EN ISO 1452)."""
    assert wall_thickness("pvc", 160).thickness_mm == pytest.approx(7.7, abs=0.1)


@pytest.mark.parametrize("inches", B88_IN)
def test_american_copper_lies_between_types_k_and_l(inches: float) -> None:
    outside, k, thin = B88_IN[inches]
    found = wall_thickness("copper", inches * INCH)
    assert found.outside_diameter_mm == pytest.approx(outside * INCH)
    assert thin * INCH < found.thickness_mm < k * INCH


def test_asbestos_cement_covers_a_published_pipe() -> None:
    """6 in class 150: outside 7.05 in, wall 0.6 in (approximate)."""
    found = wall_thickness("asbestos_cement", 6 * INCH)
    assert found.thickness_mm == pytest.approx(0.6 * INCH, abs=found.sd_mm)
    assert found.outside_diameter_mm == pytest.approx(7.05 * INCH, rel=0.03)
    assert found.bore_is_nominal


@pytest.mark.parametrize(
    ("diameter_mm", "inches"),
    [
        (152.4, 6),
        (152, 6),
        (203, 8),
        (304.8, 12),
        (305, 12),
        (609.6, 24),
        (50.8, 2),
        (19.05, 0.75),
        (25.4, 1),
    ],
)
def test_american_sizes_are_recognised(diameter_mm: float, inches: float) -> None:
    assert american_size_in(diameter_mm) == inches


@pytest.mark.parametrize(
    "diameter_mm",
    [15, 20, 22, 25, 28, 32, 35, 42, 50, 54, 63, 75, 80, 90, 100, 110, 125, 150, 160, 180, 200, 225, 250, 300,
     315,     350, 355, 400, 450, 500, 560, 600, 630, 700, 710, 800, 900, 1000, 1200],
)  # fmt: skip
def test_metric_sizes_are_not_taken_for_american(diameter_mm: float) -> None:
    assert american_size_in(diameter_mm) is None


@settings(max_examples=50, deadline=None)
@given(
    key=st.sampled_from(sorted(PIPE_MATERIALS)), diameter_mm=st.floats(150, 200), year=st.integers(1880, 2025)
)
def test_every_wall_adds_up(key: str, diameter_mm: float, year: int) -> None:
    wall = wall_thickness(key, diameter_mm, year=year)
    assert wall.inside_diameter_mm + 2 * wall.thickness_mm == pytest.approx(wall.outside_diameter_mm)
    assert 0.03 * wall.thickness_mm < wall.sd_mm < 0.35 * wall.thickness_mm
    assert wall.source


@settings(max_examples=40, deadline=None)
@given(key=st.sampled_from(sorted(set(PIPE_MATERIALS) - {"copper", "lead"})), diameter_mm=st.floats(150, 700))
def test_larger_pipes_have_no_larger_share_of_wall(key: str, diameter_mm: float) -> None:
    """Strength grows with wall over diameter, so tables never give a larger pipe much more of it."""
    small, large = (wall_thickness(key, d, year=1990) for d in (diameter_mm, diameter_mm * 1.2))
    if (american_size_in(diameter_mm) is None) != (american_size_in(diameter_mm * 1.2) is None):
        return
    ratio = (large.thickness_mm / large.outside_diameter_mm) / (
        small.thickness_mm / small.outside_diameter_mm
    )
    assert ratio < 1.05


@pytest.mark.parametrize("key", PIPE_MATERIALS)
def test_given_wall_keeps_the_fixed_diameter(key: str) -> None:
    table = wall_thickness(key, 160)
    given_wall = wall_thickness(key, 160, wall_mm=table.thickness_mm * 1.2)
    assert given_wall.thickness_mm == pytest.approx(table.thickness_mm * 1.2)
    assert given_wall.source == "given"
    assert given_wall.sd_mm < table.sd_mm * 1.2
    assert not given_wall.assumptions
    fixed = "inside_diameter_mm" if table.bore_is_nominal else "outside_diameter_mm"
    assert getattr(given_wall, fixed) == pytest.approx(getattr(table, fixed))


def test_missing_year_and_wall_may_be_nan() -> None:
    assert wall_thickness("ductile_iron", 200, year=math.nan, wall_mm=math.nan) == wall_thickness(
        "ductile_iron", 200
    )


@pytest.mark.parametrize("diameter_mm", [6.0, 0.0, -150.0, 15000.0, math.nan, math.inf])
def test_diameter_in_the_wrong_unit_is_refused(diameter_mm: float) -> None:
    with pytest.raises(SpeedError, match=r"pipe M-3: diameter .* mm; .*check the value and its unit"):
        wall_thickness("ductile_iron", diameter_mm, item="pipe M-3")


@pytest.mark.parametrize("wall_mm", [0.0, 0.25, 80.0, -6.0, math.inf])
def test_wall_in_the_wrong_unit_is_refused(wall_mm: float) -> None:
    with pytest.raises(SpeedError, match=r"pipe M-3: wall of .* mm on a pipe of 170 mm"):
        wall_thickness("ductile_iron", 150, wall_mm=wall_mm, item="pipe M-3")


@pytest.mark.parametrize(
    "sizes", [(6.0, 1.0, 170.0, 150.0), (0.0, 1.0, 170.0, 170.0), (6.0, -1.0, 170.0, 158.0)]
)
def test_a_wall_that_does_not_add_up_is_refused(sizes: tuple[float, float, float, float]) -> None:
    with pytest.raises(SpeedError, match="wall: "):
        Wall(*sizes, source="test")

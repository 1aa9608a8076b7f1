"""Dimensions of pipes from the standards' tables, each with its source.

'Memory' marks values that were not looked up again; they sit in the same series as those that were.
"""

from __future__ import annotations

from types import MappingProxyType

# --- ductile iron -----------------------------------------------------------------------------------------
#: Outside diameter DE by DN, EN 545 and ISO 2531 (450, 700, 900 and above 1000 from memory). [mm]
DUCTILE_OUTSIDE_MM = MappingProxyType(
    {
        80: 98.0, 100: 118.0, 125: 144.0, 150: 170.0, 200: 222.0, 250: 274.0, 300: 326.0, 350: 378.0,
        400: 429.0, 450: 480.0, 500: 532.0, 600: 635.0, 700: 738.0, 800: 842.0, 900: 945.0, 1000: 1048.0,
        1200: 1255.0, 1400: 1462.0, 1600: 1668.0,
    }
)  # fmt: skip
#: Outside diameter of American ductile and grey iron, ANSI/AWWA C151 (above 24 in from memory). [in]
CAST_IRON_OUTSIDE_IN = MappingProxyType(
    {
        3: 3.96, 4: 4.80, 6: 6.90, 8: 9.05, 10: 11.10, 12: 13.20, 14: 15.30, 16: 17.40, 18: 19.50, 20: 21.60,
        24: 25.80, 30: 32.00, 36: 38.30, 42: 44.50, 48: 50.80,
    }
)  # fmt: skip
#: Nominal wall, usual pressure class of ANSI/AWWA C151: 350 to 12 in, 250 above (from 30 in, memory). [in]
DUCTILE_PRESSURE_CLASS_IN = MappingProxyType(
    {
        3: 0.25, 4: 0.25, 6: 0.25, 8: 0.25, 10: 0.26, 12: 0.28, 14: 0.28, 16: 0.30, 18: 0.31, 20: 0.33,
        24: 0.37, 30: 0.42, 36: 0.47, 42: 0.52, 48: 0.58,
    }
)  # fmt: skip
#: Special thickness class 51, usual before pressure classes (1991): Moser and Folkman (2008), Buried
#: Pipe Design, Table 4.1, to 16 in; above from memory. [in]
DUCTILE_CLASS_51_IN = MappingProxyType(
    {
        3: 0.25, 4: 0.26, 6: 0.28, 8: 0.30, 10: 0.32, 12: 0.34, 14: 0.36, 16: 0.37, 18: 0.38, 20: 0.39,
        24: 0.41, 30: 0.43, 36: 0.48, 42: 0.53, 48: 0.58,
    }
)  # fmt: skip

# --- grey iron --------------------------------------------------------------------------------------------
#: AWWA 1908 pit-cast pipe, (outside, bore) of class B, from a table of cast-iron standard classes. [in]
PIT_CAST_CLASS_B_IN = MappingProxyType(
    {
        4: (5.00, 4.10),
        6: (7.10, 6.14),
        8: (9.05, 8.03),
        12: (13.20, 11.96),
        16: (17.40, 16.00),
        24: (25.80, 24.02),
    }
)
#: Class C of the same table. [in]
PIT_CAST_CLASS_C_IN = MappingProxyType(
    {
        4: (5.00, 4.04),
        6: (7.10, 6.08),
        8: (9.30, 8.18),
        12: (13.50, 12.14),
        16: (17.80, 16.20),
        24: (26.32, 24.22),
    }
)
#: Spun grey iron, class 150 of the AWWA standards for centrifugally cast pipe: walls from memory. [in]
SPUN_GREY_WALL_IN = MappingProxyType(
    {3: 0.32, 4: 0.35, 6: 0.38, 8: 0.41, 10: 0.44, 12: 0.48, 16: 0.54, 20: 0.62, 24: 0.73}
)

# --- steel ------------------------------------------------------------------------------------------------
#: Outside diameter by NPS, ASME B36.10M (agrees with ISO 4200 within 1 mm at the DN of the same row). [mm]
STEEL_OUTSIDE_MM = MappingProxyType(
    {
        25: 33.4, 32: 42.2, 40: 48.3, 50: 60.3, 65: 73.0, 80: 88.9, 100: 114.3, 125: 141.3, 150: 168.3,
        200: 219.1, 250: 273.0, 300: 323.8, 350: 355.6, 400: 406.4, 450: 457.0, 500: 508.0, 600: 610.0,
        700: 711.0, 800: 813.0, 900: 914.0, 1000: 1016.0, 1200: 1219.0,
    }
)  # fmt: skip
#: DN of the nominal pipe sizes below 4 in, ISO 6708; from there it is 25 times the inches.
SMALL_NPS_TO_DN = MappingProxyType({1.0: 25.0, 1.25: 32.0, 1.5: 40.0, 2.0: 50.0, 2.5: 65.0, 3.0: 80.0})
#: Standard weight (STD) wall, ASME B36.10M. [mm]
STEEL_STD_WALL_MM = MappingProxyType(
    {
        25: 3.38, 32: 3.56, 40: 3.68, 50: 3.91, 65: 5.16, 80: 5.49, 100: 6.02, 125: 6.55, 150: 7.11,
        200: 8.18, 250: 9.27, 300: 9.53, 1200: 9.53,
    }
)  # fmt: skip
#: Welded steel water main in the metric series, usual wall (DIN 2460 and ISO 4200, memory). A published
#: example of a thin main is 813 x 5.8 mm (CPHEEO Manual on Water Supply, cl. 6.17.2). [mm]
STEEL_MAIN_WALL_MM = MappingProxyType(
    {
        25: 2.6,
        50: 2.9,
        80: 3.2,
        100: 3.6,
        150: 4.5,
        200: 5.0,
        250: 5.6,
        300: 6.3,
        500: 6.3,
        800: 8.0,
        1200: 11.0,
    }
)

# --- copper -----------------------------------------------------------------------------------------------
#: ASTM B88: (outside, type K wall, type L wall) by nominal size. 1/2, 1-1/4, 2-1/2 and 4 in from memory. [in]
COPPER_B88_IN = MappingProxyType(
    {
        0.5: (0.625, 0.049, 0.040), 0.75: (0.875, 0.065, 0.045), 1.0: (1.125, 0.065, 0.050),
        1.25: (1.375, 0.065, 0.055), 1.5: (1.625, 0.072, 0.060), 2.0: (2.125, 0.083, 0.070),
        2.5: (2.625, 0.095, 0.080), 3.0: (3.125, 0.109, 0.090), 4.0: (4.125, 0.134, 0.110),
    }
)  # fmt: skip
#: EN 1057, usual wall by outside diameter (memory). [mm]
COPPER_EN1057_MM = MappingProxyType(
    {12: 0.8, 15: 0.9, 22: 1.0, 28: 1.0, 35: 1.2, 42: 1.2, 54: 1.3, 67: 1.4, 76.1: 1.6, 108: 2.0}
)

# --- plastics in inches -----------------------------------------------------------------------------------
#: Outside diameter of iron-pipe-size plastic pipe below 4 in, ASTM D1785 and D2241 (as ASME B36.10M). [in]
IRON_PIPE_SIZE_OUTSIDE_IN = MappingProxyType(
    {0.5: 0.840, 0.75: 1.050, 1.0: 1.315, 1.25: 1.660, 1.5: 1.900, 2.0: 2.375, 2.5: 2.875, 3.0: 3.500}
)

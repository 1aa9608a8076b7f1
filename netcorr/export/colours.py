"""Colours that every picture, style and page uses, told apart also by lightness."""

INK = "#22303c"  # text, outlines
QUIET = "#6b7885"  # secondary text
PAPER = "#fbfaf7"  # background of maps
FRAME = "#c9ced3"
PATH = "#f3d27a"  # halo of the path between the sensors
LEAK = "#a5174b"  # candidate and its stretch
SENSOR = "#12355b"
FOUND = "#2f6b3a"  # a leak that the ground confirmed

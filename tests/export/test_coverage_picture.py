"""The picture of a coverage: written whole, in the colours of the layers, with words that fit."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread

from netcorr.errors import ExportError
from netcorr.export.coverage_picture import draw_coverage
from netcorr.export.coverage_style import TIGHT
from netcorr.planning.cover_answer import CoverAnswer
from tests.export.test_coverage import answer_for
from tests.planning.conftest import town


@pytest.fixture(scope="module")
def answer() -> CoverAnswer:
    network = town(
        {"M": [(0, 0), (60, 0), (110, 0)], "P": [(110, 0), (300, 0)]},
        {"V0": (0, 0), "V1": (60, 0), "V2": (110, 0), "V3": (300, 0)},
        columns={"P": {"material": "pe100", "diameter_mm": 110.0}},
    )
    return answer_for(network, ["V0", "V1", "V3"])


def test_covered_main_has_the_colour_of_the_layer(answer: CoverAnswer, tmp_path: Path) -> None:
    draw_coverage(answer, tmp_path / "c.png")
    pixels = imread(tmp_path / "c.png")
    assert pixels.shape[:2] == (1000, 1600)
    wanted = np.array([int(TIGHT[at : at + 2], 16) / 255 for at in (1, 3, 5)])
    on_map = pixels[:, : int(0.69 * 1600), :3]
    assert (np.abs(on_map - wanted).max(axis=2) < 0.02).sum() > 500


def test_words_say_how_much_and_what(answer: CoverAnswer, tmp_path: Path) -> None:
    draw_coverage(answer, tmp_path / "c.svg", units="us")
    text = (tmp_path / "c.svg").read_text(encoding="utf-8")
    for words in ("3 sensors cover 20 % of the mains", "197", "sensor that makes no pair", "ft"):
        assert words in text
    draw_coverage(answer, tmp_path / "again.svg", units="us")
    assert (tmp_path / "again.svg").read_text(encoding="utf-8") == text, "the same again"


def test_a_name_that_is_no_picture_is_refused(answer: CoverAnswer, tmp_path: Path) -> None:
    with pytest.raises(ExportError, match=r"no \.png or \.svg at the end"):
        draw_coverage(answer, tmp_path / "c.jpg")

"""Accuracy as layers, words and a picture: the same numbers everywhere, and no more than is known."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import matplotlib.image
import pandas as pd
import pyogrio
import pyproj
import pytest

from netcorr.errors import ExportError
from netcorr.export.accuracy_tables import ACCURACY_LAYERS, accuracy_tables, write_accuracy
from netcorr.export.accuracy_words import _laid, accuracy_dict, accuracy_text
from netcorr.export.calibration_file import write_calibration
from netcorr.export.cautions import CAUTIONS
from netcorr.export.reliability_plot import plot_reliability
from netcorr.speed import Calibration, SpeedScale, read_calibration
from netcorr.verification import Accuracy, SpeedLesson, accuracy_of
from netcorr.verification.speeds import LearnedSpeed
from tests.verification.test_accuracy import dry, find

CRS = pyproj.CRS(25832)
LESSON = SpeedLesson(
    (
        LearnedSpeed("grey_iron", None, 0.97, 0.01, 0.04, finds=7, surveys=5),
        LearnedSpeed("pe", (1990, 2005), 1.01, 0.049, 0.05, finds=1, surveys=1),
    ),
    left_out=("june.gpkg: the find lies 7 standard deviations from where any likely speed puts it",),
)


def many(count: int = 12, *, dry_holes: int = 3) -> Accuracy:
    wet = [find(candidate_id=f"w{i}", found_from_a_m=45 + 0.1 * i, result=f"r{i}.gpkg") for i in range(count)]
    holes = [dry(candidate_id=f"d{i}", crew="South", probability=0.6) for i in range(dry_holes)]
    return accuracy_of([*wet, *holes])


def plain(text: str) -> str:
    return " ".join(text.split())


class TestLayers:
    def test_written_and_read_again(self, tmp_path: Path) -> None:
        write_accuracy(many(), LESSON, tmp_path / "a.gpkg", crs=CRS)
        assert [str(name) for name, _ in pyogrio.list_layers(tmp_path / "a.gpkg")] == [
            layer.name for layer in ACCURACY_LAYERS
        ]
        groups = pyogrio.read_dataframe(tmp_path / "a.gpkg", layer="accuracy_groups")
        everything = groups.iloc[0]
        assert everything[["dug", "found", "dry", "measured"]].tolist() == [15, 12, 3, 12]
        assert everything.hit_rate == pytest.approx(0.8)
        assert everything.within_3_ft == pytest.approx(10 / 12)
        speeds = pyogrio.read_dataframe(tmp_path / "a.gpkg", layer="learned_speeds")
        assert speeds.learned.tolist() == [True, False]
        assert pd.isna(speeds.first_year[0])
        widening = pyogrio.read_dataframe(tmp_path / "a.gpkg", layer="area_widening")
        assert widening[["pipes", "level", "finds"]].to_numpy().tolist() == [["metal", 0.9, 12]]
        # 12 finds, each 0.1 m farther off, with a stated 0.5 m: the 12th of 12 is the ceil(13 * 0.9)-th
        assert widening.multiplier[0] == pytest.approx(1.1 / 0.5)
        assert widening.factor[0] == pytest.approx(2.2 / 1.6449)
        write_accuracy(many(), LESSON, tmp_path / "a.gpkg", crs=CRS)  # its own is replaced

    def test_what_is_not_known_is_empty(self) -> None:
        tables = accuracy_tables(accuracy_of([]), SpeedLesson(()), crs=CRS)
        assert len(tables["verified_finds"]) == 0
        [everything] = tables["accuracy_groups"].to_dict("records")
        assert everything["dug"] == 0
        assert math.isnan(everything["hit_rate"])
        assert set(tables["reliability"].agreement) == {"nothing dug"}
        few = accuracy_tables(many(3, dry_holes=0), SpeedLesson(()), crs=CRS)["accuracy_groups"]
        assert few.median_high_m.isna().all()
        assert few.few.all()

    def test_disputed_finds_are_listed_as_such(self) -> None:
        table = accuracy_tables(accuracy_of([find(disputed=True)]), SpeedLesson(()), crs=CRS)[
            "verified_finds"
        ]
        assert table.disputed.tolist() == [True]


@pytest.mark.parametrize(
    ("years", "told"),
    [
        (None, ""),
        ((1750, 1929), " laid before 1930"),
        ((1960, 1989), " laid 1960 to 1989"),
        ((2006, 2100), " laid since 2006"),
    ],
)
def test_only_the_years_that_say_something_are_told(years: tuple[int, int] | None, told: str) -> None:
    assert _laid(years) == told


class TestWords:
    def test_the_whole(self) -> None:
        text = accuracy_text(many(), LESSON, results=13)
        assert max(map(len, text.splitlines())) <= 80
        for words in (
            "13 results: 15 candidates visited, 15 dug: 12 leaks found, 3 dry holes.",
            "Hit rate: 12 of 15 (80 %; 95 % interval 55 to 93 %)",
            "Within 0.9 m (3 ft): 10 of 12",
            "Stated 90 to 100 % (mean 95 %): the leak was in the stated area 11 of 12",
            "less than stated, but few data: watch it",  # three dry holes at 60 %
            "grey cast iron: 0.970 times the tables' speed, +- 1.0 % (tables alone +- 4.0 %), from 7 finds.",
            "polyethylene laid 1990 to 2005: 1 find, no more than the tables say",
            "Not used for speeds: june.gpkg",
            "survey the same mains again",
            "None heard is not none.",
            "not leaks that nobody looked for",
            *CAUTIONS,
        ):
            assert words in plain(text), words

    def test_few_data_are_called_so(self) -> None:
        text = plain(accuracy_text(many(2, dry_holes=1), SpeedLesson(()), results=3))
        assert "Few data: figures from fewer than ten may be chance." in text
        assert "from 2: too few for an interval" in text
        assert "few data, so it cannot be told yet" in text

    def test_nothing_yet(self) -> None:
        text = plain(accuracy_text(accuracy_of([]), SpeedLesson(()), results=2))
        assert "2 results: no candidate was visited yet." in text
        assert "nothing is learned" in text
        heard = accuracy_of([find(verification="heard on the surface", found_from_a_m=None)])
        assert "before something is dug" in plain(accuracy_text(heard, SpeedLesson(()), results=1))

    def test_in_feet(self) -> None:
        text = plain(accuracy_text(many(), LESSON, results=13, units="us"))
        assert "Within 3 ft (0.9 m)" in text
        assert "median 1' 10\"" in text

    def test_hostile_names_and_notes_are_text(self) -> None:
        finds = [find(candidate_id=str(i), crew="\x1b[31m" + "x" * 60) for i in range(2)]
        text = accuracy_text(accuracy_of(finds), LESSON, results=1, notes=["\u202ereversed"])
        assert "\x1b" not in text
        assert "\u202e" not in text
        assert max(map(len, text.splitlines())) <= 80

    def test_for_machines(self) -> None:
        found = json.loads(json.dumps(accuracy_dict(many(), LESSON, results=13), allow_nan=False))
        assert found["groups"][0]["hit_rate"]["value"] == pytest.approx(0.8)
        assert found["reliability"][-1]["agreement"] == "agrees"
        assert [one["learned"] for one in found["speeds"]] == [True, False]
        assert found["widenings"][0]["group"] == "metal"
        empty = accuracy_dict(accuracy_of([]), SpeedLesson(()), results=1)
        assert json.loads(json.dumps(empty, allow_nan=False))["groups"][0]["hit_rate"]["value"] is None

    def test_contradicted_candidates_are_said(self) -> None:
        text = accuracy_text(accuracy_of([find(), find(candidate_id="2", disputed=True)]), LESSON, results=1)
        assert "1 left out where crews contradict each other" in plain(text)


class TestPicture:
    def test_svg_holds_the_counts_as_text(self, tmp_path: Path) -> None:
        plot_reliability(many(), tmp_path / "r.svg")
        words = " ".join(ET.parse(tmp_path / "r.svg").getroot().itertext())
        for text in (
            "Does a stated probability come true?",
            "11 of 12",
            "0 of 3",
            "15 dug",
            "hollow: few data",
        ):
            assert text in words
        before = (tmp_path / "r.svg").read_bytes()
        plot_reliability(many(), tmp_path / "r.svg")
        assert (tmp_path / "r.svg").read_bytes() == before

    def test_png_has_the_size_asked_for(self, tmp_path: Path) -> None:
        plot_reliability(many(), tmp_path / "r.png", width_px=900, height_px=800)
        assert matplotlib.image.imread(tmp_path / "r.png").shape[:2] == (800, 900)

    def test_without_data_it_says_so(self, tmp_path: Path) -> None:
        plot_reliability(accuracy_of([]), tmp_path / "r.svg")
        assert "nothing dug yet" in " ".join(ET.parse(tmp_path / "r.svg").getroot().itertext())

    @pytest.mark.parametrize("name", ["r.jpg", "nowhere/r.png"])
    def test_a_bad_name_is_refused(self, tmp_path: Path, name: str) -> None:
        with pytest.raises(ExportError):
            plot_reliability(many(), tmp_path / name)


class TestCalibrationFile:
    KNOWN = Calibration((SpeedScale("grey_iron", 0.97, 0.01, 5),), source="speeds.toml")

    def test_written_replaced_and_read(self, tmp_path: Path) -> None:
        file = tmp_path / "speeds.toml"
        write_calibration(Calibration((), source="speeds.toml"), file)
        assert read_calibration(file).scales == ()
        write_calibration(self.KNOWN, file)
        assert read_calibration(file) == self.KNOWN

    def test_another_file_is_not_lost(self, tmp_path: Path) -> None:
        file = tmp_path / "mapping.toml"
        file.write_text("[mains]\nlayer = 'pipes'\n")
        with pytest.raises(ExportError, match="is no calibration file"):
            write_calibration(self.KNOWN, file)
        assert "pipes" in file.read_text()


def test_words_and_tables_agree(tmp_path: Path) -> None:
    accuracy = many(20, dry_holes=4)
    table = accuracy_tables(accuracy, LESSON, crs=CRS)["accuracy_groups"]
    text = plain(accuracy_text(accuracy, LESSON, results=24))
    row = table.iloc[0]
    assert f"{row.found} of {row.dug} ({100 * row.hit_rate:.0f} %" in text
    assert replace(accuracy, finds=()).all == accuracy.all

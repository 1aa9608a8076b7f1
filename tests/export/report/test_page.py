"""The page as text: complete, correct HTML, asks for nothing, shows hostile names as they are."""

from __future__ import annotations

import base64
import hashlib
import html
import io
import os
import re
import shutil
import sqlite3
from collections import Counter
from contextlib import closing
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
import soundfile
from PIL import Image

from netcorr.errors import CancelledError, ExportError
from netcorr.export import StoredResult
from netcorr.export.cautions import CAUTIONS
from netcorr.export.geopackage import write_result
from netcorr.export.report import write_report
from netcorr.export.report.advice import AFTER_REPAIR, SILENCE
from netcorr.export.take_in import take_in
from netcorr.feedback import NoFeedback

if TYPE_CHECKING:
    from collections.abc import Callable

    from conftest import Made

    from netcorr.position.fix import SurveyFix

_VOID = {"meta", "link", "br", "img", "input", "hr", "source", "wbr", "col", "base"}
#: Names as `conftest.py` puts them into map and table.
SCRIPT = "<script>window.broken=1</script>"
IMAGE = "\"><img src=x onerror='window.broken=2'>"
BREAK = "</title></style></script><h1>broken</h1>"
TEMPLATE = "{{ 7 * 7 }} & ${8*8}"
SOUND = 'it\'s & "so" <i>.wav'


class Page(HTMLParser):
    """Elements with their attributes and text; complains of tags that do not match."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.faults: list[str] = []
        self.text: dict[int, str] = {}
        self._open: list[tuple[str, int]] = []
        self.parents: list[tuple[str, ...]] = []
        self.feed(text)
        self.close()
        self.faults += [f"never closed: {tag}" for tag, _ in self._open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        self.faults += [f"{tag}: {name} twice" for name, n in Counter(names).items() if n > 1]
        self.elements.append((tag, dict(attrs)))
        self.parents.append(tuple(t for t, _ in self._open))
        if tag not in _VOID:
            self._open.append((tag, len(self.elements) - 1))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self.parents.append(tuple(t for t, _ in self._open))

    def handle_endtag(self, tag: str) -> None:
        if not self._open or self._open[-1][0] != tag:
            self.faults.append(f"</{tag}> while open: {[t for t, _ in self._open][-3:]}")
            return
        self._open.pop()

    def handle_data(self, data: str) -> None:
        for _, index in self._open:
            self.text[index] = self.text.get(index, "") + data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]

    def texts(self, tag: str) -> list[str]:
        return [self.text.get(i, "") for i, (name, _) in enumerate(self.elements) if name == tag]


@pytest.fixture(scope="module")
def page(made: Made) -> Page:
    return Page(made.html)


class TestHtml:
    def test_every_tag_is_closed_where_it_belongs(self, page: Page) -> None:
        assert page.faults == []

    def test_ids_are_unique_and_links_lead_somewhere(self, page: Page) -> None:
        ids = [a["id"] for _, a in page.elements if a.get("id")]
        assert len(set(ids)) == len(ids)
        targets = [str(a["href"]) for a in page.all("a")]
        assert targets
        assert all(target.startswith("#") and target[1:] in ids for target in targets)
        named = [
            a[name]
            for _, a in page.elements
            for name in ("aria-labelledby", "aria-describedby")
            if a.get(name)
        ]
        assert set(named) <= set(ids)

    def test_nothing_is_loaded(self, page: Page) -> None:
        for tag, attributes in page.elements:
            for name in ("src", "href", "xlink:href", "poster", "srcset", "action", "data"):
                value = attributes.get(name)
                if value is not None:
                    assert value.startswith(("#", "data:image/png;base64,", "data:audio/wav;base64,")), tag
        assert not page.all("link")
        assert not page.all("iframe")
        css = " ".join(page.texts("style"))
        assert "url(" not in css
        assert "@import" not in css

    def test_policy_forbids_everything_but_its_own_script(self, made: Made, page: Page) -> None:
        [policy] = [a["content"] for a in page.all("meta") if a.get("http-equiv")]
        [script] = re.findall(r"<script>(.*?)</script>", made.html.split("<main")[-1], re.S)
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert policy is not None
        assert f"script-src 'sha256-{digest}'" in policy
        assert policy.startswith("default-src 'none'")

    def test_pictures_and_sounds_have_names(self, page: Page) -> None:
        assert len(page.all("svg")) >= 5
        assert all(a.get("aria-label") for a in page.all("svg"))
        assert all(a.get("aria-label") for a in page.all("audio"))
        assert not page.all("img")  # spectrograms are images inside named pictures

    def test_tables_have_captions_and_headers(self, page: Page) -> None:
        assert len(page.all("table")) == len(page.all("caption")) >= 8
        assert all(a.get("scope") in {"col", "row"} for a in page.all("th"))
        rows = [i for i, (tag, _) in enumerate(page.elements) if tag == "tr"]
        for i in rows:
            assert page.elements[i + 1][0] == "th"

    def test_headings_step_down_one_at_a_time(self, page: Page) -> None:
        levels = [int(tag[1]) for tag, _ in page.elements if re.fullmatch(r"h[1-6]", tag)]
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))

    def test_landmarks(self, page: Page) -> None:
        for tag in ("header", "nav", "main", "footer"):
            assert len(page.all(tag)) == 1
        assert page.all("html")[0]["lang"] == "en"
        named = [a for a in page.all("section") if a.get("id")]
        assert all(a.get("aria-labelledby") for a in named)

    def test_each_picture_has_its_numbers(self, page: Page) -> None:
        details = [s for s in page.texts("summary") if s.startswith("Numbers")]
        assert len(details) == len(page.all("figure")) + 1  # and the map


class TestHostileText:
    @pytest.mark.parametrize("name", [SCRIPT, IMAGE, BREAK, TEMPLATE, SOUND])
    def test_is_shown_as_text(self, page: Page, name: str) -> None:
        assert name in page.text[0]

    def test_makes_no_elements(self, page: Page) -> None:
        assert len(page.all("script")) == 1
        assert not page.all("i")
        assert not page.all("img")
        assert len(page.all("h1")) == 1
        assert not [a for _, a in page.elements if any(name.startswith("on") for name in a)]
        assert "broken" not in page.texts("h1")[0]
        assert "49 & " not in page.text[0]


class TestContents:
    def test_what_was_found(self, page: Page) -> None:
        text = " ".join(page.text[0].split())
        assert "1 leak with strong evidence" in page.texts("h1")[0]
        assert "What the uncertainty is made of" in text
        assert "What would shrink it" in text
        for caution in CAUTIONS:
            assert caution in text

    def test_repair_and_silence_are_spoken_of(self, page: Page) -> None:
        assert AFTER_REPAIR in page.text[0]
        for sentence in SILENCE:
            assert sentence in page.text[0]
        assert "hides quiet ones" in AFTER_REPAIR
        assert "None heard is not none" in SILENCE[0]

    def test_sounds_are_what_browsers_play(self, page: Page) -> None:
        sounds = [str(a["src"]).removeprefix("data:audio/wav;base64,") for a in page.all("audio")]
        assert len(sounds) == 2
        for sound in sounds:
            info = soundfile.info(io.BytesIO(base64.b64decode(sound)))
            assert info.samplerate >= 3000  # less is refused by common browsers
            assert info.subtype == "PCM_16"
            assert 3 < info.duration <= 6.1

    def test_spectrograms_are_png(self, page: Page) -> None:
        pictures = [str(a["href"]).removeprefix("data:image/png;base64,") for a in page.all("image")]
        assert len(pictures) == 2
        for picture in pictures:
            assert Image.open(io.BytesIO(base64.b64decode(picture))).size == (360, 120)

    def test_fingerprints_of_the_recordings(self, made: Made, page: Page) -> None:
        sound = made.table.with_name(SOUND)
        assert hashlib.sha256(sound.read_bytes()).hexdigest() in page.text[0]

    def test_page_is_small(self, made: Made) -> None:
        assert made.page.stat().st_size < 1_500_000

    def test_command_says_what_is_in_it(self, made: Made) -> None:
        assert "1 candidate, 2 recordings to hear" in made.said


class TestOtherPages:
    def test_feet_and_inches_over_an_earlier_report(
        self, made: Made, stored: StoredResult, tmp_path: Path
    ) -> None:
        shutil.copy(made.page, tmp_path / "r.html")
        write_report(stored, tmp_path / "r.html", units="us")
        text = html.unescape((tmp_path / "r.html").read_text(encoding="utf-8"))
        assert "distance from A along the main, ft" in text
        assert "147'" in text  # 45 m are 147 ft 8 in
        assert Page((tmp_path / "r.html").read_text(encoding="utf-8")).faults == []

    def test_without_recordings_it_says_so(self, made: Made, tmp_path: Path) -> None:
        away = tmp_path / "elsewhere" / "deep"
        away.mkdir(parents=True)
        shutil.copy(made.result, away / "result.gpkg")
        summary = write_report(away / "result.gpkg", tmp_path / "r.html")
        assert summary.sounds == 0
        assert any("was not found" in text for text in summary.problems)
        text = (tmp_path / "r.html").read_text(encoding="utf-8")
        assert "not found beside the result" in text
        assert "<audio" not in text

    @pytest.mark.parametrize("by_table", [True, False])
    def test_recordings_that_were_moved(self, made: Made, tmp_path: Path, by_table: bool) -> None:
        away = tmp_path / "elsewhere" / "deep"
        away.mkdir(parents=True)
        shutil.copy(made.result, away / "result.gpkg")
        place = made.table if by_table else made.table.parent
        summary = write_report(away / "result.gpkg", tmp_path / "r.html", recordings=place)
        assert summary.sounds == 2
        assert summary.problems == ()

    def test_recordings_that_were_changed_are_not_used(self, made: Made, tmp_path: Path) -> None:
        away, sounds = tmp_path / "elsewhere" / "deep", tmp_path / "sounds"
        away.mkdir(parents=True)
        sounds.mkdir()
        shutil.copy(made.result, away / "result.gpkg")
        for file in made.table.parent.glob("*.wav"):
            (sounds / file.name).write_bytes(file.read_bytes()[:-4])
        summary = write_report(away / "result.gpkg", tmp_path / "r.html", recordings=sounds)
        assert summary.sounds == 0
        assert any("not the file that the result was made from" in text for text in summary.problems)

    def test_what_the_ground_said(self, made: Made, stored: StoredResult, tmp_path: Path) -> None:
        result = Path(shutil.copy(made.result, tmp_path / "result.gpkg"))
        best = stored.fix.candidates[0]
        visits = [
            f'{best.candidate_id},dug and found,0.4,"<b>North</b>",2026-03-09,"{SCRIPT}"',
            f"{best.candidate_id},dug and dry,,South,2026-03-10,",
        ]
        (tmp_path / "f.csv").write_text(
            "\n".join(["candidate_id,verification,offset_m,crew,visited,field_note", *visits])
        )
        take_in(result, tmp_path / "f.csv")
        write_report(result, tmp_path / "r.html")
        text = (tmp_path / "r.html").read_text(encoding="utf-8")
        assert Page(text).faults == []
        words = html.unescape(text)
        assert "What the ground said" in words
        assert "Dug and dry (crew South, 2026-03-10)." in words
        assert "Crews disagree: crew <b>North</b> (2026-03-09) dug and found a leak" in words
        assert "A dry hole is not the end of it" in words
        assert SCRIPT not in text
        assert "What the ground said" not in made.html

    def test_silence(self, made: Made, tmp_path: Path) -> None:
        quiet = tmp_path / "quiet.gpkg"
        shutil.copy(made.result, quiet)
        with closing(sqlite3.connect(quiet)) as connection, connection:
            for name in ("IsEmpty", "MinX", "MaxX", "MinY", "MaxY"):
                connection.create_function(f"ST_{name}", 1, lambda _: 0)
            connection.execute("DELETE FROM leak_candidates")
            connection.execute("DELETE FROM uncertainty_areas")
            connection.execute(
                "UPDATE correlation_paths SET outcome='no leak heard', probability_between=0.02"
            )
        write_report(quiet, tmp_path / "r.html")
        page = Page((tmp_path / "r.html").read_text(encoding="utf-8"))
        assert page.faults == []
        assert "no leak heard. Silence is not proof." in page.texts("h1")[0]
        assert AFTER_REPAIR not in page.text[0]
        assert SILENCE[0] in page.text[0]


class TestWriting:
    def test_same_result_same_page(self, made: Made, stored: StoredResult, tmp_path: Path) -> None:
        write_report(stored, tmp_path / "r.html")
        again = (tmp_path / "r.html").read_text(encoding="utf-8")
        one, two = (re.sub(r"on [-\d]+ [:\d]+ UTC, by", "", text) for text in (made.html, again))
        assert one == two

    def test_no_other_file_is_replaced(self, stored: StoredResult, tmp_path: Path) -> None:
        target = tmp_path / "index.html"
        target.write_text("<h1>mine</h1>")
        with pytest.raises(ExportError, match="not an earlier report"):
            write_report(stored, target)
        assert target.read_text() == "<h1>mine</h1>"

    def test_wrong_names(self, stored: StoredResult, tmp_path: Path) -> None:
        with pytest.raises(ExportError, match=r"\.html"):
            write_report(stored, tmp_path / "r.pdf")
        with pytest.raises(ExportError, match="no folder"):
            write_report(stored, tmp_path / "none" / "r.html")

    def test_no_result(self, tmp_path: Path) -> None:
        with pytest.raises(ExportError, match="no such file"):
            write_report(tmp_path / "result.gpkg", tmp_path / "r.html")

    def test_stopped_by_the_user(self, stored: StoredResult, tmp_path: Path) -> None:
        class Stop(NoFeedback):
            cancelled = True

        with pytest.raises(CancelledError):
            write_report(stored, tmp_path / "r.html", feedback=Stop())
        assert os.listdir(tmp_path) == []


def test_the_way_to_a_leak_is_told_in_steps(make_fix: Callable[..., SurveyFix], tmp_path: Path) -> None:
    write_result(make_fix(), tmp_path / "result.gpkg")
    write_report(tmp_path / "result.gpkg", tmp_path / "report.html")
    text = (tmp_path / "report.html").read_text(encoding="utf-8").replace("\xa0", " ")
    assert Page(text).faults == []
    ways = re.findall(r"From ([^<]*):\s*<ol class=\"steps\">(.*?)</ol>", text, re.DOTALL)
    assert [start.split(" follow ")[0] for start, _ in ways] == ["hydrant H-12", "valve V-7"]
    first, second = (re.findall(r"<li>(.*?)</li>", steps) for _, steps in ways)
    assert first[-1] == "<strong>The leak is at 41.2 m, search 39.4 m to 43.0 m.</strong>"
    assert second[0].startswith("At 40.0 m ")  # where the pipe changes and bends
    assert second[-1].startswith("<strong>The leak is at 87.1 m")
    assert "The sensor on hydrant H-12 sits on 1.20 m of pipe off the main" in text

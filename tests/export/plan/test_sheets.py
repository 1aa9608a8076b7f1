"""The sheets: one printed page for each setup, nothing hidden, nothing loaded, nothing of a file run."""

from __future__ import annotations

import re
import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from netcorr.errors import ExportError
from netcorr.export.cautions import CAUTIONS
from netcorr.export.plan.sheet_map import spread_apart
from netcorr.export.plan.sheets import write_sheets
from netcorr.planning import covered_by
from netcorr.planning.streets import Streets
from netcorr.planning.timetable import make_timetable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from tests.export.plan.conftest import Round

CHROMIUM = next(
    (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None
)


@pytest.fixture(scope="module")
def sheets(round_of_town: Round, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("sheets") / "sheets.html"
    one = round_of_town
    write_sheets(one.plan, one.timetable, path, addresses=one.addresses)
    return path


def test_every_logger_is_on_its_sheet(round_of_town: Round, sheets: Path) -> None:
    text = sheets.read_text(encoding="utf-8")
    pages = text.split('<section class="sheet')[1:]
    assert len(pages) == len(round_of_town.timetable.setups)
    fitting = round_of_town.plan.problem.sites.fitting
    for page, one in zip(pages, round_of_town.timetable.setups, strict=True):
        for logger, site in one.loggers.items():
            assert f"<b>{logger}</b>" in page
            assert f"<b>{fitting[site]}</b>" in page
        assert all(caution in page for caution in CAUTIONS)
        assert len(re.findall(r'class="mark( stays)?"', page)) == len(one.loggers)


def test_what_files_say_is_text(sheets: Path) -> None:
    text = sheets.read_text(encoding="utf-8")
    assert "Elm &lt;b&gt;Row&lt;/b&gt; &amp; Co" in text
    assert "<script" not in text
    assert not re.search(r'(src|href)="', text)


def test_nothing_else_is_replaced(round_of_town: Round, tmp_path: Path) -> None:
    one, target = round_of_town, tmp_path / "page.html"
    target.write_text("<p>mine</p>", encoding="utf-8")
    with pytest.raises(ExportError, match="holds no earlier sheets"):
        write_sheets(one.plan, one.timetable, target, addresses={})
    assert target.read_text(encoding="utf-8") == "<p>mine</p>"


def test_marks_are_spread_apart_and_hardly_moved() -> None:
    rng = np.random.default_rng(1)
    at = rng.uniform(100, 300, (25, 2))
    moved = spread_apart(at, apart=20.0, low=10.0, high=(700.0, 400.0))
    gap = np.hypot(*(moved[:, None] - moved[None]).transpose(2, 0, 1))
    np.fill_diagonal(gap, np.inf)
    assert gap.min() > 18.0
    far = rng.permutation(np.arange(100, 700, 40))[:12]
    alone = np.column_stack([far, far / 2])
    np.testing.assert_allclose(
        spread_apart(alone, apart=20.0, low=10.0, high=(700.0, 400.0)), alone, atol=0.01
    )


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed")
    playwright = pytest.importorskip("playwright.sync_api")
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(
            executable_path=CHROMIUM,
            args=["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-sync"],
        )
        yield opened
        opened.close()


def printed_pages(browser: Any, sheets: Path, paper: str) -> tuple[int, list[float]]:
    """Pages of the PDF, and by how many pixels the content of each sheet is higher than the sheet."""
    page = browser.new_page()
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.emulate_media(media="print")
    page.goto(sheets.as_uri())
    over = page.eval_on_selector_all(
        ".sheet",
        "all => all.map(e => Math.max(e.scrollHeight - e.clientHeight,"
        " ...[...e.children].map(c => c.getBoundingClientRect().bottom"
        " - e.getBoundingClientRect().bottom)))",
    )
    pdf = page.pdf(format=paper, prefer_css_page_size=False)
    page.close()
    assert len(asked) == 1, "it loads nothing"
    return len(re.findall(rb"/Type\s*/Page[^s]", pdf)), over


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_each_setup_is_one_page(browser: Any, round_of_town: Round, sheets: Path, paper: str) -> None:
    pages, over = printed_pages(browser, sheets, paper)
    assert pages == len(round_of_town.timetable.setups)
    assert max(over) <= 1.0, "nothing is cut off"


@pytest.mark.parametrize("count", [2, 19, 36, 37, 64])
def test_a_page_holds_few_and_many_loggers(
    browser: Any, round_of_town: Round, tmp_path: Path, count: int
) -> None:
    plan = round_of_town.plan
    streets, sites = Streets(plan.mains.network), plan.problem.sites
    some = [np.arange(count)]
    assert covered_by(plan.problem, some[0]).pairs.sum() >= 1
    pace = type(round_of_town.timetable.pace)(
        round_of_town.timetable.pace.night_start, night_s=86400.0, handling_s=60.0
    )
    names = [f"logger-{k:03}" for k in range(count)]
    timetable = make_timetable(streets, sites, some, loggers=names, pace=pace)
    many = type(plan)(**{**vars(plan), "sweep": type(plan.sweep)((some[0],), plan.covered, 1)})  # type: ignore[arg-type]
    write_sheets(many, timetable, tmp_path / "s.html", addresses=round_of_town.addresses)
    pages, over = printed_pages(browser, tmp_path / "s.html", "A4")
    assert pages == 1
    assert max(over) <= 1.0

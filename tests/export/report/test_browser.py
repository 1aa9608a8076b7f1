"""The page in a real browser without a screen: asks for nothing, moves, sounds, prints, can be read."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

if TYPE_CHECKING:
    from conftest import Made

playwright = pytest.importorskip("playwright.sync_api")

CHROMIUM = next(
    (path for name in ("chromium", "chromium-browser", "google-chrome") if (path := shutil.which(name))), None
)
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
pytestmark = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with playwright.sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="module")
def seen(browser: Any, made: Made) -> Iterator[Any]:
    """Page opened once, with everything that it asked for and complained of."""
    page = browser.new_page(viewport={"width": 1100, "height": 800})
    page.asked, page.complaints = [], []
    page.on("request", lambda request: page.asked.append(request.url))
    page.on("console", lambda message: page.complaints.append(message.text))
    page.on("pageerror", lambda error: page.complaints.append(str(error)))
    page.goto(made.page.as_uri())
    yield page
    page.close()


def transform(page: Any) -> tuple[float, float, float]:
    """Shift and scale of the map."""
    text = page.get_attribute("#map-view", "transform")
    x, y, k = map(float, re.findall(r"-?\d+(?:\.\d+)?", text))
    return x, y, k


def until(true: Callable[[], bool], *, page: Any) -> None:
    """Wait for what the browser does in its own time, two seconds at most."""
    for _ in range(80):
        if true():
            return
        page.wait_for_timeout(25)
    raise AssertionError("nothing happened")


@pytest.fixture
def home(seen: Any) -> Any:
    """Map as first shown."""
    seen.click("text=Whole survey")
    assert transform(seen) == (0, 0, 1)
    return seen


class TestTheMap:
    @pytest.mark.parametrize(("button", "larger"), [("Enlarge", True), ("Reduce", False)])
    def test_buttons_enlarge_about_the_middle(self, home: Any, button: str, larger: bool) -> None:
        home.click(f"text={button}")
        x, y, k = transform(home)
        assert k == pytest.approx(1.5 if larger else 1 / 1.5, rel=1e-3)
        assert x == pytest.approx(480 * (1 - k), abs=0.1)
        assert y == pytest.approx(300 * (1 - k), abs=0.1)

    @pytest.mark.parametrize(
        ("key", "change"),
        [
            ("ArrowLeft", (120, 0, 1)),
            ("ArrowRight", (-120, 0, 1)),
            ("ArrowUp", (0, 75, 1)),
            ("ArrowDown", (0, -75, 1)),
            ("+", (-240, -150, 1.5)),
        ],
    )
    def test_keys(self, home: Any, key: str, change: tuple[float, float, float]) -> None:
        home.focus("#survey-map")
        home.keyboard.press(key)
        assert transform(home) == pytest.approx(change, abs=0.1)
        home.keyboard.press("0")
        assert transform(home) == (0, 0, 1)

    def test_wheel_enlarges_where_the_pointer_is(self, home: Any) -> None:
        home.focus("#survey-map")
        box = home.locator("#survey-map").bounding_box()
        home.mouse.move(box["x"] + box["width"] * 0.25, box["y"] + box["height"] * 0.5)
        home.mouse.wheel(0, -200)
        until(lambda: transform(home)[2] != 1, page=home)
        x, _, k = transform(home)
        assert k > 1.2
        # the point under the pointer, a quarter across, stays where it is
        assert x + k * 240 == pytest.approx(240, abs=2)

    def test_wheel_scrolls_the_page_until_the_map_is_chosen(self, home: Any) -> None:
        home.focus(".map-tools button")
        before = home.evaluate("scrollY")
        box = home.locator("#survey-map").bounding_box()
        home.mouse.move(box["x"] + 300, box["y"] + 100)
        home.mouse.wheel(0, 120)
        until(lambda: home.evaluate("scrollY") != before, page=home)
        assert transform(home) == (0, 0, 1)

    def test_drag(self, home: Any) -> None:
        home.locator("#survey-map").scroll_into_view_if_needed()
        box = home.locator("#survey-map").bounding_box()
        start = box["x"] + box["width"] / 2, box["y"] + min(box["height"], 500) / 2
        home.mouse.move(*start)
        home.mouse.down()
        home.mouse.move(start[0] + 60, start[1] - 30, steps=3)
        home.mouse.up()
        per_pixel = 960 / box["width"]
        assert transform(home) == pytest.approx((60 * per_pixel, -30 * per_pixel, 1), abs=1.5)
        home.mouse.move(start[0] - 60, start[1])
        assert transform(home)[0] == pytest.approx(60 * per_pixel, abs=1.5)

    def test_marks_keep_their_size_and_the_scale_bar_its_truth(self, home: Any) -> None:
        measure = """() => ({
            mark: document.querySelector('.pin.sensor rect').getBoundingClientRect().width,
            metres: parseFloat(document.querySelector('#map-scale text').textContent),
            bar: document.querySelector('#map-scale path').getBoundingClientRect().width,
            main: document.querySelector('.halo').getBoundingClientRect().height,
        })"""
        before = home.evaluate(measure)
        for _ in range(4):
            home.click("text=Enlarge")
        after = home.evaluate(measure)
        assert after["mark"] == pytest.approx(before["mark"], rel=0.02)
        assert after["metres"] < before["metres"]
        # the halo is the path, 120 m to the north: its length by the bar
        for one in (before, after):
            assert one["main"] * one["metres"] / one["bar"] == pytest.approx(120, rel=0.05)


class TestSound:
    def test_both_recordings_can_be_played(self, seen: Any) -> None:
        played = seen.evaluate(
            """async () => {
                const found = [];
                for (const sound of document.querySelectorAll('audio')) {
                    sound.muted = true;
                    await sound.play();
                    found.push({ready: sound.readyState, duration: sound.duration, paused: sound.paused});
                    sound.pause();
                }
                return found;
            }"""
        )
        assert len(played) == 2
        for sound in played:
            assert sound["ready"] >= 2
            assert 3 < sound["duration"] < 6.1
            assert not sound["paused"]

    def test_playing_one_stops_the_other(self, seen: Any) -> None:
        paused = seen.evaluate(
            """async () => {
                const [one, two] = document.querySelectorAll('audio');
                one.muted = two.muted = true;
                await one.play();
                await two.play();
                await new Promise((done) => setTimeout(done, 50));
                const found = [one.paused, two.paused];
                two.pause();
                return found;
            }"""
        )
        assert paused == [True, False]


def test_hostile_names_do_nothing(seen: Any) -> None:
    assert seen.evaluate("window.broken") is None
    assert seen.evaluate("document.querySelectorAll('script').length") == 1
    assert seen.evaluate("document.querySelectorAll('img').length") == 0
    assert seen.evaluate("document.querySelectorAll('h1').length") == 1


def test_a_script_that_slipped_in_would_not_run(browser: Any, made: Made, tmp_path: Path) -> None:
    spoilt = tmp_path / "spoilt.html"
    spoilt.write_text(
        made.html.replace("</main>", "<script>window.broken = 3</script></main>"), encoding="utf-8"
    )
    page = browser.new_page()
    page.goto(spoilt.as_uri())
    assert page.evaluate("window.broken") is None
    page.close()


#: Contrast as WCAG 2.1 defines it (relative luminance, 1.4.3), of every piece of text against its ground.
CONTRAST = """() => {
    const parse = (text) => (text.match(/[\\d.]+/g) || []).map(Number);
    const over = (top, below) => {
        const a = top[3] ?? 1;
        return [0, 1, 2].map((i) => top[i] * a + below[i] * (1 - a));
    };
    const light = (c) => {
        const linear = (v) => v <= 0.03928 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
        const [r, g, b] = c.map((v) => linear(v / 255));
        return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    const ground = (node) => {
        const chain = [];
        for (let at = node; at && at.nodeType === 1; at = at.parentElement) chain.unshift(at);
        let colour = [255, 255, 255];
        for (const at of chain) {
            const style = getComputedStyle(at);
            const back = parse(style.backgroundColor);
            if (back.length && (back[3] ?? 1) > 0) colour = over(back, colour);
        }
        const map = node.closest('#survey-map');
        if (map) colour = parse(getComputedStyle(map.querySelector('.map-ground')).fill);
        if (node.classList.contains('letter')) {
            colour = parse(getComputedStyle(node.previousElementSibling).fill);
        }
        return colour.slice(0, 3);
    };
    const found = [];
    const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
    for (let text = walk.nextNode(); text; text = walk.nextNode()) {
        const node = text.parentElement;
        if (!text.textContent.trim() || ['SCRIPT', 'STYLE', 'title'].includes(node.tagName)) continue;
        const style = getComputedStyle(node);
        const below = ground(node);
        const colour = over(parse(node instanceof SVGElement ? style.fill : style.color), below);
        const [a, b] = [light(colour), light(below)].sort((p, q) => q - p);
        const name = node.tagName + '.' + (node.getAttribute('class') || '');
        found.push([(a + 0.05) / (b + 0.05), name, text.textContent]);
    }
    return found;
}"""


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_text_can_be_read(seen: Any, scheme: str) -> None:
    seen.emulate_media(color_scheme=scheme)
    ground = seen.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (ground == "rgb(255, 255, 255)") == (scheme == "light")
    found = seen.evaluate(CONTRAST)
    seen.emulate_media(color_scheme="light")
    assert len(found) > 200
    assert [item for item in found if item[0] < 4.5] == []


def test_narrow_page_does_not_scroll_sideways(seen: Any) -> None:
    seen.set_viewport_size({"width": 390, "height": 800})
    width = seen.evaluate("document.documentElement.scrollWidth")
    shown = seen.evaluate(
        "[...document.querySelectorAll('figure.along svg')]"
        ".map((svg) => [svg.getAttribute('class'), svg.clientWidth > 0])"
    )
    letters = seen.evaluate(
        "Math.min(...[...document.querySelectorAll('svg text')].map((t) => t.getBoundingClientRect().height)"
        ".filter((h) => h > 0))"
    )
    seen.set_viewport_size({"width": 1100, "height": 800})
    assert width <= 390
    assert shown == [["wide", False], ["narrow", True]]
    assert letters >= 10


def test_candidates_can_be_read_on_a_phone_without_moving_sideways(seen: Any) -> None:
    seen.set_viewport_size({"width": 360, "height": 740})
    table = seen.locator("table.overview")
    box = table.bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 360
    cells = table.locator("td")
    titles = [cells.nth(k).get_attribute("data-title") for k in range(6)]
    assert titles == ["Where", "Evidence", "From A", "From B", "95 % stretch, from A", "Main"]
    for k in range(6):  # each below the one before, its title beside it
        assert cells.nth(k).evaluate("cell => getComputedStyle(cell, '::before').content") == f'"{titles[k]}"'
    # what a screen reader is told is still a table with its headers
    assert table.get_by_role("columnheader").count() == 7
    assert table.get_by_role("cell").count() == 6 * (table.get_by_role("row").count() - 1)
    seen.set_viewport_size({"width": 1100, "height": 800})


def test_prints(seen: Any, tmp_path: Path) -> None:
    data = seen.pdf(format="A4")
    assert data.startswith(b"%PDF")
    pages = len(re.findall(rb"/Type\s*/Page\b", data))
    assert 3 <= pages <= 9
    seen.emulate_media(media="print")
    hidden = seen.evaluate(
        "['nav', '.map-tools', '.listen'].map((s) => getComputedStyle(document.querySelector(s)).display)"
    )
    whole = seen.evaluate("getComputedStyle(document.querySelector('figure')).breakInside")
    seen.emulate_media(media="screen")
    assert hidden == ["none"] * 3
    assert whole == "avoid"


def test_keyboard_reaches_everything(seen: Any) -> None:
    names = seen.evaluate(
        "[...document.querySelectorAll('button, audio, summary, a, [tabindex]')].map((node) => "
        "(node.getAttribute('aria-label') || node.textContent).trim())"
    )
    assert all(names)


def test_nothing_was_asked_for_but_the_page(seen: Any, made: Made) -> None:
    outside = [
        url for url in seen.asked if not url.startswith(("data:", "blob:")) and url != made.page.as_uri()
    ]
    assert outside == []
    assert seen.complaints == []

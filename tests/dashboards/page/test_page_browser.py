"""The page in a real browser: a phone's window and a desk's."""

import json
import os
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from paged_site import PAGED, free_port, get, paged_site, running_page

from rainstead.clock import SystemClock

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = shutil.which("chromium")
NEEDED = os.environ.get("RAINSTEAD_TEST_BROWSER_NEEDED") == "yes"
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
FLAGS += ["--disable-component-update", "--disable-sync"]
SCREENS = {"/": "Now", "/alarms": "Alarms", "/storms": "Storms", "/runs": "Pump runs", "/rain": "Rain days"}
SCREENS["/health"] = "Health"
PHONE, DESK = {"width": 360, "height": 740}, {"width": 1280, "height": 800}

pytestmark = [
    pytest.mark.skipif(CHROMIUM is None and not NEEDED, reason="chromium is not installed here; apt install chromium"),
    pytest.mark.xdist_group("browser"),
]


@pytest.fixture(scope="module")
def browser() -> Iterator["Browser"]:
    from playwright.sync_api import sync_playwright

    assert CHROMIUM is not None, "chromium is needed (RAINSTEAD_TEST_BROWSER_NEEDED) and is not installed"
    with sync_playwright() as player:
        found = player.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield found
        found.close()


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The port of a page that runs on a site with long names in it."""
    found = free_port()
    long_name = "The household at the far end of the valley with a longwordthatcannotbebrokenanywhere (invented)"
    text = f"{PAGED}port = {found}\n".replace("Hand-worked", long_name)
    site: Path = paged_site(tmp_path_factory.mktemp("site"), SystemClock().wall_ms(), text=text)
    with running_page(site):
        yield found


def opened(browser: "Browser", size: dict[str, int], **more: Any) -> tuple["Page", list[str]]:
    """A window, and what the browser complains of in it."""
    page = browser.new_context(viewport=size, **more).new_page()  # type: ignore[arg-type]
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("requestfailed", lambda request: complaints.append(request.url))
    return page, complaints


def fits(page: "Page") -> bool:
    """Whether nothing has to be pushed sideways."""
    return bool(page.evaluate("document.documentElement.scrollWidth <= window.innerWidth"))


def test_every_screen_loads_without_complaint_and_fits_its_window(browser: "Browser", port: int) -> None:
    page, complaints = opened(browser, PHONE)
    for path, title in SCREENS.items():
        page.goto(f"http://127.0.0.1:{port}{path}")
        assert page.inner_text("h1") == title
        assert page.inner_text("nav a[aria-current=page]") == title
        assert complaints == [], path
        for size in (DESK, PHONE):
            page.set_viewport_size(size)  # type: ignore[arg-type]
            assert fits(page), (path, size)
        # The style sheet has passed the page's own policy.
        assert page.evaluate("getComputedStyle(document.querySelector('nav ul')).display") == "flex"
    page.context.close()


def test_a_list_leads_to_a_sheet_that_fits_a_phone(browser: "Browser", port: int) -> None:
    page, complaints = opened(browser, PHONE)
    page.goto(f"http://127.0.0.1:{port}/runs")
    page.click("ul.rows a")
    page.get_by_text("Fuel and endurance").wait_for(timeout=60_000)
    assert fits(page)
    assert complaints == []
    page.context.close()


def test_what_stands_there_is_what_the_json_says(browser: "Browser", port: int) -> None:
    page, _ = opened(browser, PHONE)
    page.goto(f"http://127.0.0.1:{port}/")
    assert page.evaluate("fetch('/now.json').then(r => 'read', e => 'refused')") == "refused", (
        "no script may fetch here"
    )
    told = json.loads(get(port, "/now.json")[1])
    cards = page.locator("li.card").all_inner_texts()
    assert len(cards) == len(told["tanks"]) == 3
    for card, tank in zip(cards, told["tanks"], strict=True):
        assert tank["name"] in card
        for key in ("volume_l", "freeboard_l", "usable_l"):
            assert tank[key] is None or f"{tank[key]:,.0f} L" in card, (tank["name"], key)
    assert f"{told['rain']['rain_day_mm']:.1f} mm" in page.inner_text("main")
    page.context.close()


def test_dark_and_light_are_legible(browser: "Browser", port: int) -> None:
    """Text and ground are far apart in both: at least 7 to 1, by relative luminance (WCAG 2, enhanced)."""
    for scheme in ("light", "dark"):
        page, _ = opened(browser, PHONE, color_scheme=scheme)
        page.goto(f"http://127.0.0.1:{port}/")
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        for what in ("body", ".quiet", ".asof", "dt"):
            text = page.evaluate(f"getComputedStyle(document.querySelector('{what}')).color")
            assert contrast(text, ground) >= 7, (scheme, what, text, ground)
        page.context.close()


def contrast(one: str, other: str) -> float:
    """Of two colours as the browser names them. Source: WCAG 2.2, definitions of contrast ratio and luminance."""

    def luminance(colour: str) -> float:
        parts = [int(part) / 255 for part in colour[colour.index("(") + 1 : -1].split(",")[:3]]
        red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_no_other_site_can_show_it_in_a_frame(browser: "Browser", port: int, tmp_path: Path) -> None:
    outside = tmp_path / "outside.html"
    outside.write_text(f'<iframe src="http://127.0.0.1:{port}/" width=300 height=300></iframe>', "utf-8")
    page, complaints = opened(browser, PHONE)
    page.goto(outside.as_uri())
    page.wait_for_timeout(300)
    assert any("frame-ancestors" in one for one in complaints), complaints
    assert not any("Fire reserve" in frame.content() for frame in page.frames)
    page.context.close()


def test_it_is_whole_without_any_script(browser: "Browser", port: int) -> None:
    page, _ = opened(browser, PHONE, java_script_enabled=False)
    page.goto(f"http://127.0.0.1:{port}/")
    assert "Fire reserve" in page.locator("main").inner_text()
    assert page.locator("script").count() == 0
    page.context.close()

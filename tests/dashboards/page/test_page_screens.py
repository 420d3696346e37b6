"""What stands on the page is what the desk answers, in the desk's words."""

import html
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from fake_clock import FakeClock
from paged_site import NOW_MS, as_json, in_front_of, paged_site
from rich.text import Text
from roof_site import DAY_MS, START_MS, Shower, make_roof_site

from rainstead import answers
from rainstead.cli import layout, layout_health, layout_roofs, layout_run
from rainstead.log import LogReader
from rainstead.notebook import read_notes
from rainstead.settings import load_settings
from rainstead_page.keeping import Told
from rainstead_page.laying import environment

RUN_MS, STORM_MS = NOW_MS - 90 * 60_000, NOW_MS - 2 * DAY_MS


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return paged_site(tmp_path_factory.mktemp("site"))


def desk(site: Path, screen: str) -> Any:
    """The desk's answer to what a screen asks."""
    settings = load_settings(site / "site.toml")
    with LogReader(site) as log:
        match screen:
            case "now":
                return answers.now(settings, log, NOW_MS)
            case "alarms":
                return answers.alarms(settings, log, NOW_MS, most=30)
            case "storms":
                return answers.storms(settings, log, NOW_MS, since_ms=NOW_MS - 60 * DAY_MS)
            case "runs":
                return answers.pump(settings, log, NOW_MS, since_ms=NOW_MS - 60 * DAY_MS)
            case "rain":
                return answers.rain(settings, log, NOW_MS)
            case _:
                return answers.health(settings, log, NOW_MS, site=site)


def words(text: str) -> str:
    """Text without tags, in single spaces."""
    return " ".join(html.unescape(re.sub(r"<[^>]*>", " ", text.split("<main>")[1])).split())


def lines(laid_out: Any) -> list[str]:
    """The desk's sentences, tables left out."""
    return [part.plain.strip() for part in laid_out.renderables if isinstance(part, Text) and part.plain.strip()]


@pytest.mark.parametrize("screen", ["now", "alarms", "storms", "runs", "rain", "health"])
def test_the_json_of_a_screen_is_the_desks(site: Path, screen: str) -> None:
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        response = page.get(f"/{screen}.json")
    assert response.status_code == 200
    assert response.json == answers.to_plain(desk(site, screen))


def test_now_shows_every_tanks_litres_and_the_standing_alarm(site: Path) -> None:
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        shown = words(page.get("/").text)
    for said in (
        "east 2,400 L",
        "west 3,840 L",
        "freeboard 160 L",
        "spare no sensor unknown",
        "4.0 mm in the last hour",
        "storm so far 4.0 mm",
        "ALARM overflow risk, west: freeboard 160 L",
        "0.0 L/min flow",
        "measured 5 s ago",
        "Not advice to stay and defend: the fire authority decides what a property needs.",
        "Fire reserve 1,500 L: 5,840 L usable, 4,340 L above it",
    ):
        assert said in shown, said


@pytest.mark.parametrize(
    ("screen", "path", "lay_out"),
    [
        ("storms", "/storms", layout.storms),
        ("runs", "/runs", layout.pump),
        ("rain", "/rain", layout.rain),
        ("health", "/health", layout_health.health),
    ],
)
def test_a_screen_has_the_desks_sentences(site: Path, screen: str, path: str, lay_out: Any) -> None:
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        shown = words(page.get(path).text)
    said = [line for line in lines(lay_out(desk(site, screen))) if "`" not in line]  # what names a command of the desk
    assert said
    for line in said:
        assert line in shown, line


@pytest.mark.parametrize("is_running", [True, False, None])
@pytest.mark.parametrize("word", ["stored", "later", "forbidden", "silent", "never_run", "unknown"])
def test_how_forwarding_goes_is_said_in_the_desks_words(site: Path, word: str, is_running: bool | None) -> None:
    told = answers.ForwarderHealth(is_running, word, "a reason", 90.0, 30.0, 1234)
    answer = replace(desk(site, "health"), forwarder=told)
    shown = (
        environment()
        .get_template("health.html")
        .render(nav=[], here="", refresh_s=None, title="Health", told=Told(answer), answer=answer, numbers={})
    )
    for line in lines(layout_health.health(answer)):
        assert line in words(shown), line


@pytest.mark.parametrize("is_running", [True, False, None])
@pytest.mark.parametrize("because", [None, "its file cannot be read"])
def test_whether_a_messenger_runs_and_what_waits_is_said_in_the_desks_words(
    site: Path, because: str | None, is_running: bool | None
) -> None:
    mail = answers.MessageChannelLine("mail", None, None, 2, 0, 3, 1, None, None, None, None, "it is away", NOW_MS + 9)
    told = answers.MessengerHealth(is_running, True, because, 2, 1, () if because else (mail,))
    answer = replace(desk(site, "health"), messenger=told)
    shown = (
        environment()
        .get_template("health.html")
        .render(nav=[], here="", refresh_s=None, title="Health", told=Told(answer), answer=answer, numbers={})
    )
    said = lines(layout_health.health(answer))
    assert len(said) > 3 and any("messenger" in line for line in said)
    for line in said:
        assert line.replace("`", "") in words(shown).replace("`", ""), line


def test_the_lists_lead_to_each_storm_and_run(site: Path) -> None:
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        storms, runs = page.get("/storms").text, page.get("/runs").text
    assert f'href="/storms/{STORM_MS}"' in storms
    assert f'href="/runs/{RUN_MS}"' in runs


def test_a_runs_sheet_is_the_desks_in_words_and_keys(site: Path) -> None:
    settings = load_settings(site / "site.toml")
    with LogReader(site) as log:
        answer = answers.run(settings, log, site, NOW_MS, from_ms=RUN_MS, upto_ms=RUN_MS)
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        told = as_json(page, f"/runs/{RUN_MS}.json")
        shown = words(page.get(f"/runs/{RUN_MS}").text)
    assert told == answers.to_plain(answer)
    said = [line for line in lines(layout_run.run(answer)) if "petrol" not in line]
    assert len(said) > 4
    for line in said:
        assert line in shown, line


def test_a_storms_sheet_is_the_desks_in_words_and_keys(tmp_path: Path) -> None:
    rain = [Shower(START_MS + (2 + 3 * k) * DAY_MS, 4.0 + k * 7 % 11, ratio=1.0 if k < 13 else 0.5) for k in range(14)]
    site, _ = make_roof_site(tmp_path, rain, days=45)
    settings = (site / "site.toml").read_text("utf-8")
    (site / "site.toml").write_text(f"{settings}\n[page]\n", "utf-8")
    now_ms, at_ms = START_MS + 45 * DAY_MS, rain[-1].start_ms
    with LogReader(site) as log:
        answer, _ = answers.storm(
            load_settings(site / "site.toml"),
            log,
            read_notes(site, upto_ms=now_ms),
            now_ms,
            from_ms=at_ms,
            upto_ms=at_ms + DAY_MS,
        )
    with in_front_of(site, FakeClock(wall_ms=now_ms)) as page:
        told = as_json(page, f"/storms/{answer.storm.start_ms}.json")
        shown = words(page.get(f"/storms/{answer.storm.start_ms}").text)
    assert told == answers.to_plain(answer)
    assert any(group.is_odd for group in answer.groups)
    for said in (
        "of what the roof normally gives",
        "Few litres have other causes than a blocked gutter",
        "high",
        "low",
    ):
        assert said in shown, said
    assert lines(layout_roofs.storm(answer))[0] in shown


def test_what_there_is_not_is_told_and_is_no_fault(site: Path) -> None:
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        nowhere, never = page.get("/nowhere"), page.get("/runs/1000000000000")
        never_json = page.get("/runs/1000000000000.json")
    assert nowhere.status_code == never.status_code == never_json.status_code == 404
    assert "no pump run within half a day" in never.text
    assert "no pump run within half a day" in json.loads(never_json.text)["because"]


def test_a_site_without_a_gauge_says_so(tmp_path: Path) -> None:
    bare = '[site]\nname = "Bare"\ntime_zone = "UTC"\nlatitude_deg = 0\n[tanks.one]\nbrim = 1\n'
    bare += 'calibrations = [{ shape = "cylinder", diameter = 1 }]\n[page]\n'
    site = paged_site(tmp_path)
    (site / "site.toml").write_text(bare, "utf-8")
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as page:
        assert page.get("/").status_code == 200
        told = page.get("/storms")
    assert told.status_code == 404
    assert "the settings have no [rain] table" in told.text

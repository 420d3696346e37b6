"""What is told of alarms, and what is not told again."""

import contextlib
import errno
import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from small_disk import fill, small_disk
from telling_site import MINUTE_MS, TABLE, TellingSite

from rainstead import alarms as rules
from rainstead.messages import ask_for_test, read_messages, words
from rainstead.messages.carrier import Job, Outcome
from rainstead.messages.heartbeat import Beat, beat_text, beat_words
from rainstead.messages.lookout import Seen
from rainstead.messages.request import REQUEST_FILE
from rainstead.messages.store import Store
from rainstead.settings import Settings

HOUR_MS = 60 * MINUTE_MS
DAY_MS = 24 * HOUR_MS


@pytest.fixture
def site(tmp_path: Path) -> Iterator[TellingSite]:
    made = TellingSite(tmp_path / "site")
    yield made
    made.close()


def test_an_alarm_and_its_end_are_told_once_each_in_words_that_say_what_to_do(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    assert site.carriers["mail"].taken == []
    site.alarm(True)
    site.run(MINUTE_MS)
    site.clock.now_ms += HOUR_MS
    site.alarm(False, reason="freeboard 420 L, at or over 400 L for 300 s")
    site.run(10 * MINUTE_MS)
    raised, cleared = site.carriers["mail"].alarms()
    assert raised.title == "Invented [hollow]: make room in tank house: it is near its brim"
    assert "Alarm: overflow risk, tank house\nSince: 2026-05-28 21:27 WEST\nValue: 280 L (limit 300 L)" in raised.body
    assert "Why: freeboard 280 L, at or under 300 L for 60 s" in raised.body and "What it means:" in raised.body
    assert "guess" not in raised.body
    assert cleared.title == "Invented [hollow]: nothing to do any more: overflow risk, tank house is over"
    assert cleared.kind == "cleared" and raised.kind == "alarm"


def test_the_end_of_one_alarm_says_that_others_stand(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True)
    site.alarm(True, "low_reserve", "site")
    site.run(2 * MINUTE_MS)
    site.alarm(False)
    site.run(2 * MINUTE_MS)
    site.alarm(False, "low_reserve", "site")
    site.run(2 * MINUTE_MS)
    assert site.carriers["mail"].titles[2:] == [
        "overflow risk, tank house is over, but other alarms stand",
        "nothing to do any more: low reserve is over",
    ]


def test_an_alarm_of_the_reserve_carries_the_caution_about_staying(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True, "low_reserve", "site")
    site.run(MINUTE_MS)
    (told,) = site.carriers["mail"].taken
    assert "no advice to stay and defend" in told.body and "fire authority" in told.body


def test_an_alarm_goes_out_at_once_though_nobody_has_set_the_clock_and_says_that_its_time_is_a_guess(
    site: TellingSite,
) -> None:
    site.begin_log(trusted=False)
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True)
    site.run(6_000)
    (told,) = site.carriers["mail"].taken
    assert "(a guess: the board's clock was not set)" in told.body


def test_what_stood_before_the_first_start_is_not_told_and_its_end_is(site: TellingSite) -> None:
    site.alarm(True)
    site.alarm(True, "sensor_fault", "pool_level")
    site.clock.now_ms += HOUR_MS
    site.start()
    site.run(10 * MINUTE_MS)
    assert site.carriers["mail"].taken == []
    site.alarm(False)
    site.run(MINUTE_MS)
    (told,) = site.carriers["mail"].taken
    assert "is over" in told.title
    assert "Also standing: sensor fault, pool_level" in told.body


def test_the_first_alarm_of_a_site_that_had_no_log_yet_is_told(tmp_path: Path) -> None:
    site = TellingSite(tmp_path / "site", with_log=False)
    site.start()
    site.run(MINUTE_MS)
    site.begin_log()
    site.alarm(True)
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 1
    site.close()


@pytest.mark.parametrize("names_its_boots", [True, False])
def test_what_is_raised_before_the_log_can_first_be_read_is_told(tmp_path: Path, names_its_boots: bool) -> None:
    site = TellingSite(tmp_path / "site")
    if not names_its_boots:
        site.machine_boot_uuid = lambda: None
    site.alarm(True, "sensor_fault", "gauge")
    site.clock.now_ms += HOUR_MS
    path, hidden = site.folder / "readings.db", site.folder / "hidden"
    site.end_log()
    path.rename(hidden)
    path.write_bytes(b"held by something else" * 100)
    site.start()
    site.run(MINUTE_MS)
    path.unlink()
    hidden.rename(path)
    site.begin_log()
    site.alarm(True)
    site.run(MINUTE_MS)
    assert site.carriers["mail"].titles == ["make room in tank house: it is near its brim"]
    site.close()


def test_a_clock_that_is_set_by_years_fires_nothing_again(site: TellingSite) -> None:
    site.begin_log(trusted=False)
    site.start()
    site.alarm(True)
    site.clock.now_ms += 5 * MINUTE_MS
    site.alarm(False)
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 2
    assert site.writer is not None
    site.clock.step_wall(3 * 365 * DAY_MS)
    site.writer.correct_boot(site.boot, site.clock.offset_ms)
    site.segment = site.writer.begin_segment(site.boot, site.clock.offset_ms, trusted=True)
    site.alarm(True, "sensor_fault", "house_level")
    site.run(MINUTE_MS)
    site.start()
    site.run(MINUTE_MS)
    assert [job.title.partition(": ")[2] for job in site.carriers["mail"].taken[2:]] == ["see to sensor house_level"]


def test_a_log_that_was_moved_aside_for_damage_fires_nothing_again(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True)
    site.alarm(True, "sensor_fault", "pool_level")
    site.run(MINUTE_MS)
    site.end_log()
    for path in site.folder.glob("readings.db*"):
        path.rename(site.folder / f"aside-{path.name}")
    site.run(MINUTE_MS)
    site.clock.now_ms += MINUTE_MS
    site.begin_log()
    site.alarm(True)
    site.run(10 * MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 2, "the same alarm, raised anew by the new log"
    site.run(HOUR_MS)
    assert site.carriers["mail"].titles[2:] == ["look at sensor fault, pool_level: the new log has not raised it again"]
    site.alarm(False)
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 4


def test_an_old_copy_that_is_laid_in_the_place_of_the_log_fires_nothing(site: TellingSite, tmp_path: Path) -> None:
    other = TellingSite(tmp_path / "other", with_log=False)
    other.boot_uuid = "long ago"
    other.begin_log()
    for day in range(5):
        other.alarm(day % 2 == 0, at_ms=other.clock.wall_ms() - (400 - day) * DAY_MS)
    other.close()
    site.start()
    site.run(MINUTE_MS)
    site.end_log()
    for path in site.folder.glob("readings.db*"):
        path.unlink()
    shutil.copy(other.folder / "readings.db", site.folder / "readings.db")
    site.run(5 * MINUTE_MS)
    assert site.carriers["mail"].taken == []


def test_what_an_import_brings_is_not_told(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True)
    site.run(MINUTE_MS)
    assert site.writer is not None
    kept = site.alarm(True)
    boot = site.writer.begin_boot("import", "an import's own", 0)
    segment = site.writer.begin_segment(boot, 0, trusted=True)
    old = [kept, *(type(kept)(kept.t_ms - k * HOUR_MS, "low_reserve", "site", "normal", 1, 1, "L", "") for k in (1, 2))]
    site.writer.replace_events(segment, old)
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 1


def test_after_months_without_a_messenger_only_the_last_change_of_each_alarm_is_told(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    for k in range(21):
        site.clock.now_ms += 3 * DAY_MS
        site.alarm(k % 2 == 0)
    site.clock.now_ms += 3 * DAY_MS
    site.start()
    site.run(MINUTE_MS)
    (told,) = site.carriers["mail"].taken
    assert "Before that it changed 20 times" in told.body


def test_chatter_is_told_once_as_such_and_its_end_once(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    for k in range(100):
        site.alarm(k % 2 == 0)
        site.run(7_000)
    assert len(site.carriers["mail"].taken) == 3
    assert site.carriers["mail"].titles[2] == "look at overflow risk, tank house: it comes and goes"
    site.start()
    site.run(20 * MINUTE_MS)
    assert site.carriers["mail"].titles[3:] == ["nothing to do any more: overflow risk, tank house is over"]
    site.alarm(True)
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 5


def test_noise_about_a_limit_for_thirty_days_is_at_most_one_message_for_each_real_crossing(site: TellingSite) -> None:
    """A level that rises and falls through the limit with noise of half the deadband, by the rule that the log runs."""
    draw = np.random.default_rng(11)
    rule = rules.LimitRule(limit=300.0, deadband=100.0, on_delay_ms=60_000, off_delay_ms=300_000)
    t_ms = site.clock.wall_ms() + np.arange(30 * 24 * 60, dtype=np.int64) * MINUTE_MS
    true_l = 350.0 + 250.0 * np.sin(2 * np.pi * np.arange(len(t_ms)) / (36 * 60))
    _, changes = rules.advance(rules.LIMIT_START, rule, t_ms, true_l + draw.normal(0.0, 15.0, len(t_ms)))
    crossings = int(np.count_nonzero(np.diff((true_l <= 300.0).astype(int)))) + int(true_l[0] <= 300.0)
    site.start()
    site.run(MINUTE_MS)
    for change in changes:
        site.clock.now_ms = max(site.clock.now_ms, change.t_ms - site.clock.offset_ms)
        site.alarm(change.active)
        site.run(6_000)
    assert 30 < len(site.carriers["mail"].alarms()) <= crossings
    assert len(site.carriers["mail"].alarms()) == len(changes)


def test_no_more_than_so_many_an_hour_go_to_a_channel_and_every_alarm_is_in_one_of_them(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    for k in range(60):
        site.alarm(True, "sensor_fault", f"sensor_{k:02d}")
        site.run(2 * MINUTE_MS)
    site.run(HOUR_MS)
    mail = site.carriers["mail"]
    assert len(mail.taken) <= 12 * 3
    told = "\n".join(job.title + job.body for job in mail.taken)
    assert [k for k in range(60) if f"sensor_{k:02d}" not in told] == []
    gathered = [job for job in mail.taken if "gathered" in job.body]
    assert gathered and "messages; the last:" in gathered[0].title
    assert len(mail.taken) < 30


def test_what_is_gathered_stays_readable_however_much_it_is(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    for k in range(100):
        site.alarm(True, "sensor_fault", f"sensor_{k:03d}")
    site.run(HOUR_MS)
    mail = site.carriers["mail"]
    gathered = [job for job in mail.taken if "gathered" in job.body]
    assert len(gathered) >= 2 and all(job.body.count("* ") <= 40 for job in gathered)
    told = "\n".join(job.title + job.body for job in mail.taken)
    assert [k for k in range(100) if f"sensor_{k:03d}" not in told] == []


def test_restarts_do_not_put_off_what_waits_for_its_place_in_the_hour(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    mail = site.carriers["mail"]
    for k in range(7):
        site.alarm(True, "sensor_fault", f"sensor_{k}")
        site.run(MINUTE_MS // 2)
    assert len(mail.taken) == 6
    for _ in range(20):
        site.start()
        site.run(MINUTE_MS // 2)
    assert len(mail.taken) == 7


def test_tests_that_somebody_asks_for_hold_no_alarm_up_and_are_bounded_too(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    for _ in range(20):
        ask_for_test(site.folder, ("mail",))
        site.run(MINUTE_MS // 2)
    mail = site.carriers["mail"]
    assert 6 <= len(mail.taken) <= 8 and not mail.alarms()
    site.alarm(True)
    site.run(MINUTE_MS)
    assert any("Alarm: overflow risk" in job.body or "make room" in job.body for job in mail.taken)


def test_a_second_channel_steps_in_only_where_the_first_has_not_taken_it_in_time(tmp_path: Path) -> None:
    table = TABLE + '[messages.channels.phone]\naddress_file = "phone.address"\nafter = "10 min"\n'
    site = TellingSite(tmp_path / "site", table)
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True)
    site.run(30 * MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 1 and site.carriers["phone"].tried == []
    site.carriers["mail"].says = lambda _job: Outcome(False, "it takes no connection")
    site.alarm(False)
    site.run(9 * MINUTE_MS)
    assert site.carriers["phone"].tried == []
    site.start()  # what it has waited is not forgotten
    site.run(2 * MINUTE_MS)
    assert len(site.carriers["phone"].taken) == 1
    site.carriers["mail"].says = None
    site.run(20 * MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 2 and len(site.carriers["phone"].taken) == 1
    site.close()


def test_tries_come_with_growing_waits_for_days_then_it_is_given_up_and_that_is_told(tmp_path: Path) -> None:
    table = TABLE.replace("test_every", 'give_up_after = "12 h"\ntest_every')
    table += '[messages.channels.push]\naddress_file = "push.address"\n'
    site = TellingSite(tmp_path / "site", table)
    site.look_every_ms = 5 * MINUTE_MS
    site.start()
    site.run(MINUTE_MS)
    begun_ms = site.clock.boot_ms()
    tried: list[int] = []

    def refuse(_job: Job) -> Outcome:
        tried.append(site.clock.boot_ms() - begun_ms)
        return Outcome(False, "it answered 503")

    site.carriers["mail"].says = refuse
    site.alarm(True)
    site.run(11 * HOUR_MS)
    waits = np.diff(tried)
    assert waits[0] < 45_000 and 10 * MINUTE_MS < waits[-1] < 20 * MINUTE_MS
    assert len(set(waits[-10:].tolist())) > 3, "no jitter"
    assert len(site.carriers["push"].taken) == 1
    site.run(2 * HOUR_MS)
    assert site.carriers["push"].titles[1:] == ["see to the channel mail: messages are given up"]
    assert "it answered 503" in site.carriers["push"].taken[1].body
    standing = read_messages(site.folder)
    assert standing is not None
    assert [(one.channel, one.because) for one in standing.given_up] == [("mail", "it answered 503")]
    assert any("given up" in one for one in site.told)
    site.run(14 * HOUR_MS)  # words about words are not made for ever
    assert len(site.carriers["push"].taken) == 2
    site.carriers["mail"].says = None
    site.alarm(False)
    site.run(HOUR_MS)
    assert "is over" in site.carriers["mail"].titles[-1]
    site.close()


def test_whoever_looks_sees_why_something_waits_and_when_it_is_tried_next(site: TellingSite) -> None:
    """Noted in the boot clock's time as the wall clock shows it; what a try brings changes it."""

    def seen() -> tuple[int, str | None, int | None]:
        standing = read_messages(site.folder)
        assert standing is not None
        (mail,) = standing.channels
        return mail.waiting, mail.waits_because, mail.next_try_ms

    site.start()
    site.run(MINUTE_MS)
    carrier = site.carriers["mail"]
    carrier.says = lambda _: None
    site.alarm(True)
    site.run(6_000)
    waiting, because, next_ms = seen()
    assert (waiting, because) == (1, None), "it is under way for the first time"
    assert next_ms is not None and next_ms <= site.clock.wall_ms()
    carrier.says = lambda _: Outcome(False, "it takes no connection")
    site.run(6_000)
    waiting, because, next_ms = seen()
    assert (waiting, because) == (1, "it takes no connection")
    assert next_ms is not None and 0 < next_ms - site.clock.wall_ms() <= 36_000
    tried = len(carrier.tried)
    site.run(next_ms - site.clock.wall_ms() - 100)
    assert len(carrier.tried) == tried
    site.run(300)
    assert len(carrier.tried) == tried + 1
    carrier.says = None
    site.run(20 * MINUTE_MS)
    assert seen() == (0, None, None)


def test_what_waits_for_its_place_in_the_hour_says_so(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    for k in range(20):
        site.alarm(k % 2 == 0, subject=f"tank{k // 2}")
        site.run(MINUTE_MS)
    standing = read_messages(site.folder)
    assert standing is not None
    (mail,) = standing.channels
    assert mail.waiting > 0 and mail.waits_because == "no more than 12 messages an hour go this way"
    assert mail.next_try_ms is not None and 0 < mail.next_try_ms - site.clock.wall_ms() <= 10 * MINUTE_MS


def test_a_clock_that_is_set_by_years_gives_nothing_up(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.carriers["mail"].says = lambda _job: Outcome(False, "it takes no connection")
    site.alarm(True)
    site.run(MINUTE_MS)
    site.clock.step_wall(20 * 365 * DAY_MS)
    site.run(MINUTE_MS)
    site.start()
    site.carriers["mail"].says = None
    site.run(HOUR_MS)
    assert len(site.carriers["mail"].alarms()) == 1


def test_a_new_alarm_does_not_wait_for_the_long_waits_of_one_before(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.carriers["mail"].says = lambda _job: Outcome(False, "there is no way to it now")
    site.alarm(True)
    site.run(2 * HOUR_MS)
    site.carriers["mail"].says = None
    site.alarm(True, "low_reserve", "site")
    site.run(70_000)
    assert len(site.carriers["mail"].taken) == 2


def test_a_restart_in_every_state_changes_nothing(tmp_path: Path) -> None:
    """The same hours, once in one life and once with a restart every minute: the same messages, in the same order."""

    def lived(folder: Path, every_ms: int) -> list[list[str]]:
        table = TABLE + '[messages.channels.phone]\naddress_file = "phone.address"\nafter = "10 min"\n'
        site = TellingSite(folder, table)
        site.start()
        site.run(MINUTE_MS)
        first_ms = site.clock.boot_ms()

        def away(_job: Job) -> Outcome:
            minutes = (site.clock.boot_ms() - first_ms) / MINUTE_MS
            return Outcome(not 5 <= minutes < 40, "it takes no connection")

        site.carriers["mail"].says = away
        happens = {
            0: [("overflow_risk", "house", True)],
            6: [("low_reserve", "site", True), ("overflow_risk", "house", False)],
            45: [("low_reserve", "site", False)],
            60: [("sensor_fault", "gauge", True)],
        }
        for minute in range(90):
            for alarm, subject, active in happens.get(minute, []):
                site.alarm(active, alarm, subject)
            for _ in range(MINUTE_MS // every_ms):
                site.run(every_ms)
                if every_ms < MINUTE_MS:
                    site.start()
        told = [one.titles for one in site.carriers.values()]
        site.close()
        return told

    once = lived(tmp_path / "once", MINUTE_MS)
    assert once == lived(tmp_path / "often", 20_000)
    assert len(once[0]) == 5 and len(once[1]) == 2


def test_a_silent_logger_is_told_by_the_messenger_and_its_return_too(site: TellingSite) -> None:
    site.start()
    site.run(HOUR_MS)
    site.is_logging = False
    site.run(12 * MINUTE_MS)
    assert site.carriers["mail"].taken == []
    site.run(5 * MINUTE_MS)
    assert site.carriers["mail"].titles == ["see to the board: the logger is silent"]
    site.start()
    site.clock.step_wall(5 * 365 * DAY_MS)
    site.run(2 * HOUR_MS)
    assert len(site.carriers["mail"].taken) == 1, "neither a restart nor a clock is a sign of life"
    site.is_logging = True
    site.run(3 * MINUTE_MS)
    assert site.carriers["mail"].titles[1:] == ["nothing to do any more: logger silent is over"]


def test_a_logger_that_gives_a_sign_of_life_now_and_then_is_told_once(site: TellingSite) -> None:
    """It dies a moment after each start."""
    site.start()
    site.run(HOUR_MS)
    for _ in range(12):
        site.is_logging = False
        site.run(590_000)
        site.is_logging = True
        site.run(10_000)
    assert site.carriers["mail"].titles == ["see to the board: the logger is silent"]
    assert "only now and then" in site.carriers["mail"].taken[0].body
    site.run(5 * MINUTE_MS)
    assert site.carriers["mail"].titles[1:] == ["nothing to do any more: logger silent is over"]


def test_a_disk_that_fails_most_of_the_time_is_told_once_by_the_messenger(site: TellingSite) -> None:
    """No event of it reaches the log."""
    site.start()
    site.run(MINUTE_MS)
    site.is_logging = False
    for n in range(180):
        site.health(disk_trouble="disk I/O error" if n % 6 else None)
        site.run(10_000)
    assert site.carriers["mail"].titles == ["see to the disk of the board: readings cannot be stored"]


def test_a_log_that_cannot_be_read_is_told_and_alarms_go_on_when_it_can(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    site.alarm(True)
    site.end_log()
    with contextlib.closing(sqlite3.connect(site.folder / "readings.db", isolation_level=None)) as last:
        last.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    saved = (site.folder / "readings.db").read_bytes()
    for path in site.folder.glob("readings.db*"):
        path.unlink()
    (site.folder / "readings.db").write_bytes(b"no database at all" * 300)
    site.run(20 * MINUTE_MS)
    assert site.carriers["mail"].titles == ["see to the board: its log cannot be read"]
    (site.folder / "readings.db").unlink()
    (site.folder / "readings.db").write_bytes(saved)
    site.run(MINUTE_MS)
    assert site.carriers["mail"].titles[1:] == [
        "make room in tank house: it is near its brim",
        "log unreadable is over, but other alarms stand",
    ]


def test_a_log_that_is_taken_away_under_a_logger_that_goes_on_is_told(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    aside = site.folder / "aside"
    aside.mkdir()
    for path in site.folder.glob("readings.db*"):
        path.rename(aside / path.name)
    site.run(20 * MINUTE_MS)
    (told,) = site.carriers["mail"].taken
    assert told.title.endswith("see to the board: its log cannot be read") and "no log any more" in told.body
    for path in aside.iterdir():
        path.rename(site.folder / path.name)
    site.run(MINUTE_MS)
    assert site.carriers["mail"].titles[1:] == ["nothing to do any more: log unreadable is over"]


def test_an_alarm_gets_out_though_the_disk_takes_nothing(site: TellingSite, monkeypatch: pytest.MonkeyPatch) -> None:
    site.start()
    site.run(MINUTE_MS)

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(Store, "_write", full)
    site.alarm(True, "low_space", "site")
    site.run(MINUTE_MS)
    assert site.carriers["mail"].titles == ["make room on the disk of the board"]
    assert sum("cannot be put down" in one for one in site.told) == 1
    site.start()
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 2, "what was not put down may be told twice, and must not be lost"
    monkeypatch.undo()
    site.run(MINUTE_MS)
    site.start()
    site.run(MINUTE_MS)
    assert len(site.carriers["mail"].taken) == 2


def test_readings_that_cannot_be_stored_are_told_by_the_loggers_own_word(site: TellingSite) -> None:
    """A full disk cannot take the event either."""
    site.start()
    site.run(MINUTE_MS)
    site.is_logging = False
    for _ in range(20):
        site.clock.now_ms += 6_000
        site.health(disk_trouble="database or disk is full", waiting=120)
        site.run(100)
    assert site.carriers["mail"].titles == ["see to the disk of the board: readings cannot be stored"]
    site.alarm(True, "disk_fault", "site")
    site.alarm(False, "disk_fault", "site", at_ms=site.clock.wall_ms() + 1)
    site.is_logging = True
    site.run(3 * MINUTE_MS)
    assert site.carriers["mail"].titles[1:] == ["nothing to do any more: disk fault is over"]


def test_the_sign_of_life_says_whether_what_it_speaks_for_lives(tmp_path: Path) -> None:
    site = TellingSite(tmp_path / "site", TABLE + 'heartbeat_every = "10 min"\n')
    site.start()
    site.reading()
    site.alarm(True)
    site.run(25 * MINUTE_MS)
    mail = site.carriers["mail"]
    beats = [job for job in mail.taken if job.kind == "heartbeat"]
    assert len(beats) == 3
    sent = [json.loads(job.publish[-1][1])["at_ms"] for job in beats]
    assert np.abs(np.diff(sent) - 10 * MINUTE_MS).max() <= 200, "neither a look nor a try moves the interval"
    assert "Newest reading: 0 s old" in beats[0].body and beats[0].title.endswith("alive, nothing to do for the board")
    assert "Alarms that stand: overflow risk, tank house" in beats[-1].body
    assert "Newest reading: 20 min old" in beats[-1].body and "no reading is newer than 20 min" in beats[-1].title
    site.is_logging = False
    site.run(20 * MINUTE_MS)
    last = [job for job in mail.taken if job.kind == "heartbeat"][-1]
    assert "see to it: the logger is silent" in last.title, "within two periods"
    words = json.loads({topic: text for topic, text, _ in last.publish}["messenger"])
    assert words["expires_ms"] - words["at_ms"] == 20 * MINUTE_MS and words["faults"]
    count = len([job for job in mail.taken if job.kind == "heartbeat"])
    site.start()
    site.run(5_000)
    assert len([job for job in mail.taken if job.kind == "heartbeat"]) == count, "a restart is no reason for one"
    site.close()


def test_a_sign_of_life_goes_the_way_of_alarms_and_is_never_late(tmp_path: Path) -> None:
    site = TellingSite(tmp_path / "site", TABLE + 'heartbeat_every = "10 min"\n')
    site.look_every_ms = MINUTE_MS
    site.start()
    site.run(MINUTE_MS)
    site.carriers["mail"].says = lambda _job: Outcome(False, "it takes no connection")
    site.run(3 * HOUR_MS)
    site.carriers["mail"].says = None
    site.run(16 * MINUTE_MS)
    beats = [job for job in site.carriers["mail"].taken if job.kind == "heartbeat"]
    assert len(beats) in (2, 3), "those that could not go are not made up for"
    site.close()


def test_a_hung_channel_holds_no_other_up_and_is_tried_again(tmp_path: Path) -> None:
    site = TellingSite(tmp_path / "site", TABLE + '[messages.channels.push]\naddress_file = "push.address"\n')
    site.start()
    site.run(MINUTE_MS)
    site.carriers["mail"].says = lambda _job: None
    site.alarm(True)
    site.run(20_000)
    assert len(site.carriers["push"].taken) == 1
    site.run(5 * MINUTE_MS)
    assert len(site.carriers["mail"].tried) > 2
    site.close()


def test_a_board_that_can_start_no_process_for_a_while_loses_no_message(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    carrier = site.carriers["mail"]
    begin, refused = carrier.begin, []

    def refuses(job: Job, _boot_ms: int) -> None:
        refused.append(job)
        raise BlockingIOError(errno.EAGAIN, os.strerror(errno.EAGAIN))

    carrier.begin = refuses  # type: ignore[method-assign, assignment]
    site.alarm(True)
    site.run(5 * MINUTE_MS)
    assert len(refused) > 1 and site.told == [
        "mail: not handed over: no process can be started for it (Resource temporarily unavailable); it is tried again"
    ]
    carrier.begin = begin  # type: ignore[method-assign]
    site.run(15 * MINUTE_MS)
    assert len(carrier.alarms()) == 1 and site.told[-1] == "mail: handed over again"


def test_a_test_of_the_week_goes_to_every_channel_and_can_be_left_out(tmp_path: Path) -> None:
    table = TABLE + '[messages.channels.phone]\naddress_file = "phone.address"\nafter = "10 min"\n'
    site = TellingSite(tmp_path / "site", table.replace("test_every = 0", 'test_every = "7 d"'))
    site.start()
    site.run(5_000)
    assert [len(one.taken) for one in site.carriers.values()] == [1, 1]
    for _ in range(20):
        site.clock.now_ms += DAY_MS
        site.health()
        site.run(1_000)
    titles = site.carriers["mail"].titles
    assert titles.count("test of the messages, nothing to do") == 3
    site.close()


def test_a_test_is_asked_for_by_a_file_that_names_channels_and_nothing_else(site: TellingSite) -> None:
    site.start()
    site.run(MINUTE_MS)
    ask_for_test(site.folder, ["mail", "nobody"])
    site.run(6_000)
    assert site.carriers["mail"].titles == ["test of the messages, nothing to do"]
    path = site.folder / REQUEST_FILE
    assert not path.exists()
    for text in ("{", "[]", '{"channels": 3}', '{"channels": ["mail"' + "x" * 10_000):
        path.write_text(text, encoding="utf-8")
        site.run(6_000)
        assert not path.exists()
    path.symlink_to("/etc/hostname")
    site.run(6_000)
    assert not path.is_symlink()
    assert len(site.carriers["mail"].taken) == 1


def test_a_damaged_outbox_is_moved_aside_and_a_new_one_begun(site: TellingSite, tmp_path: Path) -> None:
    from rainstead.messages.life import open_store

    path = site.folder / "messages.db"
    path.write_bytes(b"no database at all" * 100)
    store = open_store(site.folder, 1)
    store.note("x", 1)
    assert store.flush()
    store.close()
    assert len(list(site.folder.glob("messages-damaged-*.db"))) == 1
    assert read_messages(tmp_path / "nowhere") is None


def test_an_alarm_gets_out_of_a_disk_that_is_really_full_and_what_was_sent_is_put_down_once_there_is_room(
    tmp_path: Path,
) -> None:
    with small_disk(tmp_path / "disk", 4) as disk:
        site = TellingSite(disk / "site")
        site.run_folder = tmp_path  # as on a board, where it is in memory
        site.start()
        site.run(MINUTE_MS)
        site.alarm(True, "low_space", "site")
        other = fill(disk, 0)
        site.run(MINUTE_MS)
        assert site.carriers["mail"].titles == ["make room on the disk of the board"]
        assert any("cannot be put down now (database or disk is full)" in one for one in site.told)
        other.unlink()
        site.run(MINUTE_MS)
        assert site.told[-1] == "put down again"
        site.start()
        site.run(MINUTE_MS)
        assert len(site.carriers["mail"].taken) == 1
        site.close()


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({}, "alive, nothing to do for the board"),
        ({"trouble": "file is not a database"}, "the log cannot be read"),
        ({"log": None, "is_missing": True}, "there is no log"),
        ({"health": {"disk_trouble": "full"}}, "readings cannot be stored"),
        ({"health": {"calculation_failed": "a fault"}}, "the calculation fails"),
        ({"health": {"dropped": 7}}, "7 readings were lost"),
        ({"clock_is_trusted": False}, "the clock is not set"),
        ({"newest_ms": 10_000_000_000 - 3_600_000}, "no reading is newer than 60 min"),
        ({"lag_s": 5000.0}, "forwarding is behind by 83 min"),
    ],
)
def test_whatever_stops_shows_in_the_next_sign_of_life(changes: dict[str, Any], word: str) -> None:
    well = Seen("a log", False, None, None, 10_000_000_000 - 9_000, True, {"waiting": 0, "dropped": 0}, 3.0, 900.0)
    beat = Beat(
        site="Hollow",
        zone="UTC",
        at_ms=10_000_000_000,
        every_s=600.0,
        seen=replace(well, **changes),
        silent_after_s=900.0,
        reading_due_s=900.0,
        logger_quiet_s=5.0,
        standing=[],
        waiting=0,
        given_up=0,
        outbox_trouble=None,
    )
    text = beat_text(beat)
    assert word in text.title
    assert "Free on the disk: 900 MB" in text.body and "if two stay out, go and look" in text.body
    assert bool(beat_words(beat)["faults"]) == bool(changes)


def test_each_alarm_that_a_logger_raises_has_words_that_say_what_to_do() -> None:
    tables: Any = Settings.model_fields["alarms"].annotation
    assert {"overflow_risk", "low_reserve"} <= tables.model_fields.keys()
    assert rules.BOARD_ALARMS | tables.model_fields.keys() <= words._DO.keys()

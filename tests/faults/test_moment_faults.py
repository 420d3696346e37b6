"""Which moment now is for whoever reads the log while a clock is wrong: never the past shown as the present."""

import json
import shutil
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from board_site import SITE, BoardSite, level
from fake_clock import FakeClock
from paged_site import as_json, in_front_of
from typer.testing import CliRunner

from rainstead import clockword
from rainstead.boardhealth import read_board_health
from rainstead.cli import folder as cli_folder
from rainstead.cli import site as cli_site
from rainstead.cli.commands import app
from rainstead.forward import process as forwarding
from rainstead.log import LogReader
from rainstead.messages import process as messenger
from rainstead.moment import LogClock, moment_of

TRUE_MS = 1_790_000_000_000
MINUTE_MS = 60_000
BEFORE, AFTER = "the boot before the cut", "the boot after it"


class Board:
    """A tank at 1500 mm by a clock that was right; then a cut, and a boot whose clock nobody has set; the tank fills.

    Its clocks are those of the machine: what asks the machine for the time gets the board's.
    """

    def __init__(self, folder: Path, *, lag_min: float, before_min: float, boot: str = AFTER) -> None:
        self.folder = folder
        folder.mkdir()
        (folder / "site.toml").write_text(SITE + "\n[page]\n", encoding="utf-8")
        first = FakeClock(boot_ms=5_000, wall_ms=TRUE_MS)
        first_run = BoardSite(folder, [level(lambda t: 1500.0 + t % 7)], first, boot=BEFORE)
        first_run.run(before_min * 60)
        first_run.logger.stop()
        self.clock = FakeClock(boot_ms=9_000, wall_ms=round(first.wall_ms() - lag_min * MINUTE_MS))
        self.run = BoardSite(
            folder,
            [level(lambda t: 540.0 + t % 7)],
            self.clock,
            trusted=False,
            boot=boot,
            health_path=folder / "health.json",
        )

    def ask(self, *command: str) -> str:
        """What the desk says on this machine."""
        result = CliRunner().invoke(app, [*command, "--site", str(self.folder)])
        assert result.exit_code == 0, result.output
        return " ".join(result.output.split())

    def ask_json(self, *command: str) -> Any:
        return json.loads(CliRunner().invoke(app, [*command, "--site", str(self.folder), "--json"]).stdout)


@pytest.fixture
def here(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """The machine is in the boot after the cut."""
    monkeypatch.setattr(moment_of, "__kwdefaults__", {"boot_uuid": lambda: AFTER})
    return monkeypatch


def on(board: Board, here: pytest.MonkeyPatch) -> Board:
    here.setattr(cli_site, "SystemClock", lambda: board.clock)
    return board


@pytest.mark.parametrize("before_min", [50, 10])
def test_the_desk_on_a_board_whose_clock_is_behind_the_log_tells_the_present(
    tmp_path: Path, here: pytest.MonkeyPatch, before_min: float
) -> None:
    """Of a log that is younger than the lag too, all of which is later than such a clock."""
    board = on(Board(tmp_path / "site", lag_min=40, before_min=before_min), here)
    board.run.run(300)
    told = board.ask_json("now")
    assert told["tanks"][0]["freeboard_l"] < 400 and not told["last_reading_is_old"]
    assert "overflow_risk" in [one["alarm"] for one in told["alarms"] if one["state"] != "normal"]
    assert told["as_of_ms"] == board.run.keeper.wall_ms()
    said = board.ask("now")
    assert "This machine's clock is behind its logger by 40 min; times are the logger's." in said
    assert "ALARM overflow risk" in said
    assert "active" in board.ask("alarms")
    health = board.ask_json("health")
    assert 0 <= health["logger"]["age_s"] <= 10 and health["logger_is_running"] and not health["logger"]["is_late"]
    [sensor] = [one["health"] for one in health["sensors"] if one["health"]["name"] == "level"]
    assert 0 <= sensor["age_s"] < 30
    typed = json.loads(
        CliRunner().invoke(app, ["now", "--site", str(board.folder), "--json", "--as-of", "2026-09-21T14:15Z"]).stdout
    )
    assert typed["as_of_because"] is None and typed["as_of_utc"] == "2026-09-21T14:15:00Z"
    board.run.logger.stop()


def test_the_page_on_such_a_board_tells_the_present_though_it_cannot_see_which_boot_this_is(
    tmp_path: Path, here: pytest.MonkeyPatch
) -> None:
    board = Board(tmp_path / "site", lag_min=40, before_min=5)
    here.setattr(moment_of, "__kwdefaults__", {"boot_uuid": lambda: None})
    board.run.run(300)
    with in_front_of(board.folder, board.clock) as page:
        told, shown = as_json(page, "/now.json"), page.get("/").text
        health = as_json(page, "/health.json")
    assert told["tanks"][0]["freeboard_l"] < 400 and not told["last_reading_is_old"]
    assert "overflow_risk" in [one["alarm"] for one in told["alarms"] if one["state"] != "normal"]
    assert "This machine&#39;s clock is behind its logger by 40 min; times are the logger&#39;s." in shown
    assert health["logger"]["age_s"] <= 10
    board.run.logger.stop()


def test_a_copy_of_the_log_on_a_machine_whose_clock_is_behind_is_shown_as_of_its_newest_reading(
    tmp_path: Path, here: pytest.MonkeyPatch
) -> None:
    board = Board(tmp_path / "site", lag_min=40, before_min=50, boot="of another machine")
    board.run.run(300)
    newest_ms = board.run.stamps("level")[-1]
    board.run.logger.stop()
    desk = FakeClock(wall_ms=newest_ms - 40 * MINUTE_MS)
    here.setattr(cli_site, "SystemClock", lambda: desk)
    told = board.ask_json("now")
    with LogReader(board.folder) as reader:
        assert told["as_of_ms"] == reader.last_before_ms(2**62)
    behind = "this machine's clock is behind the log by 40 min; shown as of the log's newest reading"
    assert told["as_of_because"] == behind
    assert told["tanks"][0]["freeboard_l"] < 400
    desk.step_wall(60 * MINUTE_MS)
    told = board.ask_json("now")
    assert told["as_of_ms"] == desk.wall_ms() and told["as_of_because"] is None
    assert told["last_reading_is_old"]


def test_an_earlier_boot_that_lies_years_ahead_does_not_make_a_copy_years_old(
    tmp_path: Path, here: pytest.MonkeyPatch
) -> None:
    """A slip of the hand set a trusted clock a year ahead; the boots after it are right."""
    del here
    ahead = BoardSite(tmp_path, [level(lambda _: 1500.0)], FakeClock(wall_ms=TRUE_MS + 365 * 86_400_000), boot="a")
    ahead.run(60)
    ahead.logger.stop()
    right = BoardSite(tmp_path, [level(lambda _: 1500.0)], FakeClock(wall_ms=TRUE_MS), boot="b")
    right.run(60)
    right.logger.stop()
    with LogReader(tmp_path) as reader:
        told = moment_of(reader, FakeClock(wall_ms=TRUE_MS + 3_600_000))
    assert (told.t_ms, told.because) == (TRUE_MS + 3_600_000, None)


def test_where_the_logger_runs_a_clock_far_ahead_of_it_makes_no_reading_old_and_is_told(
    tmp_path: Path, here: pytest.MonkeyPatch
) -> None:
    board = on(Board(tmp_path / "site", lag_min=0, before_min=5), here)
    board.run.run(120)
    board.clock.step_wall(3 * 86_400_000)  # and the logger has not looked yet
    told = board.ask_json("now")
    assert told["last_reading_age_s"] < 30
    assert told["as_of_because"] == "this machine's clock is ahead of its logger by 3.0 d; times are the logger's"
    board.run.run(10)
    assert board.ask_json("now")["as_of_because"] is None, "it has taken the step"
    board.run.logger.stop()


@pytest.mark.parametrize("by_min", [-400, 0, 400])
def test_health_knows_how_long_ago_a_logger_ended_whatever_the_clock_was_set_to_since(
    tmp_path: Path, here: pytest.MonkeyPatch, by_min: int
) -> None:
    board = on(Board(tmp_path / "site", lag_min=0, before_min=5), here)
    board.run.run(120)
    board.run.logger.stop()
    board.clock.now_ms += 24 * MINUTE_MS
    board.clock.step_wall(by_min * MINUTE_MS)
    health = board.ask_json("health")
    assert health["logger_is_running"] is False and not health["logger"]["is_late"]
    assert health["logger"]["age_s"] == pytest.approx(24 * 60, abs=15)
    assert health["last_reading_age_s"] == pytest.approx(24 * 60, abs=15)
    said = board.ask("health")
    assert "What the last one said stands below" in said
    assert "said last, 24 min ago: up " in said and " then;" in said
    assert "wait" not in said.replace("waited", "")


def test_a_logger_that_lives_and_cannot_write_its_account_is_told(tmp_path: Path, here: pytest.MonkeyPatch) -> None:
    board = on(Board(tmp_path / "site", lag_min=0, before_min=5), here)
    board.run.run(60)
    shutil.copy(board.folder / "health.json", tmp_path / "kept.json")
    board.run.run(90)
    assert not board.ask_json("health")["logger"]["is_late"]
    shutil.copy(tmp_path / "kept.json", board.folder / "health.json")
    health = board.ask_json("health")
    assert health["logger"]["is_late"] and health["logger"]["age_s"] > 60
    said = board.ask("health")
    assert "A logger runs, but it could not write its account since" in said and "or it hangs" in said
    with in_front_of(board.folder, board.clock) as page:
        assert "it could not write its account since" in page.get("/health").text
    board.run.logger.stop()


def test_an_account_from_before_the_clock_was_set_is_as_old_as_it_is(tmp_path: Path, here: pytest.MonkeyPatch) -> None:
    """All of the boot moves to the right offset; what the account says of the time is from before."""
    board = on(Board(tmp_path / "site", lag_min=40, before_min=5), here)
    board.run.run(60)
    board.clock.step_wall(400 * MINUTE_MS)
    board.run.trusted = True
    kept = (board.folder / "health.json").read_text(encoding="utf-8")
    board.run.run(20)
    (board.folder / "health.json").write_text(kept, encoding="utf-8")
    health = board.ask_json("health")
    assert health["as_of_because"] is None and 20 <= health["logger"]["age_s"] <= 30
    board.run.logger.stop()


def test_of_two_accounts_that_of_this_boot_is_the_newer_whatever_their_clocks_said(
    tmp_path: Path, here: pytest.MonkeyPatch
) -> None:
    del here
    run = tmp_path / "run"
    run.mkdir()
    told = {"site": "s", "written_ms": TRUE_MS, "boot_uuid": AFTER, "boot_ms": 5}
    (run / "health.json").write_text(json.dumps(told), encoding="utf-8")
    (tmp_path / "health.json").write_text(json.dumps({"site": "s", "written_ms": TRUE_MS + 9}), encoding="utf-8")
    assert (read_board_health(tmp_path, "s", run, boot_uuid=AFTER) or {}).get("boot_ms") == 5
    assert (read_board_health(tmp_path, "s", run) or {}).get("boot_ms") is None


def test_a_process_that_goes_on_takes_the_loggers_time_and_the_walls_without_a_log(tmp_path: Path) -> None:
    board = Board(tmp_path / "site", lag_min=40, before_min=50)
    kept = LogClock(board.folder, board.clock, boot_uuid=lambda: AFTER)
    board.run.run(60)
    assert kept.now_ms() == board.run.keeper.wall_ms() > board.clock.wall_ms() + 39 * MINUTE_MS
    away = board.folder / "away.db"
    (board.folder / "readings.db").rename(away)
    board.clock.now_ms += 10_000
    assert kept.now_ms() == board.run.keeper.wall_ms(), "time does not jump because the log cannot be read for a while"
    away.rename(board.folder / "readings.db")
    board.clock.step_wall(40 * MINUTE_MS)  # somebody sets it: at once, not after the next look
    board.run.trusted = True
    board.run.run(2)
    assert abs(kept.now_ms() - board.clock.wall_ms()) < 2
    board.run.logger.stop()
    (board.folder / "readings.db").unlink()
    board.clock.now_ms += 10_000
    assert abs(kept.now_ms() - board.clock.wall_ms()) < 2
    kept.close()
    kept = LogClock(board.folder, board.clock, boot_uuid=lambda: AFTER)
    assert kept.now_ms() == board.clock.wall_ms()
    kept.close()


def test_messenger_and_forwarder_live_by_the_loggers_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    board = Board(tmp_path / "site", lag_min=40, before_min=5)
    board.run.run(60)
    seen: list[int] = []

    class Seeing:
        def __init__(self, *_: Any, **__: Any) -> None: ...

        def step(self, boot_ms: int, now_ms: int) -> int:
            seen.append(now_ms)
            return boot_ms + 1

        def close(self) -> None: ...

    monkeypatch.setattr(messenger, "Life", Seeing)
    monkeypatch.setattr(forwarding, "Forwarder", Seeing)
    given: Any = board.run.settings, SimpleNamespace(order="log"), SimpleNamespace(name="none")
    messenger._run(given[0], given[1], board.folder, {}, board.clock, lambda: len(seen) == 1)
    forwarding._run(given[0], board.folder, given[2], given[1], board.clock, lambda: len(seen) == 2)
    assert min(seen) > board.clock.wall_ms() + 39 * MINUTE_MS
    board.run.logger.stop()


def test_a_confined_service_is_told_by_its_unit_which_boot_this_is(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(clockword, "_BOOT_ID", tmp_path / "not there")
    monkeypatch.delenv("RAINSTEAD_BOOT", raising=False)
    assert clockword.machine_boot_uuid() is None
    monkeypatch.setenv("RAINSTEAD_BOOT", "no boot")
    assert clockword.machine_boot_uuid() is None
    monkeypatch.setenv("RAINSTEAD_BOOT", "0123456789abcdef0123456789abcdef")
    assert clockword.machine_boot_uuid() == "01234567-89ab-cdef-0123-456789abcdef"
    units = Path(__file__).parents[2] / "systemd"
    confined = [one for one in units.glob("*.service") if "ProcSubset=pid" in one.read_text(encoding="utf-8")]
    long = [one for one in confined if "Type=oneshot" not in one.read_text(encoding="utf-8")]
    assert len(long) == 3
    for unit in long:
        assert "\nEnvironment=RAINSTEAD_BOOT=%b\n" in unit.read_text(encoding="utf-8"), unit.name


def test_a_note_on_such_a_board_takes_its_place_among_the_readings(tmp_path: Path, here: pytest.MonkeyPatch) -> None:
    board = on(Board(tmp_path / "site", lag_min=40, before_min=5), here)
    here.setattr(cli_folder, "SystemClock", lambda: board.clock)
    board.run.run(60)
    said = board.ask("note", "dip", "house", "1.9 m")
    assert "is behind its logger by 40 min" in said
    [entry] = board.ask_json("note", "list")["entries"]
    assert entry["added_ms"] == board.run.keeper.wall_ms()
    board.run.logger.stop()

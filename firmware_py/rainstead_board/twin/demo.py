"""The demo: an invented site with some weeks of history, the real logger on simulated hardware, and a view of it."""

import dataclasses
import json
import logging
import os
import shutil
import signal
import subprocess
import sys
import time
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rainstead.clock import SystemClock
from rainstead.derive import Deriver
from rainstead.errors import RainsteadError
from rainstead.events import AlarmEvent
from rainstead.log import Columns, LogReader, LogWriter
from rainstead.replay import replay
from rainstead.settings import Settings, parse_settings, sensor_kind
from rainstead.statekeeping import state_to_text

from .invented import demo_history, demo_settings_text, demo_site
from .sense import history
from .waterworks import SiteState

if TYPE_CHECKING:
    from rich.console import Console

    from rainstead.cli.view import LiveView

__all__ = ["fill_log", "run_demo", "run_live"]

_MARK = ".made-by-the-demo"
_DEMO_PID = "RAINSTEAD_DEMO_PID"
_STATE = "twin-state.json"
_LIVE_EVERY = "2 s"
_OURS = (
    _MARK,
    _STATE,
    "site.toml",
    "readings.db",
    "readings.db-wal",
    "readings.db-shm",
    "readings.db.lock",
    "logger.txt",
    "health.json",
    "spare-room",
    "backup-account.json",
    "check-account.json",
)
_OUR_FOLDERS = ("dev", "w1")


def run_demo(folder: Path, *, days: int, seconds: float | None, seed: int) -> None:
    """Make the site in `folder`, fill its log, start the logger on the twin in a process of its own, and show it.

    Ends on Ctrl-C or after `seconds`; the folder stays, for the desk commands.
    Raises RainsteadError where the folder holds anything that the demo did not make.
    """
    from rich.console import Console

    from rainstead.cli.view import LiveView

    console = Console()
    folder = folder.absolute()
    is_again = (folder / _MARK).exists()
    _prepare(folder)
    console.print(f"The demo keeps everything in [bold]{folder}[/bold] and nothing anywhere else.", soft_wrap=True)
    anew = " What an earlier demo left there is gone." if is_again else ""
    console.print(f"Site, weather and water are invented.{anew}")
    _history(console, folder, days, seed)
    with (folder / "logger.txt").open("w", encoding="utf-8") as told:
        # Of its own session, so that Ctrl-C reaches it once, through us.
        child = subprocess.Popen(
            [sys.executable, "-m", "rainstead_board.twin.command", "live", str(folder)],
            stdout=told,
            stderr=told,
            start_new_session=True,
            env={**os.environ, _DEMO_PID: str(os.getpid())},
        )
    ended_early = False
    try:
        _show(console, LiveView(folder), child, seconds)
        ended_early = child.poll() is not None
    except KeyboardInterrupt:
        pass
    finally:
        child.send_signal(signal.SIGTERM)
        try:
            child.wait(timeout=20)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
    if ended_early or child.returncode != 0:
        raise RainsteadError(
            f"the logger ended with code {child.returncode}; its own words are in {folder / 'logger.txt'}"
        )
    console.print(f"\nStopped; the log is whole. Try: rainstead now --site {folder}", soft_wrap=True)


def run_live(folder: Path) -> None:
    """The twin and the logger in this process, until SIGTERM or SIGINT, or until the demo that started it is gone."""
    from gpiozero import Device
    from gpiozero.pins.mock import MockFactory

    from rainstead.boardhealth import HEALTH_FILE
    from rainstead.clockword import machine_boot_uuid
    from rainstead_board.drivers import build_channels
    from rainstead_board.logger import Logger

    from .harness import LiveTwin

    folder = folder.absolute()
    logging.basicConfig(stream=sys.stderr, level=logging.INFO, format="%(levelname)s %(message)s")
    try:
        text = (folder / "site.toml").read_text(encoding="utf-8")
        state = _state_from_text((folder / _STATE).read_text(encoding="utf-8"))
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RainsteadError(
            f"{folder}: this is not a demo's folder ({error}); `rainstead-twin demo` makes one"
        ) from None
    stopping: list[int] = []
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda signum, _frame: stopping.append(signum))
    # Told, not asked: the demo may have ended before this process had begun.
    parent = int(os.environ.get(_DEMO_PID, os.getppid()))
    clock = SystemClock()
    settings = parse_settings(text, str(folder / "site.toml"), now_ms=clock.wall_ms())
    factory = Device.pin_factory = MockFactory()
    twin = LiveTwin(settings, state, folder, clock, factory, site=demo_site(settings))
    writer = LogWriter(folder / "readings.db")
    twin.start()
    try:
        logger = Logger(
            settings,
            text,
            writer,
            build_channels(settings, clock),
            clock,
            clock_is_trusted=lambda: True,
            boot_uuid=machine_boot_uuid() or "unknown",
            health_path=folder / HEALTH_FILE,
        )
        logger.run(lambda: bool(stopping) or os.getppid() != parent)
    finally:
        twin.stop()


def fill_log(path: Path, text: str, settings: Settings, blocks: list[Columns], *, size: int = 200_000) -> int:
    """Write a history into a log as if a logger had watched it: readings, settings, alarm events, kept state.

    Returns how many readings were added.
    """
    deriver = Deriver(settings)
    with LogWriter(path) as writer:
        numbers = writer.sensor_numbers({name: sensor_kind(sensor) for name, sensor in settings.sensors.items()})
        segment = writer.begin_segment(writer.begin_boot("twin", uuid.uuid4().hex, 0), 0, trusted=True)
        added = sum(writer.append_columns(segment, numbers, [block]) for block in blocks)
        writer.keep_settings(min(int(block.t_ms[0]) for block in blocks if len(block.t_ms)), deriver.digest, text)
        events: list[AlarmEvent] = []
        state = deriver.start()
        with LogReader(path) as reader:
            for newer, derived in replay(reader, deriver, size=size):
                state = newer
                events += derived.events
        writer.append_events(segment, events)
        if state.upto_ms is not None:
            writer.save_checkpoint(state.upto_ms, deriver.digest, state_to_text(state))
    return added


def _prepare(folder: Path) -> None:
    if folder.exists() and not folder.is_dir():
        raise RainsteadError(f"{folder}: this is a file; name a folder for the demo")
    if folder.is_dir() and any(folder.iterdir()) and not (folder / _MARK).exists():
        raise RainsteadError(f"{folder}: holds things that the demo did not make; name another folder, or a new one")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / _MARK).touch()
        for name in _OURS[1:]:
            (folder / name).unlink(missing_ok=True)
        for name in _OUR_FOLDERS:
            shutil.rmtree(folder / name, ignore_errors=True)
    except OSError as error:
        raise RainsteadError(f"{folder}: cannot be used for the demo ({error.strerror}); name another folder") from None


def _history(console: "Console", folder: Path, days: int, seed: int) -> None:
    begun = time.perf_counter()
    now_ms = SystemClock().wall_ms()
    text = demo_settings_text(folder, every=_LIVE_EVERY)
    settings = parse_settings(text, str(folder / "site.toml"), now_ms=now_ms)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    with console.status(f"making {days} days of invented weather and water …"):
        truth = demo_history(settings, end_ms=now_ms, days=days, seed=seed)
        blocks = [Columns(*block) for block in history(truth, settings, seed)]
    with console.status("filling the log …"):
        added = fill_log(folder / "readings.db", text, settings, blocks)
    (folder / _STATE).write_text(json.dumps(dataclasses.asdict(truth.end)), encoding="utf-8")
    seconds = time.perf_counter() - begun
    console.print(f"{days} days of history: {added:,} readings in {seconds:.1f} s.")
    console.print("Live from here: a storm within the first minute, then a pump run. Ctrl-C stops it.")


def _show(console: "Console", view: "LiveView", child: subprocess.Popen[bytes], seconds: float | None) -> None:
    from rich.live import Live

    clock = SystemClock()
    end_ms = None if seconds is None else clock.boot_ms() + round(seconds * 1000)

    def goes_on() -> bool:
        return child.poll() is None and (end_ms is None or clock.boot_ms() < end_ms)

    if console.is_terminal:
        with Live(view.render(), console=console, auto_refresh=False, screen=False) as live:
            while goes_on():
                live.update(view.render(), refresh=True)
                clock.wait_until(clock.boot_ms() + 500)
    else:
        while goes_on():
            console.print(view.plain_line(), soft_wrap=True, highlight=False)
            clock.wait_until(clock.boot_ms() + 5000)


def _state_from_text(text: str) -> SiteState:
    fields: dict[str, Any] = json.loads(text)
    whole: dict[str, Any] = {name: tuple(v) if isinstance(v, list) else v for name, v in fields.items()}
    return SiteState(**whole)

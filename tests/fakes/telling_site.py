"""A site with a log into which a test raises alarms, and a messenger whose ways out are the test's own."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

from fake_clock import FakeClock
from small_site import SETTINGS

from rainstead.alarms import ACTIVE, NORMAL
from rainstead.events import AlarmEvent
from rainstead.log import LogWriter
from rainstead.messages.carrier import LIMIT_MS, Carrier, Job, Outcome
from rainstead.messages.lookout import Lookout
from rainstead.messages.messenger import LOOK_EVERY_MS, Messenger
from rainstead.messages.store import Store
from rainstead.readings import Kind
from rainstead.settings import parse_settings

__all__ = ["MINUTE_MS", "TABLE", "FakeCarrier", "TellingSite"]

MINUTE_MS = 60_000
TABLE = """
[messages]
test_every = 0
[messages.channels.mail]
address_file = "mail.address"
"""
GOOD = Outcome(True)


class FakeCarrier:
    """Takes every job, or answers what `says` gives for it; None: hangs."""

    def __init__(self, says: Callable[[Job], Outcome | None] | None = None) -> None:
        self.says = says
        self.tried: list[Job] = []
        self.taken: list[Job] = []
        self.has_dropped = False
        self._job: tuple[Job, int] | None = None

    def begin(self, job: Job, boot_ms: int) -> None:
        """See Carrier."""
        assert self._job is None, "two jobs at once"
        self._job = (job, boot_ms)
        self.tried.append(job)

    def outcome(self, boot_ms: int) -> Outcome | None:
        """See Carrier."""
        assert self._job is not None
        job, begun_ms = self._job
        said = GOOD if self.says is None else self.says(job)
        if said is None:
            if boot_ms - begun_ms < LIMIT_MS:
                return None
            said = Outcome(False, "it did not answer")
        self._job = None
        if said.ok:
            self.taken.append(job)
        return said

    def close(self) -> None:
        """See Carrier."""
        self._job = None

    @property
    def titles(self) -> list[str]:
        """First lines of all that was taken, without the site."""
        return [job.title.partition(": ")[2] for job in self.taken]

    def alarms(self) -> list[Job]:
        """Of all that was taken, what is of an alarm."""
        return [job for job in self.taken if job.kind in ("alarm", "cleared")]


class QuickStore(Store):
    """Waits for no disk."""

    synchronous = "OFF"


class TellingSite:
    """The clock begins at its fake's time; the log's boot is the machine's, unless a test says otherwise."""

    def __init__(self, folder: Path, table: str = TABLE, *, with_log: bool = True) -> None:
        self.folder = folder
        folder.mkdir(exist_ok=True)
        self.run_folder = folder / "run"
        self.run_folder.mkdir(exist_ok=True)
        self.clock = FakeClock(boot_ms=10_000_000)
        text = SETTINGS + table
        (folder / "site.toml").write_text(text, encoding="utf-8")
        self.settings = parse_settings(text, "site.toml")
        assert self.settings.messages is not None
        self.carriers = {name: FakeCarrier() for name in self.settings.messages.channels}
        self.told: list[str] = []
        self.boot_uuid = "this boot"
        self.machine_boot_uuid: Callable[[], str | None] = lambda: self.boot_uuid
        self.writer: LogWriter | None = None
        self.messenger: Messenger | None = None
        self.is_logging = True
        self._last_sign_ms = 0
        self.look_every_ms = LOOK_EVERY_MS
        if with_log:
            self.begin_log()

    # --- the logger ---------------------------------------------------------------------------------------------

    def begin_log(self, *, trusted: bool = True, source: str = "logger") -> None:
        """A new run of the logger."""
        if self.writer is not None:
            self.writer.close()
        self.writer = LogWriter(self.folder / "readings.db")
        self.boot = self.writer.begin_boot(source, self.boot_uuid, self.clock.boot_ms())
        self.segment = self.writer.begin_segment(self.boot, self.clock.offset_ms, trusted=trusted)

    def end_log(self) -> None:
        """The logger stops, and lets go of the file."""
        assert self.writer is not None
        self.writer.close()
        self.writer = None

    def alarm(
        self,
        active: bool,
        alarm: str = "overflow_risk",
        subject: str = "house",
        *,
        at_ms: int | None = None,
        reason: str = "freeboard 280 L, at or under 300 L for 60 s",
    ) -> AlarmEvent:
        """An alarm changes, now or at a wall clock's time."""
        assert self.writer is not None
        at = self.clock.wall_ms() if at_ms is None else at_ms
        event = AlarmEvent(at, alarm, subject, ACTIVE if active else NORMAL, 280.0, 300.0, "L", reason)
        self.writer.append_events(self.segment, [event])
        return event

    def reading(self) -> None:
        """A level is read now."""
        assert self.writer is not None
        (number,) = self.writer.sensor_numbers({"house_level": Kind.LEVEL}).values()
        self.writer.append([(self.clock.wall_ms(), number, self.segment, 900.0, 0, None, None)])

    def health(self, **facts: Any) -> None:
        """The logger gives its account."""
        told = {"site": self.settings.site.name, "written_ms": self.clock.wall_ms(), "waiting": 0, "dropped": 0}
        (self.run_folder / "health.json").write_text(json.dumps(told | facts), encoding="utf-8")

    # --- the messenger ------------------------------------------------------------------------------------------

    def start(self, carriers: dict[str, Carrier] | None = None) -> Messenger:
        """Begin, or begin again as after an end without warning."""
        ways: dict[str, Carrier] = carriers if carriers is not None else dict(self.carriers)
        for one in self.carriers.values():
            one.close()
        if self.messenger is not None:
            self.messenger._lookout.close()
            self.messenger._store.close()
        assert self.settings.messages is not None
        self.messenger = Messenger(
            self.settings,
            self.settings.messages,
            QuickStore(self.folder / "messages.db"),
            Lookout(self.settings, self.folder, self.told.append, run_folder=self.run_folder),
            ways,
            self.folder,
            self.clock.boot_ms(),
            self.clock.wall_ms(),
            tell=self.told.append,
            boot_uuid=self.machine_boot_uuid,
            look_every_ms=self.look_every_ms,
        )
        return self.messenger

    def run(self, for_ms: int) -> None:
        """Rounds for so long; the logger gives a sign of life each minute, if it is alive."""
        assert self.messenger is not None
        end_ms = self.clock.boot_ms() + for_ms
        while self.clock.boot_ms() < end_ms:
            if self.is_logging and self.clock.boot_ms() - self._last_sign_ms >= MINUTE_MS:
                self._last_sign_ms = self.clock.boot_ms()
                self.health()
            due_ms = self.messenger.step(self.clock.boot_ms(), self.clock.wall_ms())
            assert due_ms > self.clock.boot_ms(), "it would turn in a circle"
            self.clock.wait_until(min(due_ms, end_ms))
        self.messenger.step(self.clock.boot_ms(), self.clock.wall_ms())

    def close(self) -> None:
        """End both."""
        if self.messenger is not None:
            self.messenger.close()
        if self.writer is not None:
            self.writer.close()

"""The twin, live: its sensors are real pseudo-terminals, mock pins and a probe's file, and real drivers read them.

Make it before the logger opens its pins. `step` does all that is due and never waits; `start` runs it in a thread.
"""

import heapq
import math
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from gpiozero.pins.mock import MockFactory

from rainstead.clock import Clock
from rainstead.errors import RainsteadError
from rainstead.readings import F64
from rainstead.settings import (
    BinaryRanger,
    EchoRanger,
    FlowPulse,
    OneWireProbe,
    Ranger,
    Settings,
    TextRanger,
    TippingBucket,
)
from rainstead_board.twin.lines import (
    SerialLine,
    StampedPin,
    TriggerPin,
    binary_frame,
    text_frame,
    wire,
    write_probe,
)
from rainstead_board.twin.live_water import LiveWater, Script
from rainstead_board.twin.sense import ECHO_NOISE_MM, echo_s, said_mm
from rainstead_board.twin.truth import TwinSite
from rainstead_board.twin.waterworks import SiteState
from rainstead_board.twin.weather import air_cycle_c

__all__ = ["LiveTwin", "Script"]

PHYSICS_S = 0.1
FRAME_S = 0.125
PROBE_S = 5.0
RECORD_S = 1.0
EDGES_S = 0.004
"""Edges of counters are delivered in bunches of this length, each with its own stamp, as a kernel's queue does."""
CLOSED_S = 0.06
_BOUNCES_S = (0.0004, 0.0009, 0.0017, 0.0025)
_ECHO_STARTS_S = 0.0005
_ECHO_S_MM = 2 / 343.2 / 1000
"""Time of an echo for each millimetre of way, near enough for noise."""


@dataclass(slots=True)
class _Ranger:
    """A level sensor, its tank, and the wires to it."""

    ranger: Ranger
    tank: int
    line: SerialLine | None = None
    trigger: Any = None
    echo: Any = None
    garbage: bytearray = field(default_factory=bytearray)


class LiveTwin:
    """The site going on from `state` in real time. All that is public is the truth it made, or a fault to make.

    folder: serial links and the probe's file must lie in it; the twin writes nowhere else.
    clock: for stamps and the time of day. pin_factory: the one that the logger in this process uses.
    site: the real site; by default just what the settings say.
    """

    def __init__(
        self,
        settings: Settings,
        state: SiteState,
        folder: Path,
        clock: Clock,
        pin_factory: MockFactory,
        *,
        site: TwinSite | None = None,
        script: Script | None = None,
        seed: int = 1,
        lost_echo_ratio: float = 0.002,
    ) -> None:
        self.site = site or TwinSite.from_settings(settings, seed=seed)
        self.tips_ms: list[int] = []
        """Boot-clock milliseconds of each tip's closure."""
        self.refused_tips_ms: list[int] = []
        """Tips that the held switch hid."""
        self.pulses = 0
        """Made at the meter's pin, from its start."""
        self.levels: deque[tuple[int, tuple[float, ...]]] = deque(maxlen=100_000)
        """Boot-clock milliseconds, and the litres of each tank then; the newest day or so."""
        self._folder, self._clock, self._factory = folder.resolve(), clock, pin_factory
        self._water = LiveWater(self.site, state, script or Script())
        self._rng = np.random.default_rng([seed, 31])
        self._lost_echo_ratio = lost_echo_ratio
        self._unplugged: set[str] = set()
        self._edges: list[tuple[float, int, Any, bool, str | None]] = []
        self._edge_number = 0
        self._wake = threading.Event()
        self._stopping = False
        self._thread: threading.Thread | None = None
        self._failed: Exception | None = None
        self._lock = threading.RLock()
        self._rangers: dict[str, _Ranger] = {}
        self._gauge: tuple[str, Any, bool] | None = None
        self._meter: tuple[str, Any, bool] | None = None
        self._probes: dict[str, tuple[OneWireProbe, Path]] = {}
        self._connect(settings)
        self._start_s = self._physics_s = self._frame_s = self._probe_s = self._record_s = self._ticks_s()
        self._start_boot_ms = clock.boot_ms()

    # --- wires ---------------------------------------------------------------------------------------------

    def _connect(self, settings: Settings) -> None:
        owners = {tank.sensor: k for k, tank in enumerate(self.site.tanks) if tank.sensor}
        for name, sensor in settings.sensors.items():
            if isinstance(sensor, (BinaryRanger, TextRanger)) and name in owners:
                path = self._inside(name, sensor.port)
                self._rangers[name] = _Ranger(sensor, owners[name], line=SerialLine(path))
            elif isinstance(sensor, EchoRanger) and name in owners:
                trigger = wire(self._factory, sensor.trigger_gpio, TriggerPin)
                trigger.woken = self._wake.set
                echo = wire(self._factory, sensor.echo_gpio, StampedPin)
                self._rangers[name] = _Ranger(sensor, owners[name], trigger=trigger, echo=echo)
            elif isinstance(sensor, TippingBucket) and settings.rain and settings.rain.gauge == name:
                self._gauge = name, wire(self._factory, sensor.gpio, StampedPin), not sensor.pull_up
            elif isinstance(sensor, FlowPulse) and settings.pump and settings.pump.meter == name:
                self._meter = name, wire(self._factory, sensor.gpio, StampedPin), not sensor.pull_up
            elif isinstance(sensor, OneWireProbe):
                path = self._inside(name, sensor.path)
                self._probes[name] = sensor, path if path.name == "w1_slave" else path / "w1_slave"

    def _inside(self, name: str, said: str) -> Path:
        path = Path(said)
        whole = path.parent.resolve() / path.name
        if not path.is_absolute() or self._folder not in whole.parents:
            raise RainsteadError(
                f"sensor {name}: the twin makes devices only in its own folder {self._folder}, and {said} is "
                "outside; give a path inside that folder"
            )
        return whole

    # --- life ----------------------------------------------------------------------------------------------

    def start(self) -> None:
        """Go on in a thread of its own until `stop`."""
        self._thread = threading.Thread(target=self._run, name="twin", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End the thread and take every device away. Raises what ended the thread early, if something did."""
        self._stopping = True
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout=5)
        for ranger in self._rangers.values():
            if ranger.line is not None:
                ranger.line.unplug()
        failed, self._failed = self._failed, None
        if failed is not None:
            raise failed

    def _run(self) -> None:
        try:
            while not self._stopping:
                self._wake.clear()
                due_s = self.step(self._ticks_s())
                self._wake.wait(max(due_s - self._ticks_s(), 0.0))
        except Exception as error:  # handed to whoever calls stop()
            self._failed = error

    def _ticks_s(self) -> float:
        return float(self._factory.ticks())

    def step(self, now_s: float) -> float:
        """Do all that is due at `now_s` of the pin factory's ticks; returns when something is due again.

        Water is moved a little ahead, so that edges are known before they happen.
        """
        with self._lock:
            self._answer_triggers()
            while self._physics_s < now_s + PHYSICS_S:
                self._move_water()
            self._deliver(now_s)
            self._frame_s = self._due(now_s, self._frame_s, FRAME_S, self._send_frames)
            self._probe_s = self._due(now_s, self._probe_s, PROBE_S, self._write_probes)
            self._record_s = self._due(now_s, self._record_s, RECORD_S, self._record)
            due_s = [self._frame_s, self._physics_s - PHYSICS_S]
            if self._edges:
                at_s, _, _, _, counter = self._edges[0]
                # Nobody waits for a counter's edge; for an echo's the driver does.
                due_s.append(at_s if counter is None else max(at_s, now_s + EDGES_S))
            return max(min(due_s), now_s)

    @staticmethod
    def _due(now_s: float, due_s: float, every_s: float, do: Callable[[], None]) -> float:
        if now_s < due_s:
            return due_s
        do()
        return max(due_s + every_s, now_s)

    # --- water ---------------------------------------------------------------------------------------------

    def _move_water(self) -> None:
        start_s = self._physics_s
        tips_s, pulses_s = self._water.move(start_s - self._start_s, PHYSICS_S, self._wall_ms(start_s))
        self._physics_s = start_s + PHYSICS_S
        if self._gauge is not None:
            name, pin, closed = self._gauge
            for after_s in tips_s:
                at_s = start_s + after_s
                self._edge(at_s, pin, closed, name + " tip")
                # The reed chatters as it closes, and once more as it lets go.
                for number, later_s in enumerate(_BOUNCES_S):
                    self._edge(at_s + later_s, pin, closed if number % 2 else not closed, name)
                for later_s, level in ((0.0, not closed), (0.0006, closed), (0.0011, not closed)):
                    self._edge(at_s + CLOSED_S + later_s, pin, level, name)
        if self._meter is not None:
            name, pin, active = self._meter
            for after_s, length_s in pulses_s:
                self._edge(start_s + after_s, pin, active, name + " pulse")
                self._edge(start_s + after_s + length_s, pin, not active, name)

    # --- what the sensors say ------------------------------------------------------------------------------

    def _edge(self, at_s: float, pin: Any, level: bool, counter: str | None) -> None:
        self._edge_number += 1
        heapq.heappush(self._edges, (at_s, self._edge_number, pin, level, counter))

    def _deliver(self, now_s: float) -> None:
        while self._edges and self._edges[0][0] <= now_s:
            at_s, _, pin, level, counter = heapq.heappop(self._edges)
            sensor, _, event = (counter or "").partition(" ")
            if sensor in self._unplugged:
                continue
            if event == "tip":
                (self.tips_ms if pin.held is None else self.refused_tips_ms).append(self._boot_ms(at_s))
            elif event == "pulse":
                self.pulses += 1
            pin.drive(level, at_s)

    def _answer_triggers(self) -> None:
        for name, ranger in self._rangers.items():
            tank = self.site.tanks[ranger.tank]
            while ranger.trigger is not None and ranger.trigger.ends:
                at_s = ranger.trigger.ends.popleft()
                if name in self._unplugged or self._rng.random() < self._lost_echo_ratio:
                    continue
                echoed_s = float(echo_s(tank, self.site, self._depth_m(ranger), self._air_c())[0])
                echoed_s += float(self._rng.normal(0, ECHO_NOISE_MM)) * _ECHO_S_MM
                echoed_s = max(echoed_s, ranger.ranger.blanking_m * 1000 * _ECHO_S_MM)
                self._edge(at_s + _ECHO_STARTS_S, ranger.echo, True, None)
                self._edge(at_s + _ECHO_STARTS_S + echoed_s, ranger.echo, False, None)

    def _send_frames(self) -> None:
        for name, ranger in self._rangers.items():
            if ranger.line is None or name in self._unplugged:
                continue
            if ranger.garbage:
                ranger.line.write(bytes(ranger.garbage))
                ranger.garbage.clear()
            if self._rng.random() < self._lost_echo_ratio:
                continue
            frame = binary_frame if isinstance(ranger.ranger, BinaryRanger) else text_frame
            ranger.line.write(frame(max(round(self._said_mm(ranger)), 0)))

    def _said_mm(self, ranger: _Ranger) -> float:
        tank = self.site.tanks[ranger.tank]
        said = said_mm(tank, ranger.ranger, self.site, self._depth_m(ranger), self._air_c())
        noisy_mm = float(said[0]) + float(self._rng.normal(0, ECHO_NOISE_MM))
        # Nearer than it can see, a ranger says the nearest it can.
        return max(noisy_mm, ranger.ranger.blanking_m * 1000)

    def _depth_m(self, ranger: _Ranger) -> F64:
        return self.site.tanks[ranger.tank].depth_at(np.asarray([self._water.volumes_l[ranger.tank]]))

    def _air_c(self) -> F64:
        t_ms = np.asarray([self._clock.wall_ms()], dtype=np.float64)
        return air_cycle_c(t_ms, self.site.latitude_deg, self.site.utc_offset_s)

    def _write_probes(self) -> None:
        for name, (probe, path) in self._probes.items():
            if name not in self._unplugged:
                write_probe(path, float(self._air_c()[0]) - probe.offset_c)

    def _record(self) -> None:
        self.levels.append((self._clock.boot_ms(), self.volumes_l))

    # --- the truth -----------------------------------------------------------------------------------------

    @property
    def volumes_l(self) -> tuple[float, ...]:
        """Litres in each tank now, in the settings' order."""
        return self._water.volumes_l

    @property
    def rain_mm(self) -> float:
        """Fallen since the start."""
        return self._water.rain_mm

    @property
    def pump_l(self) -> float:
        """Pumped since the start."""
        return self._water.pump_l

    def _boot_ms(self, ticks_s: float) -> int:
        return self._start_boot_ms + math.floor((ticks_s - self._start_s) * 1000)

    def _wall_ms(self, ticks_s: float) -> int:
        return self._clock.wall_ms() + math.floor((ticks_s - self._ticks_s()) * 1000)

    # --- faults --------------------------------------------------------------------------------------------

    def unplug(self, sensor: str) -> None:
        """Take a sensor away: its device is gone, or its line stays still."""
        with self._lock:
            self._known(sensor)
            self._unplugged.add(sensor)
            ranger = self._rangers.get(sensor)
            if ranger is not None and ranger.line is not None:
                ranger.line.unplug()
            if sensor in self._probes:
                self._probes[sensor][1].unlink(missing_ok=True)

    def replug(self, sensor: str) -> None:
        """Bring it back, as another device behind the same link."""
        with self._lock:
            self._known(sensor)
            self._unplugged.discard(sensor)
            ranger = self._rangers.get(sensor)
            if ranger is not None and ranger.line is not None:
                ranger.line.plug()
            self._probe_s = self._physics_s - 2 * PHYSICS_S

    def garble(self, sensor: str, count: int) -> None:
        """Put `count` bytes of noise on a serial line before its next frame."""
        with self._lock:
            ranger = self._rangers.get(sensor)
            if ranger is None or ranger.line is None:
                raise ValueError(f"sensor {sensor} is not on a serial line")
            ranger.garbage += self._rng.bytes(count)

    def hold_switch_closed(self, held: bool = True) -> None:
        """Keep the gauge's switch closed, whatever the bucket does; or let it go."""
        with self._lock:
            if self._gauge is None:
                raise ValueError("the site has no gauge")
            _, pin, closed = self._gauge
            pin.held = None
            pin.drive(closed if held else not closed, self._ticks_s())
            pin.held = closed if held else None

    def _known(self, sensor: str) -> None:
        counters = [wired[0] for wired in (self._gauge, self._meter) if wired]
        if sensor not in {*self._rangers, *self._probes, *counters}:
            raise ValueError(f"the twin has no sensor {sensor}")

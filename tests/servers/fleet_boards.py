"""Boards of a simulated fleet: each with its own log and a real forwarder; some in a thread, threads in processes."""

import multiprocessing
import random
import threading
import time
import traceback
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from forwarded_site import END_MS, columns_of, settings_text
from growing_site import GrowingSite, Piece, pieces

from rainstead.forward import Forwarder, InfluxServer
from rainstead.forward.process import server_of
from rainstead.log import Columns
from rainstead.settings import parse_settings

__all__ = [
    "BACK_OFF_S",
    "BUILD",
    "END",
    "LEVEL",
    "MOST_RETURN_S",
    "MOST_SETTLE_S",
    "NEVER",
    "OUTAGE",
    "RETURN",
    "SETTLE",
    "STEADY",
    "TEMPLATES",
    "Plan",
    "Shared",
    "Template",
    "Thread",
    "folder_of",
    "make_templates",
    "name_of",
    "worker",
]

_DAY_MS = 86_400_000
_WARM_MS = 3_600_000
TEMPLATES = 8
"""Different histories; boards share them in turn, so that a neighbour's readings are never one's own."""
BACK_OFF_S = 60.0
"""What the outage takes here."""
MOST_SETTLE_S = 180.0
"""Until each log's first hour is on the server."""
MOST_RETURN_S = 1500.0
BUILD, SETTLE, STEADY, OUTAGE, RETURN, LEVEL, END = range(7)
LIVE = (SETTLE, STEADY, RETURN)
NEVER = 1e18


@dataclass(frozen=True, slots=True)
class Plan:
    """What is asked for."""

    boards: int
    steady_s: float
    every_s: float
    history_every_s: float
    processes: int
    threads: int
    together: bool


@dataclass(slots=True)
class Template:
    """A history cut into what is committed at once: the hour before, steady pieces, the day, pieces after it."""

    pieces: list[Piece]
    day: int


def make_templates(plan: Plan) -> list[Template]:
    """Levels every `every_s` while boards are watched, every `history_every_s` in the hour before and in the day."""
    steps = round((MOST_SETTLE_S + plan.steady_s) / plan.every_s)
    steady_ms = round(steps * plan.every_s * 1000)
    later = round(MOST_RETURN_S / plan.every_s)
    step_ms = round(plan.every_s * 1000)
    # The demo's pump runs in the morning of the third day.
    days = 4
    first_ms = END_MS - days * _DAY_MS
    begin_ms = first_ms + _DAY_MS + _DAY_MS // 2
    outage_ms = begin_ms + _WARM_MS + steady_ms
    back_ms = outage_ms + _DAY_MS
    settings = parse_settings(settings_text(), "site.toml")
    edges_ms = [begin_ms + _WARM_MS + k * step_ms for k in range(steps + 1)]
    edges_ms += [back_ms + k * step_ms for k in range(later + 1)]
    found = []
    for seed in range(TEMPLATES):
        dense = columns_of(settings, days=days, seed=seed + 1, every_s=plan.every_s)
        coarse = columns_of(settings, days=days, seed=seed + 1, every_s=plan.history_every_s)
        dense_parts = [_between(one, outage_ms - steady_ms, outage_ms, back_ms, edges_ms[-1]) for one in dense]
        coarse_parts = [_between(one, begin_ms, outage_ms - steady_ms, outage_ms, back_ms) for one in coarse]
        both = [_joined(a, b) for a, b in zip(coarse_parts, dense_parts, strict=True)]
        made = list(pieces(settings, both, edges_ms))
        assert len(made) == len(edges_ms), "a step without a reading"
        found.append(Template(made, day=steps + 1))
    return found


def _between(one: Columns, a_ms: int, b_ms: int, c_ms: int, d_ms: int) -> Columns:
    at = ((one.t_ms > a_ms) & (one.t_ms <= b_ms)) | ((one.t_ms > c_ms) & (one.t_ms <= d_ms))
    return Columns(one.sensor, one.t_ms[at], one.value[at], one.quality[at], one.spread[at])


def _joined(a: Columns, b: Columns) -> Columns:
    t_ms = np.concatenate([a.t_ms, b.t_ms])
    order = np.argsort(t_ms, kind="stable")
    value, quality, spread = (
        np.concatenate([getattr(a, name), getattr(b, name)])[order] for name in ("value", "quality", "spread")
    )
    return Columns(a.sensor, t_ms[order], value, quality, spread)


class Shared:
    """What parent and workers tell one another."""

    def __init__(self, plan: Plan) -> None:
        self.phase = multiprocessing.Value("i", BUILD)
        self.clock = multiprocessing.Array("d", [0.0, time.monotonic(), 1.0])
        self.target = multiprocessing.Value("i", -1)
        self.failed = multiprocessing.Value("i", 0)
        many = plan.boards
        self.ready, self.at, self.stored, self.at_newest, self.settled = (
            multiprocessing.Array("d", many, lock=False) for _ in range(5)
        )
        self.oldest, self.first_s, self.done_s = (
            multiprocessing.Array("d", [NEVER] * many, lock=False) for _ in range(3)
        )
        self.back_s = multiprocessing.Value("d", NEVER)

    def boot_ms(self) -> int:
        """The boards' boot clock."""
        with self.clock:
            base_ms, since_s, pace = (float(self.clock[k]) for k in range(3))
        return round(base_ms + (time.monotonic() - since_s) * 1000 * pace)

    def pace(self) -> float:
        """Of the boards' clock now."""
        return float(self.clock[2])

    def turn(self, phase: int, pace: float = 1.0) -> None:
        """To the next part; the clock goes on at another pace."""
        now_ms = self.boot_ms()
        with self.clock:
            self.clock[:] = [float(now_ms), time.monotonic(), pace]
        self.phase.value = phase


@dataclass(slots=True)
class Board:
    """One of a thread's. commits: newest stamp and moment of what is not on the server yet."""

    number: int
    site: GrowingSite
    template: Template
    forwarder: Forwarder
    server: InfluxServer
    grow_s: float
    at: int = 0
    due_ms: int = 0
    commits: deque[tuple[int, float]] = field(default_factory=deque)
    return_ms: int = 0
    stored_before: int = 0


class Thread:
    """Some boards, one after the other."""

    def __init__(
        self,
        plan: Plan,
        shared: Shared,
        templates: Sequence[Template],
        numbers: Sequence[int],
        place: Path,
        table: str,
        token: str,
    ) -> None:
        self.plan, self.shared, self.templates, self.numbers = plan, shared, templates, numbers
        self.place, self.table, self.token = place, table, token
        self.boards: list[Board] = []
        self.waits_s: dict[int, list[float]] = {STEADY: [], RETURN: []}
        self.said: list[tuple[int, str]] = []
        self.rnd = random.Random(numbers[0] if numbers else 0)
        self.phase = BUILD

    def run(self) -> None:
        """Until the parent says END."""
        try:
            for number in self.numbers:
                self.boards.append(self._board(number))
                self.shared.ready[number] = 1
            while self.shared.phase.value != END:
                self._round()
        except BaseException:
            traceback.print_exc()
            self.shared.failed.value = 1
        for board in self.boards:
            board.forwarder.close()
            board.server.close()
            board.site.close()

    def _board(self, number: int) -> Board:
        text = settings_text(name_of(number)) + self.table
        template = self.templates[number % TEMPLATES]
        site = GrowingSite(folder_of(self.place, number), text, self.token, template.pieces[0].rows[0][0])
        site.add(template.pieces[0], seal=False)
        assert site.settings.forward is not None
        server = server_of(site.settings.forward, site.folder)
        board = Board(number, site, template, self._forwarder(site, server), server, NEVER)
        board.commits.append((site.newest_ms, time.monotonic()))
        return board

    def _forwarder(self, site: GrowingSite, server: InfluxServer) -> Forwarder:
        return Forwarder(site.settings, site.folder, server, tell=lambda line: self.said.append((self.phase, line)))

    def _round(self) -> None:
        phase = self.shared.phase.value
        if phase != self.phase:
            self.phase = phase
            self._turned(phase)
        now_s = time.monotonic()
        for board in self.boards:
            if board.grow_s <= now_s:
                self._grow(board)
        boot_ms = self.shared.boot_ms()
        next_ms = boot_ms + 250.0 * self.shared.pace()
        if phase != BUILD:
            for board in self.boards:
                if board.due_ms <= boot_ms:
                    self._step(board)
                next_ms = min(next_ms, board.due_ms)
        until_s = min((next_ms - self.shared.boot_ms()) / 1000 / self.shared.pace(), 0.25)
        until_s = min([until_s, *(board.grow_s - time.monotonic() for board in self.boards)])
        if until_s > 0:
            time.sleep(until_s)

    def _turned(self, phase: int) -> None:
        now_s = time.monotonic()
        for board in self.boards:
            if phase in (SETTLE, RETURN):
                board.grow_s = now_s + self.rnd.uniform(0, self.plan.every_s)
            elif phase == STEADY:
                pass  # as before, and looked at
            elif phase == OUTAGE:
                board.grow_s = now_s + self.rnd.uniform(0.1, 0.8) * BACK_OFF_S
            else:
                board.grow_s = now_s
            if phase == SETTLE:
                # Each board was switched on at a moment of its own.
                board.due_ms = self.shared.boot_ms() + round(self.rnd.uniform(0, 5000))
            if phase == RETURN:
                board.return_ms = board.site.newest_ms
                board.commits.clear()
                self.shared.oldest[board.number] = NEVER
                if self.plan.together:
                    # As if the power had been away too: nobody remembers having waited.
                    board.stored_before = round(self.shared.stored[board.number])
                    board.forwarder.close()
                    board.forwarder = self._forwarder(board.site, board.server)
                    board.due_ms = 0

    def _grow(self, board: Board) -> None:
        last = board.template.day - 1 if self.phase in (SETTLE, STEADY) else len(board.template.pieces) - 1
        upto = min(board.at + 1, last)
        if self.phase == OUTAGE:
            upto = board.template.day
        elif self.phase == LEVEL:
            upto = self.shared.target.value
        while board.at < upto:
            board.at += 1
            board.site.add(board.template.pieces[board.at], keep_state=board.at == board.template.day, seal=False)
            if self.phase in LIVE:
                board.commits.append((board.site.newest_ms, time.monotonic()))
        self.shared.at[board.number] = board.at
        self._tell(board)
        board.grow_s = board.grow_s + self.plan.every_s if self.phase in LIVE else NEVER

    def _step(self, board: Board) -> None:
        board.due_ms = board.forwarder.step(self.shared.boot_ms(), board.site.newest_ms)
        health = board.forwarder.health()
        now_s = time.monotonic()
        stored = board.stored_before + health.stored
        sent_ms = board.site.newest_ms - health.lag_ms if stored else -1
        while board.commits and board.commits[0][0] <= sent_ms:
            _, committed_s = board.commits.popleft()
            if self.phase in self.waits_s:
                self.waits_s[self.phase].append(now_s - committed_s)
        number = board.number
        self.shared.stored[number] = stored
        self._tell(board)
        self.shared.settled[number] = float(stored > 0 and health.backlog_ms == 0)
        if self.phase in (RETURN, LEVEL):
            if self.shared.first_s[number] == NEVER and sent_ms >= board.return_ms:
                self.shared.first_s[number] = now_s
                self.shared.at_newest[number] = stored
            if self.shared.done_s[number] == NEVER and health.backlog_ms == 0 and sent_ms >= board.return_ms:
                self.shared.done_s[number] = now_s

    def _tell(self, board: Board) -> None:
        self.shared.oldest[board.number] = board.commits[0][1] if board.commits else NEVER


def name_of(number: int) -> str:
    """Of a board's site."""
    return f"Board {number:04d} (invented)"


def folder_of(place: Path, number: int) -> Path:
    """Of a board's site."""
    return place / f"board-{number:04d}"


def worker(threads: list[Thread], told: Any) -> None:
    """One process of boards."""
    running = [threading.Thread(target=one.run) for one in threads]
    for one in running:
        one.start()
    for one in running:
        one.join()
    waits_s = {phase: [s for one in threads for s in one.waits_s[phase]] for phase in (STEADY, RETURN)}
    told.put((waits_s, [line for one in threads for line in one.said]))

"""Readings and what follows from them as lines of the line protocol, in order of time within each measurement."""

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

import numpy as np
import numpy.typing as npt

from rainstead import calc
from rainstead.derive import Derived
from rainstead.events import AlarmEvent
from rainstead.readings import F64, I64, Batch, Kind, Quality

from .points import measurement

__all__ = ["Keep", "Lines", "tag_text", "tag_value"]

Keep = Callable[[I64], npt.NDArray[np.bool_]]
"""Which of these stamps may leave the board."""

_RAW_FIELD = {Kind.LEVEL: "range_mm", Kind.TIP: "tips", Kind.PULSE: "pulses", Kind.TEMPERATURE: "temperature_c"}


def tag_text(text: str) -> str:
    """As a server holds it: white space is one space, and no backslash ends it, for neither could be written down."""
    return " ".join(text.split()).rstrip("\\ ")


def tag_value(text: str) -> str:
    """The same, escaped for a tag: comma, equals sign and space. A backslash stands for itself."""
    flat = tag_text(text)
    for mark in (",", "=", " "):
        flat = flat.replace(mark, "\\" + mark)
    return flat


class Lines:
    """Renders one site's points. Rows whose stamp a mask leaves out are left out.

    since_ms: for each gauge, meter and `tank NAME`, from when on its calibrations are in force, ascending.
    """

    def __init__(self, site: str, since_ms: Mapping[str, Sequence[int]]) -> None:
        self._site = tag_value(site)
        self._since_ms = {name: tuple(values) for name, values in since_ms.items()}

    def raw(self, batch: Batch, kinds: Mapping[str, Kind], keep: npt.NDArray[np.bool_]) -> list[str]:
        """One line for each reading, also of sensors that the settings do not know any more."""
        found: list[str] = []
        for number, name in enumerate(batch.names):
            mask = keep & (batch.sensor == number)
            if not mask.any():
                continue
            kind = kinds[name]
            columns = [(_RAW_FIELD[kind], batch.value[mask])]
            if kind is Kind.LEVEL:
                columns.append(("spread_mm", batch.spread[mask]))
            columns.append(("quality", batch.quality[mask].astype(np.float64)))
            found += _rows(self._head(str(kind), sensor=name), batch.t_ms[mask], columns)
        return found

    def derived(self, derived: Derived, keep: Keep) -> list[str]:
        """One line for each good level, and for each row of rain and flow."""
        found: list[str] = []
        for levels in derived.levels:
            # Who reads the newest level at the server cannot tell a ragged burst's from a good one.
            good = keep(levels.t_ms) & ~np.isnan(levels.depth_m) & (levels.quality == Quality.OK)
            names = ("depth_m", "depth_u_m", "volume_l", "volume_u_l", "freeboard_l", "usable_l")
            columns = [(name, getattr(levels, name)[good]) for name in names]
            columns.append(self._since("tank " + levels.tank, levels.t_ms[good]))
            found += _rows(self._head("tank", tank=levels.tank), levels.t_ms[good], columns)
        for rain in derived.rain:
            good = keep(rain.t_ms)
            columns = [("rain_mm", rain.rain_mm[good]), ("intensity_mm_h", rain.intensity_mm_h[good])]
            columns.append(self._since(rain.gauge, rain.t_ms[good]))
            found += _rows(self._head("rain", gauge=rain.gauge), rain.t_ms[good], columns)
        for flow in derived.flow:
            good = keep(flow.t_ms)
            columns = [("volume_l", flow.volume_l[good]), ("flow_l_min", flow.flow_l_min[good])]
            columns.append(self._since(flow.meter, flow.t_ms[good]))
            found += _rows(self._head("flow", meter=flow.meter), flow.t_ms[good], columns)
        return found

    def storms(self, gauge: str, storms: Iterable[calc.Storm]) -> Iterator[str]:
        """One line for each storm."""
        head = self._head("storm", gauge=gauge)
        for storm in storms:
            length_s = (storm.end_ms - storm.start_ms) / 1000
            values = (storm.rain_mm, storm.rain_u_mm, length_s, float(storm.tips))
            yield _line(head, "storm", values, storm.start_ms)

    def runs(self, meter: str, runs: Iterable[calc.PumpRun]) -> Iterator[str]:
        """One line for each pump run."""
        head = self._head("pump_run", meter=meter)
        for run in runs:
            length_s = (run.end_ms - run.start_ms) / 1000
            yield _line(head, "pump_run", (run.volume_l, run.volume_u_l, run.flow_l_min, length_s), run.start_ms)

    def events(self, events: Iterable[AlarmEvent]) -> Iterator[str]:
        """One line for each change of an alarm's state."""
        for event in events:
            head = self._head("alarm", alarm=event.alarm, subject=event.subject, state=event.state)
            yield _line(head, "alarm", (event.value, event.limit, event.unit, event.reason), event.t_ms)

    def site(self, t_ms: int, *values: float) -> str:
        """The site's own point: values of its fields in their order."""
        return _line(self._head("site"), "site", values, t_ms)

    def _head(self, name: str, **tags: str) -> str:
        # Sorted by key, as servers like them; an empty tag is no tag.
        both = sorted({**{key: tag_value(value) for key, value in tags.items()}, "site": self._site}.items())
        return ",".join([name, *(f"{key}={value}" for key, value in both if value)])

    def _since(self, subject: str, t_ms: I64) -> tuple[str, F64]:
        since_ms = self._since_ms[subject]
        began = np.array([max(ms, 0) for ms in since_ms], dtype=np.float64)
        return "calibration_since_s", began[calc.in_force(since_ms, t_ms)] / 1000


def _rows(head: str, t_ms: I64, columns: Sequence[tuple[str, F64]]) -> Iterator[str]:
    names = [name for name, _ in columns]
    for stamp, *values in zip(t_ms.tolist(), *(column.tolist() for _, column in columns), strict=True):
        told = ",".join([f"{n}={v!r}" for n, v in zip(names, values, strict=True) if math.isfinite(v)])
        if told:
            yield f"{head} {told} {stamp}"


def _line(head: str, name: str, values: Sequence[float | str], t_ms: int) -> str:
    told = []
    for field, value in zip(measurement(name).fields, values, strict=True):
        if isinstance(value, str):
            told.append(f"{field.name}={_quoted(value)}")
        elif math.isfinite(value):
            told.append(f"{field.name}={float(value)!r}")
    return f"{head} {','.join(told)} {t_ms}"


def _quoted(text: str) -> str:
    plain = " ".join(text.splitlines()).replace("\\", "\\\\").replace('"', '\\"')
    return f'"{plain}"'

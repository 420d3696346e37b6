"""How the sensors are: which of them say nothing, or nothing of use, and since when."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from rainstead.derive import Deriver, State
from rainstead.log import ReadingSource
from rainstead.readings import Quality
from rainstead.settings import Settings
from rainstead.sickness import Sickness

from .answer import old_after_s

__all__ = ["LastRow", "SensorHealth", "last_rows", "quality_words", "sensor_health"]

LastRow = tuple[int, int]
"""Stamp and quality of a sensor's newest row."""

_LOOK_BACK_MS = 24 * 3_600_000

_WORDS = {
    Quality.OK: "ok",
    Quality.NO_ECHO: "no echo",
    Quality.BLANKED: "the water is nearer than the sensor can see",
    Quality.OUT_OF_RANGE: "out of range",
    Quality.NOISY: "its echoes are too ragged",
    Quality.ABSENT: "its device is absent or may not be opened",
    Quality.SILENT: "its device says nothing",
    Quality.GARBLED: "bytes come but no frame among them",
    Quality.STUCK: "its switch stays closed",
    Quality.FALSE_ECHO: "it hears what the settings call a false echo",
}


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """One sensor. state: ok, old, never, the name of its newest row's quality, or frozen, jumped, swapped, no_value,
    no_rain, odd_pulses, no_draw.

    A gauge or a meter speaks only when something happens: it is ok while it has not said otherwise.
    since_ms: since when it is frozen, has no value or tells no rain, or when it jumped or was swapped; None where it
    is not known.
    """

    name: str
    kind: str
    state: str
    is_in_trouble: bool
    because: str | None
    last_ms: int | None
    age_s: float | None
    since_ms: int | None = None


def quality_words(quality: int) -> str:
    """A quality flag in words that follow `because`."""
    return _WORDS[Quality(quality)] if quality in _WORDS else f"flag {quality}"


def last_rows(
    settings: Settings, reader: ReadingSource, deriver: Deriver, state: State, as_of_ms: int
) -> dict[str, LastRow]:
    """The newest row of each sensor that the state or the last day of the log tells of."""
    found: dict[str, LastRow] = {}
    for tank, carried in zip(deriver.tanks, state.tanks, strict=True):
        now = carried.now
        if now.last_ms is not None and now.last_quality is not None:
            found[tank.sensor_name] = (now.last_ms, now.last_quality)
    for name, t_ms, _ in state.temperatures:
        found[name] = (t_ms, int(Quality.OK))
    gauge = state.gauge
    if settings.rain is not None and gauge is not None and gauge.last_ms is not None and gauge.last_quality is not None:
        found[settings.rain.gauge] = (gauge.last_ms, gauge.last_quality)
    rangers = {tank.sensor_name for tank in deriver.tanks}
    others = [name for name in settings.sensors if name not in rangers]
    for batch in reader.batches(after_ms=as_of_ms - _LOOK_BACK_MS, upto_ms=as_of_ms, sensors=others):
        for name in others:
            rows = batch.of(name)
            if len(rows):
                found[name] = (int(rows.t_ms[-1]), int(rows.quality[-1]))
    return found


def sensor_health(
    settings: Settings, rows: Mapping[str, LastRow], as_of_ms: int, sick: Mapping[str, Sickness] | None = None
) -> tuple[SensorHealth, ...]:
    """All sensors of the settings, by name. sick: which of those that speak are sick all the same."""
    found = []
    for name in sorted(settings.sensors):
        health = _health(settings, name, rows.get(name), as_of_ms)
        if sick and name in sick and health.state not in ("old", "never"):
            why = sick[name]
            because = why.because if health.because is None else f"{health.because}; {why.because}"
            health = replace(health, state=why.state, is_in_trouble=True, because=because, since_ms=why.since_ms)
        found.append(health)
    limits_s = [limit_s for one in found if (limit_s := old_after_s(settings, one.name)) is not None]
    ages_s = [one.age_s for one in found if one.age_s is not None]
    if limits_s and ages_s and min(ages_s) > max(limits_s):
        # No logger runs: then a gauge or a meter that says nothing is not a dry one.
        found = [
            replace(one, state="old", is_in_trouble=True, because="nothing newer is in the log")
            if one.state == "ok"
            else one
            for one in found
        ]
    return tuple(found)


def _health(settings: Settings, name: str, row: LastRow | None, as_of_ms: int) -> SensorHealth:
    kind = settings.sensors[name].kind
    limit_s = old_after_s(settings, name)
    if row is None:
        if limit_s is None:
            return SensorHealth(name, kind, "ok", False, None, None, None)
        return SensorHealth(name, kind, "never", True, "the log has no reading of it", None, None)
    t_ms, quality = row
    age_s = (as_of_ms - t_ms) / 1000
    if limit_s is not None and age_s > limit_s:
        return SensorHealth(name, kind, "old", True, "nothing newer is in the log", t_ms, age_s)
    if quality in (Quality.OK, Quality.BLANKED):
        return SensorHealth(name, kind, Quality(quality).name.lower(), False, None, t_ms, age_s)
    state = Quality(quality).name.lower() if quality in _WORDS else f"flag_{quality}"
    return SensorHealth(name, kind, state, True, quality_words(quality), t_ms, age_s)

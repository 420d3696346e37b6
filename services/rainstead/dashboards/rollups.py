"""Rollups: what the hours and the days come to, kept in a bucket of their own, so that old points may go."""

from dataclasses import dataclass

from rainstead.forward import measurement

from .flux import SHOWN_BUCKET, SHOWN_SITE, Source, field_of, quoted, source, tag_of

__all__ = ["PERIODS", "ROLLUPS", "Period", "Rollup", "rolled", "task_query"]


@dataclass(frozen=True, slots=True)
class Rollup:
    """One field, and what is kept of it."""

    of: str
    field: str
    fns: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Period:
    """every: its length. offset: how long after its end the task runs. again: how far back it counts each time, so
    that what an outage held back is counted too."""

    key: str
    name: str
    every: str
    offset: str
    again: str


ROLLUPS = (
    Rollup("tank", "volume_l", ("mean", "min", "max")),
    Rollup("tank", "depth_m", ("mean",)),
    Rollup("rain", "rain_mm", ("sum",)),
    Rollup("rain", "intensity_mm_h", ("max",)),
    Rollup("flow", "volume_l", ("sum",)),
    Rollup("temperature", "temperature_c", ("mean", "min", "max")),
)

PERIODS = (
    Period("rainstead-hourly", "Rollup by the hour", "1h", "10m", "3d"),
    Period("rainstead-daily", "Rollup by the day", "1d", "20m", "35d"),
)


def rolled(of: str, field: str, fn: str, every: str) -> Source:
    """What the tasks have kept. Raises KeyError for what they do not keep."""
    if not any(one.of == of and one.field == field and fn in one.fns for one in ROLLUPS):
        raise KeyError(f"no rollup keeps {fn} of {of}.{field}")
    tags = ", ".join(f'"{tag_of(of, tag)}"' for tag in measurement(of).tags)
    return (
        f'from(bucket: {SHOWN_BUCKET} + "_rollup")\n'
        "  |> range(start: v.timeRangeStart, stop: v.timeRangeStop)\n"
        f'  |> filter(fn: (r) => r._measurement == "{measurement(of).name}_{every}")\n'
        f'  |> filter(fn: (r) => r._field == "{field_of(of, field)}_{fn}" and r.site == {SHOWN_SITE})\n'
        f"  |> group(columns: [{tags}])"
    )


def task_query(period: Period, bucket: str) -> Source:
    """One task: every rollup of a period. A row is stamped with the end of its hour or day (UTC), and is whole."""
    parts = [
        f"stop = date.truncate(t: now(), unit: {period.every})",
        f"start = date.sub(d: {period.again}, from: stop)",
    ]
    for one in ROLLUPS:
        name = measurement(one.of).name
        for fn in one.fns:
            parts.append(
                f"{source(one.of, one.field, bucket=quoted(bucket), start='start', stop='stop', every_site=True)}\n"
                f"  |> aggregateWindow(every: {period.every}, fn: {fn}, createEmpty: false)\n"
                f'  |> set(key: "_measurement", value: "{name}_{period.every}")\n'
                f'  |> set(key: "_field", value: "{one.field}_{fn}")\n'
                f"  |> to(bucket: {quoted(bucket + '_rollup')})\n"
                f'  |> yield(name: "{name}_{one.field}_{fn}")'
            )
    return 'import "date"\n\n' + "\n\n".join(parts)

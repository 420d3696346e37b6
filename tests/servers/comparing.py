"""All that a bucket holds of a site against all that it must hold, a window of time after another."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime

from influxd import Influxd, Points

__all__ = ["Comparison", "compare"]

_DAY_MS = 86_400_000
_END_MS = 4_102_444_800_000
"""2100-01-01."""
_WORDS = ("unit", "reason")
"""Fields of an alarm that are no numbers."""


@dataclass(slots=True)
class Comparison:
    """Points, counted; examples: a few that are not as they should be."""

    wanted: int = 0
    found: int = 0
    missing: int = 0
    too_many: int = 0
    different: int = 0
    examples: list[str] = field(default_factory=list)

    @property
    def agrees(self) -> bool:
        """Every point is there, once, with its values, and no other."""
        return not (self.missing or self.too_many or self.different) and self.found == self.wanted

    def take_in(self, got: Points, wanted: Points) -> None:
        """Of one window."""
        missing, too_many = wanted.keys() - got.keys(), got.keys() - wanted.keys()
        different = [key for key in wanted.keys() & got.keys() if got[key] != wanted[key]]
        self.wanted, self.found = self.wanted + len(wanted), self.found + len(got)
        self.missing, self.too_many = self.missing + len(missing), self.too_many + len(too_many)
        self.different += len(different)
        self.examples += [f"missing {key}" for key in sorted(missing)[:3]]
        self.examples += [f"too much {key}" for key in sorted(too_many)[:3]]
        self.examples += [f"{key}: {got[key]} for {wanted[key]}" for key in different[:3]]


def compare(server: Influxd, bucket: str, wanted: Points, site: str, window_ms: int = _DAY_MS) -> Comparison:
    """Of one site, but for `site` points, which tell how live readings came."""
    told = Comparison()
    if not wanted:
        raise ValueError("there is nothing to compare with")
    by_window: dict[int, Points] = {}
    for key, fields in wanted.items():
        by_window.setdefault(key[1] // window_ms, {})[key] = fields
    first, last = min(by_window), max(by_window)
    told.take_in(_between(server, bucket, site, 0, first * window_ms), {})
    for k in range(first, last + 1):
        got = _between(server, bucket, site, k * window_ms, (k + 1) * window_ms)
        told.take_in(got, by_window.pop(k, {}))
    told.take_in(_between(server, bucket, site, (last + 1) * window_ms, _END_MS), {})
    return told


def _between(server: Influxd, bucket: str, site: str, start_ms: int, stop_ms: int) -> Points:
    found: Points = {}
    for head, t_ms, name, value in _values(server, bucket, site, start_ms, stop_ms):
        found.setdefault((head, t_ms), {})[name] = value
    return found


def _values(
    server: Influxd, bucket: str, site: str, start_ms: int, stop_ms: int
) -> Iterator[tuple[str, int, str, float | str]]:
    start, stop = (
        datetime.fromtimestamp(ms / 1000, UTC).isoformat().replace("+00:00", "Z") for ms in (start_ms, stop_ms)
    )
    flux = (
        f'from(bucket: "{bucket}") |> range(start: {start}, stop: {stop})'
        f' |> filter(fn: (r) => r.site == "{site}" and r._measurement != "site") |> drop(columns: ["_start", "_stop"])'
    )
    no_tags = {"", "result", "table"}
    heads: dict[tuple[str, ...], str] = {}
    for row in server.query(flux):
        tags = tuple(f"{k}={v}" for k, v in sorted(row.items()) if v and k not in no_tags and not k.startswith("_"))
        key = (row["_measurement"], *tags)
        head = heads.get(key) or heads.setdefault(key, ",".join(key))
        t_ms = round(datetime.fromisoformat(row["_time"]).timestamp() * 1000)
        name, value = row["_field"], row["_value"]
        yield head, t_ms, name, value if name in _WORDS else float(value)

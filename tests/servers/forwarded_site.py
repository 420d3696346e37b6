"""An invented site whose log goes to a server, and what the server must hold then, worked out from the log alone."""

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from influxd import Influxd, Points

from rainstead.derive import Deriver
from rainstead.log import Columns, LogReader
from rainstead.readings import Kind
from rainstead.replay import replay
from rainstead.settings import Settings, load_settings, parse_settings
from rainstead_board.twin.demo import fill_log
from rainstead_board.twin.invented import demo_history, demo_settings_text
from rainstead_board.twin.sense import history

__all__ = ["END_MS", "columns_of", "differences", "expected_points", "forward_table", "make_site", "settings_of"]

END_MS = 1_772_971_200_000
"""2026-03-08T12:00Z"""
_FIELD = {Kind.LEVEL: "range_mm", Kind.TIP: "tips", Kind.PULSE: "pulses", Kind.TEMPERATURE: "temperature_c"}


def forward_table(server: Influxd, bucket: str, *, url: str | None = None, more: str = "") -> str:
    """The table of the settings that names a server."""
    return (
        f'\n[forward]\nurl = "{url or server.url}"\norg = "{server.org}"\nbucket = "{bucket}"\n'
        f'token_file = "server.token"\n{more}\n'
    )


def settings_text(name: str = "Quillfeather Rise (invented)") -> str:
    """The demo's site by a name of one's own."""
    return demo_settings_text().replace("Quillfeather Rise (invented)", name)


def columns_of(settings: Settings, *, days: int, seed: int = 7, every_s: float = 240.0) -> list[Columns]:
    """Readings of some days up to END_MS, with a pump run in the third."""
    truth = demo_history(settings, end_ms=END_MS, days=days, seed=seed)
    return [Columns(*block) for block in history(truth, settings, seed, every_s)]


def make_site(
    folder: Path,
    server: Influxd,
    bucket: str,
    *,
    days: int = 4,
    name: str = "Quillfeather Rise (invented)",
    url: str | None = None,
    more: str = "",
    seed: int = 7,
) -> Path:
    """A site's folder with a log as a logger leaves it, and the token."""
    folder.mkdir(parents=True, exist_ok=True)
    text = settings_text(name) + forward_table(server, bucket, url=url, more=more)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    token = folder / "server.token"
    token.write_text(server.token, encoding="utf-8")
    token.chmod(0o600)
    settings = parse_settings(text, "site.toml")
    fill_log(folder / "readings.db", text, settings, columns_of(settings, days=days, seed=seed))
    return folder


def settings_of(folder: Path) -> Settings:
    """As the file has them."""
    return load_settings(folder / "site.toml")


def expected_points(folder: Path, settings: Settings | None = None) -> Points:
    """All that the log holds and all that follows from it, but for `site`, which tells how live readings came."""
    settings = settings_of(folder) if settings is None else settings
    site = settings.site.name
    found: Points = {}

    def put(name: str, tags: dict[str, str], t_ms: int, fields: dict[str, float | str]) -> None:
        both = {**tags, "site": site}
        head = ",".join([name, *(f"{key}={both[key]}" for key in sorted(both))])
        told = {key: value for key, value in fields.items() if isinstance(value, str) or np.isfinite(value)}
        if told:
            found.setdefault((head, t_ms), {}).update(told)

    with LogReader(folder) as reader:
        kinds = {row.name: row.kind for row in reader.sensors()}
        for batch in reader.batches():
            columns = (batch.t_ms, batch.sensor, batch.value, batch.quality, batch.spread)
            for t, k, value, quality, spread in zip(*(column.tolist() for column in columns), strict=True):
                sensor = batch.names[k]
                fields: dict[str, float | str] = {_FIELD[kinds[sensor]]: value, "quality": float(quality)}
                if kinds[sensor] is Kind.LEVEL:
                    fields["spread_mm"] = spread
                put(str(kinds[sensor]), {"sensor": sensor}, t, fields)
        for _, derived in replay(reader, Deriver(settings)):
            for levels in derived.levels:
                good = ~np.isnan(levels.depth_m) & (levels.quality == 0)
                names = ("depth_m", "depth_u_m", "volume_l", "volume_u_l", "freeboard_l", "usable_l")
                rows = zip(*(getattr(levels, name)[good].tolist() for name in names), strict=True)
                for t, row in zip(levels.t_ms[good].tolist(), rows, strict=True):
                    since = {"calibration_since_s": 0.0}
                    put("tank", {"tank": levels.tank}, t, {**dict(zip(names, row, strict=True)), **since})
            for rain in derived.rain:
                for t, mm, rate in zip(*_lists(rain.t_ms, rain.rain_mm, rain.intensity_mm_h), strict=True):
                    told = {"rain_mm": mm, "intensity_mm_h": rate, "calibration_since_s": 0.0}
                    put("rain", {"gauge": rain.gauge}, t, {**told})
            for flow in derived.flow:
                for t, litres, rate in zip(*_lists(flow.t_ms, flow.volume_l, flow.flow_l_min), strict=True):
                    told = {"volume_l": litres, "flow_l_min": rate, "calibration_since_s": 0.0}
                    put("flow", {"meter": flow.meter}, t, {**told})
            for storm in derived.storms:
                length_s = (storm.end_ms - storm.start_ms) / 1000
                told = {"rain_mm": storm.rain_mm, "rain_u_mm": storm.rain_u_mm, "duration_s": length_s}
                assert settings.rain is not None
                put("storm", {"gauge": settings.rain.gauge}, storm.start_ms, {**told, "tips": float(storm.tips)})
            for run in derived.runs:
                told = {"volume_l": run.volume_l, "volume_u_l": run.volume_u_l, "flow_l_min": run.flow_l_min}
                assert settings.pump is not None and settings.pump.meter is not None
                length_s = (run.end_ms - run.start_ms) / 1000
                put("pump_run", {"meter": settings.pump.meter}, run.start_ms, {**told, "duration_s": length_s})
        for event in reader.events():
            tags = {"alarm": event.alarm, "subject": event.subject, "state": event.state}
            words = {"unit": event.unit, "reason": event.reason}
            put("alarm", tags, event.t_ms, {"value": event.value, "limit": event.limit, **words})
    return found


def _lists(*columns: np.ndarray) -> Sequence[list[float]]:
    return [column.tolist() for column in columns]


def differences(got: Points, wanted: Points) -> list[str]:
    """What the server has too little, too much or otherwise; empty where it is exactly what the log holds."""
    got = {key: fields for key, fields in got.items() if not key[0].startswith("site,")}
    told = [f"{len(wanted)} points are wanted, {len(got)} are there"] if len(got) != len(wanted) else []
    told += [f"missing {key}" for key in list(wanted) if key not in got][:5]
    told += [f"too much {key}" for key in list(got) if key not in wanted][:5]
    told += [f"{key}: {got[key]} for {wanted[key]}" for key in wanted if key in got and got[key] != wanted[key]][:5]
    return told

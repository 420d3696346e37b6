"""The template on a real server: each cell's query, each task and the check held to the logs' own figures."""

import contextlib
import datetime as dt
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from forwarded_site import END_MS, expected_points, forward_table, make_site, settings_of
from influxd import Influxd, rows_of_csv
from small_site import SETTINGS
from small_site import make_site as make_small_site

from rainstead.dashboards import BOARDS, PERIODS, ROLLUPS, template
from rainstead.dashboards.flux import BUCKET_VARIABLE, SITE_VARIABLE
from rainstead.derive import Deriver
from rainstead.events import AlarmEvent
from rainstead.forward import Forwarder, InfluxServer
from rainstead.log import LogReader, LogWriter
from rainstead.readings import Kind, Quality
from rainstead.replay import state_at

pytestmark = pytest.mark.xdist_group("server")
HOUR_MS, DAY_MS = 3_600_000, 86_400_000
FROM_MS, UPTO_MS = END_MS - 5 * DAY_MS, END_MS + HOUR_MS
RUN_AT_MS = {"Rollup by the hour": UPTO_MS - DAY_MS, "Rollup by the day": UPTO_MS}
"""Each with rain and a pump run in what it counts."""
SHOWN, OTHER = "Fernhollow Bend (invented)", "Applecross Tor (invented)"
ASLEEP, AWAKE = "Drowsy Fell (invented)", "Larkrise Brow (invented)"
Row = dict[str, str]


@dataclass(frozen=True, slots=True)
class Point:
    """As the log has it: of which measurement, with which tags, when."""

    of: str
    tags: dict[str, str]
    t_ms: int
    fields: dict[str, float | str]


@dataclass(frozen=True, slots=True)
class Reserve:
    usable_l: float
    fire_l: float
    capacity_l: float


@dataclass(frozen=True, slots=True)
class Served:
    """A server that holds two sites, two more that were heard today, and the template; what the logs of the two say."""

    server: Influxd
    bucket: str
    points: dict[str, list[Point]]
    reserves: dict[str, Reserve]
    made: dict[str, Any]

    def of(self, name: str, site: str = SHOWN) -> list[Point]:
        return [one for one in self.points[site] if one.of == name]


@pytest.fixture(scope="module")
def served(real_server: Influxd, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    bucket = real_server.new_bucket()
    points: dict[str, list[Point]] = {}
    reserves = {}
    for seed, name in ((7, SHOWN), (8, OTHER)):
        folder = make_site(tmp_path_factory.mktemp("sent") / "site", real_server, bucket, name=name, seed=seed)
        trouble(folder)
        forward_all(folder, real_server, bucket)
        points[name] = [
            Point(head.split(",")[0], dict(part.split("=", 1) for part in head.split(",")[1:]), t_ms, fields)
            for (head, t_ms), fields in expected_points(folder).items()
        ]
        reserves[name] = reserve_of(folder)
    for name, age_s in ((ASLEEP, 7200), (AWAKE, 60)):
        folder = heard_of(tmp_path_factory.mktemp("today") / "site", real_server, bucket, name, age_s)
        forward_all(folder, real_server, bucket)
    (org,) = [one["id"] for one in real_server.ask("GET", f"/api/v2/orgs?org={real_server.org}")["orgs"]]
    stack = real_server.ask("POST", "/api/v2/stacks", {"orgID": org, "name": f"test {bucket}"})["id"]
    body = {"orgID": org, "stackID": stack, "template": {"contents": template(bucket)}}
    made = real_server.ask("POST", "/api/v2/templates/apply", body)
    yield Served(real_server, bucket, points, reserves, made)
    real_server.ask("DELETE", f"/api/v2/stacks/{stack}?orgID={org}")
    real_server.drop_bucket(bucket)


def trouble(folder: Path) -> None:
    """Alarms that came and went, and a sensor that heard nothing at the end."""
    with LogWriter(folder / "readings.db") as writer:
        number = writer.sensor_numbers({"house_level": Kind.LEVEL})["house_level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=True)
        writer.append([(END_MS + k * 1000, number, segment, None, int(Quality.NO_ECHO), None, 0) for k in (1, 2, 3)])
        for hours, alarm, subject, state in (
            (30, "overflow_risk", "pool", "active_unacknowledged"),
            (20, "overflow_risk", "pool", "normal"),
            (10, "overflow_risk", "pool", "active_unacknowledged"),
            (10, "low_reserve", "reserve", "active_unacknowledged"),
        ):
            event = AlarmEvent(END_MS - hours * HOUR_MS, alarm, subject, state, hours + 0.5, 300.0, "L", f"{hours} h")
            writer.append_events(segment, [event])


def heard_of(folder: Path, server: Influxd, bucket: str, name: str, age_s: int) -> Path:
    """A site with one reading, so long ago."""
    text = SETTINGS.replace("Invented [hollow]", name) + forward_table(server, bucket)
    when = dt.datetime.now(dt.UTC).replace(tzinfo=None) - dt.timedelta(seconds=age_s)
    return make_small_site(folder, [(when.isoformat(), "house_level", 1500)], text)


def forward_all(folder: Path, server: Influxd, bucket: str) -> None:
    sender = InfluxServer(url=server.url, org=server.org, bucket=bucket, token=server.token)
    forwarder, now_ms = Forwarder(settings_of(folder), folder, sender), 0
    for _ in range(2000):
        now_ms = forwarder.step(now_ms, END_MS)
        health = forwarder.health()
        if forwarder.is_idle and health.lag_ms == 0 and health.backlog_ms == 0:
            break
    else:
        raise AssertionError(f"not all was sent: {forwarder.health()}")
    forwarder.close()
    sender.close()


def reserve_of(folder: Path) -> Reserve:
    settings = settings_of(folder)
    deriver = Deriver(settings)
    with LogReader(folder) as reader:
        state = state_at(reader, deriver)
    assert settings.reserve is not None and state.reserve_usable_l is not None
    capacity_l = sum(
        float(deriver.litres_at(tank.name, tank.tank.brim_m, END_MS).volume_l[0]) for tank in deriver.tanks
    )
    return Reserve(state.reserve_usable_l, settings.reserve.fire_l, capacity_l)


def utc(t_ms: int) -> str:
    return dt.datetime.fromtimestamp(t_ms / 1000, dt.UTC).isoformat().replace("+00:00", "Z")


def ms(text: str) -> int:
    return round(dt.datetime.fromisoformat(text).timestamp() * 1000)


def ask(served: Served, query: str, *, at_ms: int = UPTO_MS, to_ms: int = UPTO_MS) -> list[Row]:
    """As a dashboard asks: what is chosen above it goes along as a program of its own; at a time of the logs."""
    shown = (
        f'option v = {{{BUCKET_VARIABLE}: "{served.bucket}", {SITE_VARIABLE}: "{SHOWN}", windowPeriod: 1h, '
        f"timeRangeStart: {utc(FROM_MS)}, timeRangeStop: {utc(to_ms)}}}"
    )
    (chosen,) = served.server.ask("POST", "/api/v2/query/ast", {"query": shown})["ast"]["files"]
    body = {
        "query": query,
        "extern": chosen,
        "type": "flux",
        "dialect": {"header": True, "annotations": []},
        "now": utc(at_ms),
    }
    place = f"/api/v2/query?org={served.server.org}"
    return rows_of_csv(served.server.ask("POST", place, body, accept="application/csv"))


FNS: dict[str, Callable[[list[float]], float]] = {
    "mean": lambda values: sum(values) / len(values),
    "sum": sum,
    "min": min,
    "max": max,
}


def windows(
    points: list[Point], field: str, tag: str, fn: str, every_ms: int = HOUR_MS
) -> dict[tuple[str, int], float]:
    found: dict[tuple[str, int], list[float]] = defaultdict(list)
    for one in points:
        value = one.fields.get(field)
        if isinstance(value, float):
            found[one.tags[tag], (one.t_ms // every_ms + 1) * every_ms].append(value)
    return {key: FNS[fn](values) for key, values in found.items()}


def series(rows: list[Row], tag: str) -> dict[tuple[str, int], float]:
    found = {(row[tag], ms(row["_time"])): float(row["_value"]) for row in rows}
    assert len(found) == len(rows)
    return found


def lines_of(of: str, field: str, tag: str, fn: str) -> Callable[[list[Row], Served], None]:
    def check(rows: list[Row], served: Served) -> None:
        assert series(rows, tag) == pytest.approx(windows(served.of(of), field, tag, fn), rel=1e-9)

    return check


def newest(points: list[Point], tag: str) -> dict[str, Point]:
    return {one.tags[tag]: one for one in sorted(points, key=lambda one: one.t_ms)}


def one_number(rows: list[Row]) -> float:
    (row,) = rows
    return float(row["_value"])


def total(field: str) -> Callable[[list[Row], Served], None]:
    def check(rows: list[Row], served: Served) -> None:
        wanted = sum(float(one.fields[field]) for one in newest(served.of("tank"), "tank").values())
        assert one_number(rows) == pytest.approx(wanted, rel=1e-9)

    return check


def same_points(of: str, *, newest_of: str | None = None) -> Callable[[list[Row], Served], None]:
    def check(rows: list[Row], served: Served) -> None:
        points = served.of(of)
        if newest_of is not None:
            points = list(newest(points, newest_of).values())
        columns = {name for row in rows for name in row} - {"", "result", "table"}
        tags = {name for one in points for name in one.tags if name != "site"}
        assert columns >= {"_time", *tags}

        def key(t_ms: int, told: dict[str, Any]) -> tuple[int, str]:
            return t_ms, ",".join(f"{name}={told[name]}" for name in sorted(tags))

        got = {key(ms(row["_time"]), row): row for row in rows}
        wanted = {key(one.t_ms, {name: one.tags.get(name, "") for name in tags}): one for one in points}
        assert got.keys() == wanted.keys()
        for place, one in wanted.items():
            for name in columns - {"_time", *tags}:
                value = one.fields.get(name, "")
                assert got[place][name] == value if isinstance(value, str) else float(got[place][name]) == value
        assert [ms(row["_time"]) for row in rows] == sorted((ms(row["_time"]) for row in rows), reverse=True)

    return check


def above_reserve(rows: list[Row], served: Served) -> None:
    reserve = served.reserves[SHOWN]
    assert one_number(rows) == pytest.approx(reserve.usable_l - reserve.fire_l, rel=1e-9)


def hardest(rows: list[Row], served: Served) -> None:
    assert one_number(rows) == max(float(one.fields.get("intensity_mm_h", 0.0)) for one in served.of("rain"))


def pumped(rows: list[Row], served: Served) -> None:
    assert one_number(rows) == pytest.approx(sum(float(one.fields["volume_l"]) for one in served.of("flow")))


def raw(served: Served) -> list[Point]:
    return [one for one in served.points[SHOWN] if "quality" in one.fields]


def last_words(rows: list[Row], served: Served) -> None:
    wanted = {
        sensor: (one.of, one.t_ms, one.fields["quality"]) for sensor, one in newest(raw(served), "sensor").items()
    }
    assert {row["sensor"]: (row["_measurement"], ms(row["_time"]), float(row["quality"])) for row in rows} == wanted


def unusable(rows: list[Row], served: Served) -> None:
    marked = [Point(one.of, one.tags, one.t_ms, {"bad": float(one.fields["quality"] != 0)}) for one in raw(served)]
    wanted = windows(marked, "bad", "sensor", "sum")
    assert series(rows, "sensor") == wanted
    assert sum(wanted.values()) > 0


def sites(rows: list[Row], served: Served) -> None:
    assert {row["site"] for row in rows} == {SHOWN, OTHER}
    for row in rows:
        last = newest(served.of("tank", row["site"]), "tank").values()
        assert ms(row["seen"]) == max(one.t_ms for one in last)
        for name in ("volume_l", "freeboard_l"):
            assert float(row[name]) == pytest.approx(sum(float(one.fields[name]) for one in last), rel=1e-9)
    assert [row["seen"] for row in rows] == sorted(row["seen"] for row in rows)


def reserves(rows: list[Row], served: Served) -> None:
    for row in rows:
        one = served.reserves[row["site"]]
        got = [float(row[name]) for name in ("usable_l", "fire_reserve_l", "capacity_l", "above_reserve_l")]
        assert got == pytest.approx([one.usable_l, one.fire_l, one.capacity_l, one.usable_l - one.fire_l], rel=1e-9)
    assert len(rows) == 2
    above = [float(row["above_reserve_l"]) for row in rows]
    assert above == sorted(above)


def raised(rows: list[Row], served: Served) -> None:
    wanted: dict[tuple[str, str], int] = defaultdict(int)
    for site in (SHOWN, OTHER):
        for one in served.of("alarm", site):
            if one.tags["state"] != "normal":
                wanted[site, one.tags["alarm"]] += 1
    assert {(row["site"], row["alarm"]): int(row["raised"]) for row in rows} == wanted
    assert wanted


CHECKS: dict[str, Callable[[list[Row], Served], None]] = {
    "In all tanks": total("volume_l"),
    "To go before the brims": total("freeboard_l"),
    "Above the fire reserve": above_reserve,
    "Litres by tank": lines_of("tank", "volume_l", "tank", "mean"),
    "Tanks now": same_points("tank", newest_of="tank"),
    "Alarms": same_points("alarm"),
    "Rain by the hour": lines_of("rain", "rain_mm", "gauge", "sum"),
    "Hardest rain": hardest,
    "Storms": same_points("storm"),
    "Flow": lines_of("flow", "flow_l_min", "meter", "max"),
    "Pumped": pumped,
    "Pump runs": same_points("pump_run"),
    "Last word of each sensor": last_words,
    "Readings that cannot be used": unusable,
    "From the sensor to the water": lines_of("level", "range_mm", "sensor", "mean"),
    "Scatter of the echoes": lines_of("level", "spread_mm", "sensor", "max"),
    "Temperatures": lines_of("temperature", "temperature_c", "sensor", "mean"),
    "Sites, the longest unheard of first": sites,
    "Reserves, the least first": reserves,
    "Alarms raised": raised,
}
LONG_RUN = {
    "Least litres of each day": ("tank", "volume_l", "tank", "min"),
    "Rain of each day": ("rain", "rain_mm", "gauge", "sum"),
    "Pumped each day": ("flow", "volume_l", "meter", "sum"),
}
CELLS = {cell.name: cell for board in BOARDS for cell in board.cells if cell.look != "words"}


def place_of(kind: str, one: dict[str, Any]) -> str:
    """The summary tells numbers, and the paths want them as sixteen hexadecimal digits."""
    return f"/api/v2/{kind}/{one['id']:016x}"


def applied(served: Served) -> dict[str, str]:
    """Each cell's query as the server keeps it."""
    found = {}
    for board in served.made["summary"]["dashboards"]:
        for cell in served.server.ask("GET", f"{place_of('dashboards', board)}?include=properties")["cells"]:
            for one in cell["properties"].get("queries") or []:
                assert cell["name"] not in found
                found[cell["name"]] = one["text"]
    return found


def test_the_server_takes_all_of_the_template(served: Served) -> None:
    summary = served.made["summary"]
    assert sorted(one["name"] for one in summary["dashboards"]) == sorted(board.name for board in BOARDS)
    assert sorted(one["name"] for one in summary["summaryTask"]) == sorted(period.name for period in PERIODS)
    assert [one["check"]["name"] for one in summary["checks"]] == ["A site is silent"]
    assert [one["name"] for one in summary["buckets"]] == [f"{served.bucket}_rollup"]
    assert {one["name"] for one in summary["variables"]} == {BUCKET_VARIABLE, SITE_VARIABLE}
    assert not served.made.get("errors")


def test_every_cell_has_its_check() -> None:
    assert CELLS.keys() == {*CHECKS, *LONG_RUN}


@pytest.mark.parametrize("name", CHECKS)
def test_a_cell_shows_the_logs_own_figures(name: str, served: Served) -> None:
    query = applied(served)[name]
    assert query == CELLS[name].query
    rows = ask(served, query)
    assert rows
    CHECKS[name](rows, served)


def test_the_site_is_chosen_among_those_that_send(served: Served) -> None:
    (variable,) = [one for one in served.made["summary"]["variables"] if one["name"] == SITE_VARIABLE]
    rows = ask(served, variable["arguments"]["values"]["query"], at_ms=round(time.time() * 1000))
    assert {row["_value"] for row in rows} == {SHOWN, OTHER, ASLEEP, AWAKE}


@pytest.fixture(scope="module")
def rolled_up(served: Served) -> Served:
    """Each task has run once."""
    for task in served.made["summary"]["summaryTask"]:
        run(served.server, f"{task['id']:016x}", {"scheduledFor": utc(RUN_AT_MS[task["name"]])})
    return served


@pytest.mark.parametrize("period", PERIODS, ids=lambda period: period.name)
def test_a_task_keeps_what_the_logs_hours_and_days_come_to(period: Any, rolled_up: Served) -> None:
    every_ms = {"1h": HOUR_MS, "1d": DAY_MS}[period.every]
    back_ms = {"3d": 3 * DAY_MS, "35d": 35 * DAY_MS}[period.again]
    upto_ms = RUN_AT_MS[period.name] // every_ms * every_ms
    for one in ROLLUPS:
        for fn in one.fns:
            rows = ask(
                rolled_up,
                f'from(bucket: "{rolled_up.bucket}_rollup") |> range(start: 0, stop: 2100-01-01T00:00:00Z)'
                f' |> filter(fn: (r) => r._measurement == "{one.of}_{period.every}")'
                f' |> filter(fn: (r) => r._field == "{one.field}_{fn}")',
            )
            tag = {"tank": "tank", "rain": "gauge", "flow": "meter", "temperature": "sensor"}[one.of]
            for site in (SHOWN, OTHER):
                points = [p for p in rolled_up.of(one.of, site) if upto_ms - back_ms <= p.t_ms < upto_ms]
                wanted = windows(points, one.field, tag, fn, every_ms)
                assert wanted, (one.of, one.field, fn, site)
                got = series([row for row in rows if row["site"] == site], tag)
                assert got == pytest.approx(wanted, rel=1e-9), (one.of, one.field, fn)


@pytest.mark.parametrize("name", LONG_RUN)
def test_the_long_run_shows_the_days_that_the_tasks_kept(name: str, rolled_up: Served) -> None:
    of, field, tag, fn = LONG_RUN[name]
    day_ms = UPTO_MS // DAY_MS * DAY_MS
    points = [one for one in rolled_up.of(of) if one.t_ms < day_ms]
    got = series(ask(rolled_up, applied(rolled_up)[name]), tag)
    assert got == pytest.approx(windows(points, field, tag, fn, DAY_MS), rel=1e-9)
    assert got


def run(server: Influxd, task: str, body: Any) -> None:
    """A task by hand, to its end."""
    place = f"/api/v2/tasks/{task}/runs"
    one = server.ask("POST", place, body)["id"]
    state: dict[str, Any] = {}
    end_s = time.monotonic() + 60
    while state.get("status") not in ("success", "failed"):
        assert time.monotonic() < end_s, state
        time.sleep(0.1)
        # Between the queue and the books a run is for a moment nowhere to be found.
        with contextlib.suppress(RuntimeError):
            state = server.ask("GET", f"{place}/{one}")
    assert state["status"] == "success", [line["message"] for line in state["log"]]


def test_a_site_that_falls_silent_is_told_by_the_check(served: Served) -> None:
    (check,) = served.made["summary"]["checks"]
    kept = served.server.ask("GET", f"/api/v2/checks/{check['check']['id']}")
    run(served.server, kept["taskID"], {})
    rows = served.server.query(
        'from(bucket: "_monitoring") |> range(start: -1h)'
        f' |> filter(fn: (r) => r._check_id == "{kept["id"]}" and r._field == "_message")'
    )
    assert {(row["site"], row["_level"], row["_value"]) for row in rows} == {
        (ASLEEP, "crit", f"{ASLEEP}: crit (crit: silent for an hour; look at its board, then at its network)"),
        (AWAKE, "ok", f"{AWAKE}: ok (crit: silent for an hour; look at its board, then at its network)"),
    }

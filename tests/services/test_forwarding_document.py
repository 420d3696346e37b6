"""What `services/forwarding.md` says of the points, the program's description and what it sends, all alike."""

import random
import re
from pathlib import Path

import pytest
from fake_server import FakeServer
from small_site import Row, make_site, utc_ms

from rainstead.dashboards import PERIODS, ROLLUPS
from rainstead.forward import MEASUREMENTS, SCHEMA_VERSION, Forwarder
from rainstead.log import LogWriter
from rainstead.readings import Kind
from rainstead.settings import load_settings

DOCUMENT = Path(__file__).parents[2] / "services" / "forwarding.md"
TEXT = DOCUMENT.read_text(encoding="utf-8")

ROWS: list[Row] = [
    ("2026-03-27T10:00:00", "gauge", 2),
    ("2026-03-27T10:05:00", "gauge", 1),
    *((f"2026-03-27T11:{k // 6:02d}:{k % 6}0", "meter", 7300) for k in range(60)),
    ("2026-03-28T10:00:00", "house_level", 560),
    ("2026-03-28T10:00:00", "pool_level", 900),
    ("2026-03-28T10:00:00", "shed_air", 20.0),
    ("2026-03-28T10:00:30", "gauge", 1),
    ("2026-03-28T10:00:40", "meter", 0),
    ("2026-03-28T10:01:00", "house_level", 1500),
]
"""A storm and a run that are over, every kind of sensor, an alarm raised."""

Named = dict[str, dict[str, tuple[str, str]]]
"""For each measurement its names, with what they are and their units."""


def documented() -> Named:
    found: Named = {}
    for part in re.split(r"(?m)^## ", TEXT):
        if match := re.match(r"`(\w+)`\n", part):
            rows = re.findall(r"(?m)^\| `(\w+)` \| (\w+) \| ([^|]*)\| [^|]+ \|$", part)
            assert len(rows) == len({name for name, _, _ in rows}), part
            assert match[1] not in found
            found[match[1]] = {name: (what, unit.strip()) for name, what, unit in rows}
    return found


def described() -> Named:
    return {
        one.name: dict.fromkeys(one.tags, ("tag", ""))
        | {field.name: ("words" if field.is_text else "field", field.unit) for field in one.fields}
        for one in MEASUREMENTS
    }


def test_the_document_and_the_description_name_the_same_points() -> None:
    assert documented() == described()


def test_the_document_tells_the_version_of_the_schema() -> None:
    assert re.findall(r"Version of the schema: (\d+)", TEXT) == [str(SCHEMA_VERSION)]


def test_the_document_tells_what_is_worked_out_and_what_is_read() -> None:
    told = dict(re.findall(r"(?m)^## `(\w+)`\n\n.*(Worked out|As it was read)\.$", TEXT))
    assert told == {one.name: "Worked out" if one.derived else "As it was read" for one in MEASUREMENTS}


def test_the_document_tells_what_the_rollups_keep() -> None:
    told = re.findall(r"(?m)^\| `(\w+)` \| `(\w+)` \| (.*) \|$", TEXT)
    assert [(of, field, tuple(re.findall(r"`(\w+)`", kept))) for of, field, kept in told] == [
        (one.of, one.field, tuple(f"{one.field}_{fn}" for fn in one.fns)) for one in ROLLUPS
    ]
    again = re.search(r"The last (\d+) days of hours and (\d+) days of days", TEXT)
    assert again is not None
    assert {one.every: one.again for one in PERIODS} == {"1h": f"{again[1]}d", "1d": f"{again[2]}d"}


class Listening(FakeServer):
    """Keeps lines as they come."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []

    def _keep(self, line: str) -> None:
        self.said.append(line)


@pytest.fixture(scope="module")
def lines(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """All that a forwarder sends of a log."""
    folder, server = make_site(tmp_path_factory.mktemp("site"), ROWS), Listening()
    with LogWriter(folder / "readings.db") as writer:
        number = writer.sensor_numbers({"house_level": Kind.LEVEL})["house_level"]
        segment = writer.begin_segment(writer.begin_boot("logger", "another boot", 0), 0, trusted=True)
        writer.append([(utc_ms("2026-03-28T10:02:00"), number, segment, 1400.0, 0, 2.5, 5)])
    forwarder = Forwarder(load_settings(folder / "site.toml"), folder, server, rng=random.Random(1))
    now_ms = 0
    for _ in range(50):
        now_ms = max(forwarder.step(now_ms, 0), now_ms)
    assert forwarder.health().lag_ms == forwarder.health().backlog_ms == 0
    forwarder.close()
    return server.said


def test_what_is_sent_has_the_names_of_the_document_and_all_of_them(lines: list[str]) -> None:
    sent: dict[str, dict[str, str]] = {}
    for line in lines:
        head, fields, stamp = re.split(r"(?<!\\) ", re.sub(r'"(\\.|[^"\\])*"', '""', line))
        name, *tags = re.split(r"(?<!\\),", head)
        assert "site=Invented\\ [hollow]" in tags
        assert re.fullmatch(r"17\d{11}", stamp), "milliseconds"
        names = sent.setdefault(name, {})
        names |= {tag.split("=")[0]: "tag" for tag in tags if not tag.startswith("site=")}
        for field in fields.split(","):
            key, value = field.split("=")
            assert value == '""' or float(value) is not None
            names[key] = "words" if value == '""' else "field"
    assert sent == {name: {key: what for key, (what, _) in names.items()} for name, names in documented().items()}

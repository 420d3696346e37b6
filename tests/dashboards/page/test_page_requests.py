"""What may be asked, under which name, and what every answer carries."""

import contextlib
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from fake_clock import FakeClock
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from paged_site import NOW_MS, in_front_of, paged_site
from werkzeug.test import Client, create_environ, run_wsgi_app

from rainstead_page.guarding import HEADERS
from rainstead_page.hosts import is_allowed
from rainstead_page.query import BadQuery, Number, read_query, read_stamp

PATHS = ("/", "/alarms", "/storms", "/runs", "/rain", "/health", "/now.json", "/health.json", "/page.css", "/icon.svg")


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Client]:
    with in_front_of(paged_site(tmp_path_factory.mktemp("site")), FakeClock(wall_ms=NOW_MS)) as found:
        yield found


@pytest.mark.parametrize(
    ("header", "listen", "names", "allowed"),
    [
        ("localhost:8035", "127.0.0.1", (), True),
        ("LOCALHOST", "127.0.0.1", (), True),
        ("127.0.0.1:9000", "127.0.0.1", (), True),
        ("[::1]:8035", "::1", (), True),
        ("192.168.1.20:8035", "192.168.1.20", (), True),
        ("localhost", "192.168.1.20", (), False),
        ("127.0.0.1", "192.168.1.20", (), False),
        ("192.168.1.21", "192.168.1.20", (), False),
        ("192.168.1.21", "0.0.0.0", (), True),
        ("[fe80::1]", "0.0.0.0", (), False),
        ("[FE80::0001]:8035", "::", (), True),
        ("192.168.1.21", "::", (), True),
        ("[fe80::1]", "fe80::1", (), True),
        ("fe80::1", "::", (), False),
        ("raintank.local:8035", "0.0.0.0", ("raintank.local",), True),
        ("RainTank.Local.", "0.0.0.0", ("raintank.local",), True),
        ("evil.example:8035", "0.0.0.0", ("raintank.local",), False),
        ("raintank.local.evil.example", "0.0.0.0", ("raintank.local",), False),
        ("127.0.0.1.evil.example", "127.0.0.1", (), False),
        ("2130706433", "127.0.0.1", (), False),
        ("localhost, evil.example", "127.0.0.1", (), False),
        ("user@localhost", "127.0.0.1", (), False),
        ("localhost:port", "127.0.0.1", (), False),
        ("localhost:8035:8035", "127.0.0.1", (), False),
        ("", "127.0.0.1", (), False),
        (None, "127.0.0.1", (), False),
    ],
)
def test_only_the_boards_own_names_and_addresses_may_be_asked_for(
    header: str | None, listen: str, names: tuple[str, ...], allowed: bool
) -> None:
    assert is_allowed(header, listen, names) is allowed


@given(st.text(max_size=80))
def test_no_made_up_name_is_one_of_ours(header: str) -> None:
    ours = re.fullmatch(r"(?i)(localhost\.?|127\.0\.0\.1|\[[0:]*:0*1\])(:[0-9]{1,5})?", header) is not None
    assert is_allowed(header, "127.0.0.1", ()) <= ours


@pytest.mark.parametrize("path", PATHS)
def test_a_foreign_name_is_refused_on_every_path_and_gets_nothing_of_the_site(page: Client, path: str) -> None:
    told = page.get(path, headers={"Host": "evil.example:8035"})
    assert told.status_code == 400
    assert "Hand-worked" not in told.text
    assert page.get(path, headers={"Host": "raintank.local:8035"}).status_code == 200


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "CONNECT", "PROPFIND"])
@pytest.mark.parametrize("path", ["/", "/alarms", "/nowhere"])
def test_nothing_but_reading_is_allowed(page: Client, path: str, method: str) -> None:
    told = page.open(path, method=method, data=b"acknowledge=1")
    assert told.status_code == 405
    assert told.headers["Allow"] == "GET, HEAD"


@pytest.mark.parametrize("path", [*PATHS, "/nowhere", "/?x=1"])
@pytest.mark.parametrize("host", ["localhost", "evil.example"])
def test_every_answer_carries_the_headers_that_keep_others_out(page: Client, path: str, host: str) -> None:
    told = page.get(path, headers={"Host": host, "Origin": "http://evil.example", "Cookie": "a=b"})
    for name, value in HEADERS.items():
        assert told.headers.getlist(name) == [value]
    assert "default-src 'none'" in told.headers["Content-Security-Policy"]
    assert "frame-ancestors 'none'" in told.headers["Content-Security-Policy"]
    assert "no-store" in told.headers["Cache-Control"]
    for name in ("Set-Cookie", "Access-Control-Allow-Origin", "Server", "X-Powered-By", "ETag", "Last-Modified"):
        assert name not in told.headers, name


@pytest.mark.parametrize("path", PATHS)
def test_head_is_as_get_without_a_body(page: Client, path: str) -> None:
    head = page.head(path)
    assert (head.status_code, head.data) == (200, b"")
    assert head.headers["Content-Length"] == page.get(path).headers["Content-Length"]


@pytest.mark.parametrize(
    ("path", "said"),
    [
        ("/rain?days=0", "a whole number from 1 to 366"),
        ("/rain?days=367", "a whole number from 1 to 366"),
        ("/rain?days=", "a whole number from 1 to 366"),
        ("/rain?days=-3", "a whole number from 1 to 366"),
        ("/rain?days=1e2", "a whole number from 1 to 366"),
        ("/rain?days=%D9%A3", "a whole number from 1 to 366"),
        ("/rain?days=3&days=4", "days stands there 2 times"),
        ("/rain?day=3", "this screen takes days"),
        ("/?days=3", "takes nothing after the question mark"),
        ("/alarms?most=501", "a whole number from 1 to 500"),
        ("/storms/now", "is no time in UTC milliseconds"),
        ("/runs/-5", "is no time in UTC milliseconds"),
        ("/runs/99999999999999", "is no time in UTC milliseconds"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_what_would_be_right(page: Client, path: str, said: str) -> None:
    told = page.get(path)
    assert told.status_code == 400
    assert said in told.text.replace("&#39;", "'")
    if "/storms/" not in path and "/runs/" not in path:
        told_json = page.get(path.replace("/?", "/now.json?") if path.startswith("/?") else path.replace("?", ".json?"))
        assert told_json.status_code == 400
        assert said in json.loads(told_json.text)["because"]


_SEGMENT = st.sampled_from(
    [
        "storms",
        "runs",
        "rain",
        "alarms",
        "health",
        "now.json",
        "..",
        "%2e%2e",
        "%00",
        "site.toml",
        "static",
        "",
        "é",
        "%",
    ]
)
_PATH = st.one_of(st.lists(st.one_of(_SEGMENT, st.text(max_size=12)), max_size=5).map("/".join), st.text(max_size=40))
_QUERY = st.one_of(
    st.just(""),
    st.text(max_size=40),
    st.lists(st.tuples(st.sampled_from(["days", "most", "x", ""]), st.text(max_size=20)), max_size=4).map(
        lambda pairs: "&".join(f"{name}={value}" for name, value in pairs)
    ),
)


@settings(max_examples=150)
@given(path=_PATH, query=_QUERY)
def test_no_address_at_all_makes_it_fail(page: Client, path: str, query: str) -> None:
    # A sheet has a process of its own, and its own tests.
    assume(not re.fullmatch(r"(storms|runs)/[0-9]{1,15}(\.json)?", path))
    environ = create_environ(headers={"Host": "localhost"})
    environ["PATH_INFO"] = "/" + path.encode("utf-8", "surrogatepass").decode("latin-1")
    environ["QUERY_STRING"] = query.encode("utf-8", "surrogatepass").decode("latin-1")
    body, status, _ = run_wsgi_app(page.application, environ)
    shown = b"".join(body)
    assert int(status.split()[0]) < 500, shown
    assert b"[tanks." not in shown and b"Traceback" not in shown


@given(st.dictionaries(st.text(max_size=5), st.lists(st.text(max_size=20), min_size=1, max_size=3), max_size=3))
def test_a_query_is_read_or_refused(query: dict[str, list[str]]) -> None:
    try:
        found = read_query(query, [Number("days", 14, 1, 366)])
    except BadQuery:
        return
    assert set(found) == {"days"} and 1 <= found["days"] <= 366


@given(st.text(max_size=20))
def test_a_stamp_is_read_or_refused(text: str) -> None:
    with contextlib.suppress(BadQuery):
        assert 0 <= read_stamp(text) < 8e12


def test_what_people_typed_is_text_and_no_markup(tmp_path: Path) -> None:
    site = paged_site(tmp_path)
    toml = (site / "site.toml").read_text("utf-8")
    name = "<script>alert(1)</script>\"'"
    (site / "site.toml").write_text(toml.replace('"Hand-worked"', f"'''{name}'''"), "utf-8")
    with in_front_of(site, FakeClock(wall_ms=NOW_MS)) as found:
        shown = found.get("/").text
        refused = found.get("/?<script>alert(1)</script>=1").text
    assert "<script" not in shown and "&lt;script&gt;alert(1)" in shown
    assert "<script" not in refused and "&lt;script&gt;" in refused

"""The page as a process: how it starts and ends, what strangers on the network can do to it, whose rights it needs."""

import contextlib
import itertools
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fake_clock import FakeClock
from paged_site import NOW_MS, PAGED, free_port, get, in_front_of, paged_site, running_page

from rainstead.clock import SystemClock
from rainstead.log import LogWriter
from rainstead.readings import Kind
from rainstead.running import HELD_BY_ANOTHER, NOTHING_TO_DO
from rainstead_page import process
from rainstead_page.listening import CannotListen, listening_socket, serve

NOBODY, OTHER, GROUP = 65534, 65533, 65532
SECRET = "TOKEN-that-nobody-may-see-0123456789"


def command(site: Path) -> list[str]:
    return [sys.executable, "-c", "from rainstead_page import main; main()", str(site)]


@pytest.fixture
def ended(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Callable[[Path], tuple[object, str]]:
    """Runs the program to its end in this process; gives its exit code and what it said."""
    monkeypatch.setattr(signal, "signal", lambda *_: None)

    def run(site: Path) -> tuple[object, str]:
        with pytest.raises(SystemExit) as end:
            process.main([str(site)])
        return end.value.code, capsys.readouterr().err

    return run


def site_on(folder: Path, port: int, more: str = "") -> Path:
    return paged_site(folder, SystemClock().wall_ms(), text=f"{PAGED}port = {port}\n{more}")


Ended = Callable[[Path], tuple[object, str]]


def test_settings_without_a_page_end_with_their_own_code_and_say_what_to_add(tmp_path: Path, ended: Ended) -> None:
    code, told = ended(paged_site(tmp_path, text=PAGED.split("[page]")[0]))
    assert code == NOTHING_TO_DO == 6
    assert "site.toml has no [page] table" in told


@pytest.mark.parametrize("text", ["[page]\nport = 80\n", "nonsense"])
def test_settings_that_want_mending_end_with_code_2(tmp_path: Path, text: str, ended: Ended) -> None:
    (tmp_path / "site.toml").write_text(text, "utf-8")
    code, told = ended(tmp_path)
    assert code == 2 and told.startswith("rainstead-page: ") and "site.toml" in told


def test_a_slip_before_the_start_leaves_the_last_good_settings_in_force_and_the_page_says_so(tmp_path: Path) -> None:
    port = free_port()
    site = site_on(tmp_path, port)
    good = (site / "site.toml").read_text("utf-8")
    with LogWriter(site / "readings.db") as writer:
        writer.keep_settings(SystemClock().wall_ms(), "digest", good)
    (site / "site.toml").write_text(good.replace("brim", "brin"), "utf-8")
    with running_page(site):
        _, told = get(port)
    assert "site.toml cannot be used, so the last good settings hold" in told


def test_no_folder_is_one_message(tmp_path: Path, ended: Ended) -> None:
    code, told = ended(tmp_path / "nowhere")
    assert code == 2 and "there is no such file" in told


def test_a_port_that_another_has_is_one_message(tmp_path: Path, ended: Ended) -> None:
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        code, told = ended(site_on(tmp_path, port))
    assert code == HELD_BY_ANOTHER == 3 and f"page.port = {port}: another program has it" in told


def test_a_second_page_of_a_site_is_refused_and_told_which_the_first_is(tmp_path: Path, ended: Ended) -> None:
    site = site_on(tmp_path, free_port())
    with running_page(site) as first:
        code, told = ended(site)
    assert code == HELD_BY_ANOTHER
    assert told == (f"rainstead-page: {site}: process {first.pid} is showing this site already; stop that one first\n")


def test_a_missing_library_is_told_with_the_way_to_get_it(
    tmp_path: Path, ended: Ended, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "rainstead_page.app", None)
    monkeypatch.delitem(sys.modules, "rainstead_page.app")
    monkeypatch.setitem(sys.modules, "flask", None)
    code, told = ended(site_on(tmp_path, free_port()))
    assert code == 2 and "flask is not installed here; `pip install 'rainstead[page]'`" in told


def test_an_address_that_is_not_there_yet_is_waited_for_and_told_once(
    caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    from rainstead.settings import Page

    clock, tried = FakeClock(), []
    bound = listening_socket("127.0.0.1", free_port())

    def comes_later(_listen: str, _port: int) -> socket.socket | None:
        tried.append(clock.boot_ms())
        return bound if len(tried) == 50 else None

    monkeypatch.setattr("rainstead_page.listening.listening_socket", comes_later)
    assert process._bound(Page(listen="192.0.2.1"), clock, lambda: False) is bound
    assert bound is not None
    bound.close()
    assert len(tried) == 50 and min(b - a for a, b in itertools.pairwise(tried)) >= 5000
    assert caplog.text.count("has no such address, or not yet; waiting for it") == 1


def test_an_address_of_another_machine_is_none_of_ours_and_the_wait_ends_by_a_signal(tmp_path: Path) -> None:
    assert listening_socket("192.0.2.1", free_port()) is None
    site = paged_site(tmp_path, text=f'{PAGED}listen = "192.0.2.1"\n')
    with subprocess.Popen(command(site), stderr=subprocess.PIPE, text=True) as waiting:
        assert waiting.stderr is not None
        assert "waiting for it" in waiting.stderr.readline()
        waiting.send_signal(signal.SIGTERM)
        assert waiting.wait(30) == 0


def test_a_forbidden_port_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    def forbidden(_self: socket.socket, _address: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(socket.socket, "bind", forbidden)
    with pytest.raises(CannotListen, match=r"page.port = 8035: cannot be listened on \(Permission denied\)"):
        listening_socket("127.0.0.1", 8035)


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    """The port of a page that runs, on a site whose folder holds a secret."""
    port = free_port()
    forward = '[forward]\nurl = "http://127.0.0.1:9"\norg = "home"\nbucket = "water"\ntoken_file = "server.token"\n'
    site = site_on(tmp_path_factory.mktemp("running"), port, forward)
    (site / "server.token").write_text(SECRET, "utf-8")
    (site / "server.token").chmod(0o600)
    with running_page(site):
        yield port


def raw(port: int, request: bytes) -> bytes:
    """What comes back for these bytes until the page closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=30) as one:
        one.sendall(request)
        found = b""
        with contextlib.suppress(ConnectionError):
            while part := one.recv(65536):
                found += part
        return found


def test_no_screen_shows_a_secret_or_a_file(page: int) -> None:
    paths = ["/", "/alarms", "/storms", "/runs", "/rain", "/health", "/now.json", "/health.json", "/page.css"]
    paths += ["/server.token", "/site.toml", "/../server.token", "/%2e%2e/server.token", "/static/../server.token"]
    paths += ["//etc/passwd", "/page.css/../../site.toml", "/..%2f..%2fserver.token", "/readings.db"]
    for path in paths:
        told = raw(page, f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode()).decode()
        assert SECRET not in told and "token_file" not in told and "root:" not in told, path
        assert re.match(r"HTTP/1\.1 (200|404|400) ", told), (path, told[:200])


@pytest.mark.parametrize(
    ("request_text", "status"),
    [
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"a" * 20_000 + b"\r\n\r\n", b"431"),
        (b"GET /" + b"a" * 20_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n", b"431"),
        (b"POST / HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5000\r\n\r\n" + b"a" * 5000, b"413"),
        (b"GET / HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n", b"400"),
        (b"GET / HTTP/1.1\r\nConnection: close\r\n\r\n", b"400"),
        (b"GET / HTTP/1.1\r\nHost: localhost\r\nHost: evil.example\r\nConnection: close\r\n\r\n", b"400"),
        (b"GET http://evil.example/ HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n", b"400"),
        (b"DELETE / HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n", b"405"),
        (b"nonsense\r\n\r\n", b"400"),
        (b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\r\n\r\n", b"400"),
    ],
)
def test_bad_requests_are_refused_without_telling_what_runs_here(page: int, request_text: bytes, status: bytes) -> None:
    told = raw(page, request_text)
    assert told.split()[1] == status, told[:200]
    assert b"\r\nServer:" not in told and b"waitress" not in told and b"Hand-worked" not in told
    assert get(page)[0] == 200


def test_three_hundred_slow_strangers_do_not_keep_the_household_out(page: int) -> None:
    with contextlib.ExitStack() as held:
        for k in range(300):
            one = held.enter_context(socket.create_connection(("127.0.0.1", page), timeout=30))
            one.sendall(b"GET / HTTP/1.1\r\nHost: local" if k % 2 else b"")
        status, text = get(page)
        assert status == 200 and "2,400 L" in text
    assert get(page)[0] == 200


def test_who_sends_a_byte_now_and_then_is_let_go_all_the_same() -> None:
    """Patience is for the whole request: three that drip hold all three places, for two seconds and no longer."""
    stop = threading.Event()
    bound = listening_socket("127.0.0.1", 0)
    assert bound is not None
    port = bound.getsockname()[1]

    def app(_environ: object, start_response: object) -> list[bytes]:
        start_response("200 OK", [("Content-Length", "2")])  # type: ignore[operator]
        return [b"ok"]

    # Two of the five are the server's own: what it listens on, and what wakes it.
    serving = threading.Thread(
        daemon=True, target=serve, args=(app, bound, stop.is_set), kwargs={"most_connections": 5, "patience_s": 2}
    )
    serving.start()
    try:
        drips = [socket.create_connection(("127.0.0.1", port), timeout=30) for _ in range(3)]
        until = time.perf_counter() + 30
        gone: set[int] = set()
        while len(gone) < 3 and time.perf_counter() < until:
            for k, one in enumerate(drips):
                try:
                    one.sendall(b"G")
                except OSError:
                    gone.add(k)
            time.sleep(0.1)
        assert len(gone) == 3
        assert get(port)[0] == 200
    finally:
        for one in drips:
            one.close()
        stop.set()
        serving.join(30)
    assert not serving.is_alive()


@pytest.fixture
def shared() -> Iterator[Path]:
    """A folder of the logger's own user that its group may write to, as the installer makes it."""
    path = Path(tempfile.mkdtemp(prefix="rainstead-page-"))
    path.chmod(0o2770)
    yield path
    shutil.rmtree(path)


ROOT_ALONE = pytest.mark.skipif(os.geteuid() != 0, reason="only root may become another user")


@contextlib.contextmanager
def being_another() -> Iterator[None]:
    """Another user than the log's, of its group. The interpreter itself need not be open to that user."""
    groups, umask = os.getgroups(), os.umask(0o027)
    os.setgroups([])
    os.setegid(GROUP)
    os.seteuid(OTHER)
    try:
        yield
    finally:
        os.seteuid(0)
        os.setegid(0)
        os.setgroups(groups)
        os.umask(umask)


def given_to_the_logger(site: Path, *, folder: int, log: int) -> None:
    """As the logger's user leaves it, with these modes."""
    for part in [site, *site.iterdir()]:
        os.chown(part, NOBODY, GROUP)
        part.chmod(log if part != site else folder)


@ROOT_ALONE
@pytest.mark.parametrize("logger", ["runs", "stopped", "killed"])
def test_a_user_of_the_group_sees_the_log_whatever_became_of_its_logger(shared: Path, logger: str) -> None:
    site, clock = paged_site(shared), FakeClock(wall_ms=NOW_MS)
    writing = LogWriter(site / "readings.db")
    number = writing.sensor_numbers({"east_level": Kind.LEVEL})["east_level"]
    segment = writing.begin_segment(writing.begin_boot("logger", "another boot", 0), 0, trusted=True)
    writing.append([(NOW_MS - 1000, number, segment, 2000.0, 0, None, None)])
    if logger != "runs":
        kept = {part.name: part.read_bytes() for part in site.iterdir()}
        writing.close()
        if logger == "killed":  # what was not yet written back lies beside it
            for name, held in kept.items():
                (site / name).write_bytes(held)
    given_to_the_logger(site, folder=0o2770, log=0o660)
    with in_front_of(site, clock) as page:
        assert page.get("/nowhere").status_code == 404  # all is loaded that only root may load here
        with being_another():
            for path in ("/", "/alarms", "/storms", "/runs", "/rain", "/health"):
                assert page.get(path).status_code == 200, path
            assert "1,000 L" in page.get("/").text
        if logger == "runs":  # what the page left beside the log does not stand in its writer's way
            writing.append([(NOW_MS, number, segment, 1900.0, 0, None, None)])
            writing.close()
        clock.now_ms += 10_000
        with being_another():
            assert ("1,200 L" if logger == "runs" else "1,000 L") in page.get("/").text


@ROOT_ALONE
@pytest.mark.parametrize(
    ("folder", "log"), [(0o2770, 0o600), (0o2770, 0o000), (0o2700, 0o660), (0o2750, 0o640)], ids=oct
)
def test_a_user_without_rights_is_told_whose_to_look_at(shared: Path, folder: int, log: int) -> None:
    site, clock = paged_site(shared), FakeClock(wall_ms=NOW_MS)
    given_to_the_logger(site, folder=folder, log=log)
    with in_front_of(site, clock) as page:
        assert page.get("/nowhere").status_code == 404
        with being_another():
            told = page.get("/")
        assert "Traceback" not in told.text
        assert told.status_code == 503
        assert "check the file&#39;s owner" in told.text or "Permission denied" in told.text
        given_to_the_logger(site, folder=0o2770, log=0o660)
        clock.now_ms += 10_000
        with being_another():
            assert "2,400 L" in page.get("/").text

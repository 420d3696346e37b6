"""The forwarder against a real server: whatever happens on the way, it ends with exactly what the log holds."""

import gzip
import random
import signal
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import trustme
from breaking_proxy import CUT, DEAF, FORWARD, HALF, HANG, RESET, BreakingProxy, Mood, slow, status
from forwarded_site import END_MS, differences, expected_points, make_site, settings_of
from influxd import Influxd, Influxd1

from rainstead.forward import CursorFile, Forwarder, InfluxServer, Word
from rainstead.forward.process import server_of
from rainstead.log import LogWriter
from rainstead.readings import Kind

pytestmark = pytest.mark.xdist_group("server")
Script = Callable[[bytes], Mood]


class Driven:
    """A site's forwarder in this process, on a clock that jumps to whatever is due."""

    def __init__(self, folder: Path, server: InfluxServer, *, most_lines: int = 2000) -> None:
        self.folder, self.server, self.most_lines = folder, server, most_lines
        self.settings = settings_of(folder)
        self.told: list[str] = []
        self.now_ms = 0
        self.waits_s: list[float] = []
        self.begin()

    def begin(self) -> None:
        self.forwarder = Forwarder(
            self.settings,
            self.folder,
            self.server,
            most_lines=self.most_lines,
            tell=self.told.append,
            rng=random.Random(3),
        )

    def again(self) -> None:
        self.forwarder.close()
        self.begin()

    def step(self) -> None:
        due_ms = self.forwarder.step(self.now_ms, END_MS)
        if due_ms > self.now_ms:
            self.waits_s.append((due_ms - self.now_ms) / 1000)
        self.now_ms = max(self.now_ms, due_ms)

    def run(self, most: int = 2_000) -> None:
        for _ in range(most):
            self.step()
            health = self.forwarder.health()
            if self.forwarder.is_idle and health.lag_ms == 0 and health.backlog_ms == 0:
                return
        raise AssertionError(f"it does not come to an end: {self.forwarder.health()}, {self.told[-3:]}")

    def close(self) -> None:
        self.forwarder.close()
        self.server.close()


@pytest.fixture(scope="module")
def log_4_days(tmp_path_factory: pytest.TempPathFactory, real_server: Influxd) -> Path:
    return make_site(tmp_path_factory.mktemp("four-days") / "site", real_server, "none")


@pytest.fixture
def proxies() -> Iterator[list[BreakingProxy]]:
    found: list[BreakingProxy] = []
    yield found
    for one in found:
        one.close()


def one_day(folder: Path, server: Influxd, bucket: str, **more: str) -> Path:
    return make_site(folder / "site", server, bucket, days=1, url=more.get("url"), more=more.get("more", ""))


def to(server: Influxd, bucket: str, *, url: str | None = None, timeout_s: float = 20.0) -> InfluxServer:
    return InfluxServer(url=url or server.url, org=server.org, bucket=bucket, token=server.token, timeout_s=timeout_s)


def listed(moods: list[Mood]) -> Script:
    """These, one for each write, then nothing but peace."""
    left = list(moods)
    return lambda _: left.pop(0) if left else FORWARD


def test_the_server_ends_with_exactly_what_the_log_holds(
    log_4_days: Path, real_server: Influxd, bucket: str, proxies: list[BreakingProxy]
) -> None:
    proxies.append(BreakingProxy(real_server.url, prefix="/under/a/path"))
    driven = Driven(log_4_days, to(real_server, bucket, url=proxies[0].url))
    driven.run()
    wanted = expected_points(log_4_days)
    assert len(wanted) > 15_000 and {head.split(",")[0] for head, _ in wanted} >= {"level", "rain", "flow", "pump_run"}
    assert differences(real_server.points(bucket), wanted) == []
    assert proxies[0].encodings == {"gzip"}
    assert driven.forwarder.health().refused == 0
    driven.close()


def test_a_name_with_every_mark_in_it_arrives_as_it_is(real_server: Influxd, bucket: str, tmp_path: Path) -> None:
    name = "Quill, the = 'pond' \\\\ up (invented) ü"
    site = make_site(tmp_path / "site", real_server, bucket, days=1, name=name)
    driven = Driven(site, to(real_server, bucket))
    driven.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    with LogWriter(site / "readings.db") as writer:
        assert writer.correct_boot(1, -7_000) is not None
    driven.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    driven.close()


FAULTS = {
    "cut before an answer": [CUT, FORWARD, CUT],
    "reset": [RESET, RESET, FORWARD, RESET],
    "stored but never told": [DEAF, DEAF, FORWARD, DEAF],
    "cut within an answer": [HALF, FORWARD, HALF],
    "hangs": [HANG, FORWARD],
    "slow": [slow(0.7), slow(0.7)],
    "busy": [status(429, Retry_After="77"), FORWARD, status(503, Retry_After="99")],
    "broken": [status(500), status(502), status(504), FORWARD, status(500)],
    "wrong token": [status(401)] * 2,
    "no right": [status(403)],
    "not there": [status(404)],
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_point_arrives_in_spite_of(
    fault: str, real_server: Influxd, bucket: str, proxies: list[BreakingProxy], tmp_path: Path
) -> None:
    site = one_day(tmp_path, real_server, bucket)
    proxies.append(BreakingProxy(real_server.url, listed(FAULTS[fault])))
    driven = Driven(site, to(real_server, bucket, url=proxies[0].url, timeout_s=1.5), most_lines=700)
    driven.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    assert driven.forwarder.health().refused == 0
    if fault != "slow":
        assert any("nothing is sent" in line for line in driven.told)
        assert driven.told[-1] == "the server takes points again"
        assert driven.forwarder.health().word is Word.STORED
    if fault == "busy":
        assert sum(77 <= wait < 99 for wait in driven.waits_s) == 1 and sum(wait >= 99 for wait in driven.waits_s) == 1
    if fault in ("wrong token", "no right", "not there"):
        assert min(wait for wait in driven.waits_s if wait > 10) > 200
    driven.close()


def test_a_line_too_thin_for_large_writes_in_the_time_allowed_gets_all_of_it_across_in_small_ones(
    real_server: Influxd, bucket: str, proxies: list[BreakingProxy], tmp_path: Path
) -> None:
    site = one_day(tmp_path, real_server, bucket)
    proxies.append(BreakingProxy(real_server.url, lambda body: slow(len(body) / 30_000)))
    driven = Driven(site, to(real_server, bucket, url=proxies[0].url, timeout_s=0.5))
    driven.run(60)
    assert differences(real_server.points(bucket), expected_points(site)) == []
    assert any("does not answer" in line for line in driven.told)
    driven.close()


@pytest.mark.parametrize(("token", "place", "says"), [("wrong", None, "token"), (None, "nowhere", "bucket")])
def test_a_real_refusal_is_told_as_what_it_is_and_mended_by_a_person(
    token: str | None, place: str | None, says: str, real_server: Influxd, bucket: str, tmp_path: Path
) -> None:
    site = one_day(tmp_path, real_server, bucket)
    wrong = InfluxServer(
        url=real_server.url, org=real_server.org, bucket=place or bucket, token=token or real_server.token
    )
    driven = Driven(site, wrong)
    for _ in range(4):
        driven.step()
    assert driven.forwarder.health().word is Word.FORBIDDEN
    (told,) = driven.told
    assert says in told and min(driven.waits_s) > 200
    driven.close()
    mended = Driven(site, to(real_server, bucket))
    mended.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    mended.close()


def test_one_line_that_is_refused_with_400_is_set_aside_alone(
    real_server: Influxd, bucket: str, proxies: list[BreakingProxy], tmp_path: Path
) -> None:
    site = one_day(tmp_path, real_server, bucket)
    wanted = expected_points(site)
    poison = next(key for key in wanted if key[0].startswith("level,sensor=house_level"))
    mark = f" {poison[1]}".encode()

    def mood(body: bytes) -> Mood:
        lines = gzip.decompress(body).splitlines()
        bad = any(line.startswith(b"level,sensor=house_level") and line.endswith(mark) for line in lines)
        return status(400) if bad else FORWARD

    proxies.append(BreakingProxy(real_server.url, mood))
    driven = Driven(site, to(real_server, bucket, url=proxies[0].url))
    driven.run()
    assert differences(real_server.points(bucket), {k: v for k, v in wanted.items() if k != poison}) == []
    file = CursorFile(site / "forwarder.db")
    ((_, refused),) = file.refused()
    file.close()
    assert refused.line.startswith("level,sensor=house_level") and "as the test asked" in refused.reason
    driven.close()


def test_points_that_the_server_itself_refuses_with_422_are_set_aside_with_its_reason(
    real_server: Influxd, bucket: str, tmp_path: Path
) -> None:
    site = make_site(tmp_path / "site", real_server, bucket)
    wanted = expected_points(site)
    runs = {key for key in wanted if key[0].startswith("pump_run,")}
    at_ms = min(t for _, t in runs)
    # An integer where ours are floats: in that week of the server's no float is taken any more.
    write = InfluxServer(url=real_server.url, org=real_server.org, bucket=bucket, token=real_server.token)
    assert write.write([f"pump_run,meter=x,site=x volume_l=5i {at_ms - 1}"]).word is Word.STORED
    write.close()
    driven = Driven(site, to(real_server, bucket))
    driven.run()
    got = {key: value for key, value in real_server.points(bucket).items() if "site=x" not in key[0]}
    refused = {key for key in runs if "volume_l" not in got.get(key, {})}
    assert refused and driven.forwarder.health().refused == len(refused)
    assert (
        differences(
            {k: v for k, v in got.items() if k not in refused}, {k: v for k, v in wanted.items() if k not in refused}
        )
        == []
    )
    assert any("set aside" in line and "volume_l" in line for line in driven.told)
    driven.close()


def test_a_server_that_takes_little_at_a_time_gets_little_at_a_time(
    real_server: Influxd, bucket: str, proxies: list[BreakingProxy], tmp_path: Path
) -> None:
    site = one_day(tmp_path, real_server, bucket)
    proxies.append(BreakingProxy(real_server.url, lambda body: status(413) if len(body) > 3_000 else FORWARD))
    driven = Driven(site, to(real_server, bucket, url=proxies[0].url))
    driven.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    assert driven.forwarder.health().refused == 0
    driven.close()


def test_a_clock_set_right_moves_the_points_that_were_sent(real_server: Influxd, bucket: str, tmp_path: Path) -> None:
    site = one_day(tmp_path, real_server, bucket)
    driven = Driven(site, to(real_server, bucket))
    driven.run()
    with LogWriter(site / "readings.db") as writer:
        assert writer.correct_boot(1, 3_600_123) is not None
    driven.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    driven.close()


def test_a_late_tip_that_makes_one_storm_of_two_leaves_one_on_the_server(
    real_server: Influxd, bucket: str, tmp_path: Path
) -> None:
    site = one_day(tmp_path, real_server, bucket)
    begin_ms = END_MS + 3_600_000 * 24
    hours = (0, 1, 10, 11, 30, 31)
    with LogWriter(site / "readings.db") as writer:
        gauge = writer.sensor_numbers({"rain_gauge": Kind.TIP})["rain_gauge"]
        boot = writer.begin_boot("logger", "late", 0)
        segment = writer.begin_segment(boot, 0, trusted=True)
        writer.append([(begin_ms + h * 3_600_000, gauge, segment, 2.0, 0, None, None) for h in hours])
    driven = Driven(site, to(real_server, bucket))
    driven.run()
    before = {key for key in real_server.points(bucket) if key[0].startswith("storm,")}
    assert (f"storm,gauge=rain_gauge,site={settings_of(site).site.name}", begin_ms + 10 * 3_600_000) in before
    with LogWriter(site / "readings.db") as writer:
        segment = writer.begin_segment(writer.begin_boot("logger", "later", 0), 0, trusted=True)
        writer.append([(begin_ms + 5 * 3_600_000 + 1, gauge, segment, 1.0, 0, None, None)])
    driven.run()
    assert differences(real_server.points(bucket), expected_points(site)) == []
    driven.close()


# --- the process ---------------------------------------------------------------------------------------------------


def started(site: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", "from rainstead.forward.process import main; main()", str(site)],
        stderr=subprocess.PIPE,
        text=True,
    )


def wait_for(what: Callable[[], bool], most_s: float = 60.0) -> None:
    end_s = time.monotonic() + most_s
    while not what():
        assert time.monotonic() < end_s, "it does not come"
        time.sleep(0.1)


def is_all_sent(site: Path) -> bool:
    if not (site / "forwarder.db").exists():
        return False
    settings = settings_of(site)
    assert settings.forward is not None
    server = server_of(settings.forward, site)
    file = CursorFile(site / "forwarder.db")
    cursor = file.load(server.name)
    file.close()
    server.close()
    return cursor.live_ms is not None and cursor.live_ms >= newest_ms(site) and not cursor.stretches


def newest_ms(site: Path) -> int:
    from rainstead.log import LogReader

    with LogReader(site) as reader:
        span = reader.span_ms()
    assert span is not None
    return span[1]


def test_the_process_killed_between_accept_and_cursor_and_the_server_killed_lose_and_double_nothing(
    mortal_server: Influxd, proxies: list[BreakingProxy], tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    bucket = mortal_server.new_bucket()
    child: list[subprocess.Popen[str]] = []
    request.addfinalizer(lambda: child[-1].kill() if child else None)  # also of a test that failed
    deaths = [2, 3, 5]

    def mood(_: bytes) -> Mood:
        if proxies[0].writes in deaths:
            # What is stored by then is not in the cursor.
            real = FORWARD
            child[0].send_signal(signal.SIGSTOP)
            return real
        return FORWARD

    proxies.append(BreakingProxy(mortal_server.url, mood))
    site = one_day(tmp_path, mortal_server, bucket, url=proxies[0].url)
    child.append(started(site))
    for death in deaths:
        wait_for(lambda death=death: proxies[0].writes >= death)  # type: ignore[misc]
        time.sleep(0.3)
        child[0].kill()
        child[0].communicate()
        if death == deaths[1]:
            mortal_server.kill()
            child[0] = started(site)
            wait_for(lambda: told(site) != "")
            mortal_server.start()
        else:
            child[0] = started(site)
    wait_for(lambda: is_all_sent(site))
    child[0].terminate()
    _, said = child[0].communicate(timeout=20)
    assert child[0].returncode == 0 and said.rstrip().endswith("stopped"), said
    assert differences(mortal_server.points(bucket), expected_points(site)) == []


def told(site: Path) -> str:
    if not (site / "forwarder.db").exists():
        return ""
    file = CursorFile(site / "forwarder.db")
    words = file.told()
    file.close()
    return words.get("reason", "")


def test_the_process_believes_a_ca_of_its_own_and_no_other(
    real_server: Influxd, bucket: str, proxies: list[BreakingProxy], tmp_path: Path
) -> None:
    authority = trustme.CA()
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    proxies.append(BreakingProxy(real_server.url, tls=context))
    site = one_day(tmp_path, real_server, bucket, url=proxies[0].url, more='ca_file = "own-ca.pem"')
    trustme.CA().cert_pem.write_to_path(site / "own-ca.pem")
    child = started(site)
    wait_for(lambda: "certificate" in told(site).lower())
    child.terminate()
    child.communicate(timeout=20)
    assert real_server.points(bucket) == {}
    authority.cert_pem.write_to_path(site / "own-ca.pem")
    child = started(site)
    wait_for(lambda: is_all_sent(site))
    child.terminate()
    child.communicate(timeout=20)
    assert differences(real_server.points(bucket), expected_points(site)) == []


# --- another server of the same interface --------------------------------------------------------------------------


def test_a_server_of_the_older_line_gets_exactly_what_the_log_holds(
    server_1: Influxd1, proxies: list[BreakingProxy], tmp_path: Path
) -> None:
    bucket = server_1.new_bucket()
    site = make_site(tmp_path / "site", server_1, bucket, days=1)
    proxies.append(BreakingProxy(server_1.url, listed([RESET, DEAF, FORWARD, status(503, Retry_After="5"), DEAF])))
    driven = Driven(site, to(server_1, bucket, url=proxies[0].url), most_lines=700)
    driven.run()
    assert differences(server_1.points(bucket), expected_points(site)) == []
    # It has no way to take points away: that is told, and what the log holds now is sent all the same.
    with LogWriter(site / "readings.db") as writer:
        writer.correct_boot(1, 3_600_123)
    driven.run()
    got, wanted = server_1.points(bucket), expected_points(site)
    assert all(got.get(key) == fields for key, fields in wanted.items())
    assert any("cannot be taken away" in line for line in driven.told)
    driven.close()
    nowhere = Driven(one_day(tmp_path / "b", server_1, bucket), to(server_1, "no-such-database/autogen"))
    for _ in range(3):
        nowhere.step()
    assert nowhere.forwarder.health().word is Word.FORBIDDEN
    nowhere.close()
    server_1.drop_bucket(bucket)

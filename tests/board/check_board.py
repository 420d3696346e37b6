"""On a virtual board: real systemd, kernel edges, serial lines, a clock that can be wrong, power that can be cut.

Run by `make board`, apart from `make test`: it needs root to build its image, an emulator, and some minutes. The tests
run in order and share one board.
"""

import json
import os
import random
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

HERE, ROOT = Path(__file__).parent, Path(__file__).parents[2]
FOLDER = Path(os.environ.get("BOARD_DIR", str(Path.home() / ".cache" / "rainstead-board")))
CUTS = int(os.environ.get("BOARD_CUTS", "20"))
KEEP = bool(os.environ.get("BOARD_KEEP"))
"""Go on with the disk of the run before, in which the first test has been done."""
STARTS = int(os.environ.get("BOARD_STARTS", "12"))

SITE = """
[site]
name = "Virtual board (invented)"
time_zone = "Europe/Lisbon"
latitude_deg = 39

[sensors.tank_level]
kind = "ranger-binary"
port = "/dev/ttyS1"
every = "1 s"
burst = "1 s"

[sensors.gauge]
kind = "tipping-bucket"
gpio = 17
calibrations = [{ depth_per_tip = "0.2 mm" }]

[sensors.meter]
kind = "flow-pulse"
gpio = 27
calibrations = [{ k_factor_per_l = 450 }]

[tanks.tank]
sensor = "tank_level"
face_height = 2.5
brim = 2.0
calibrations = [{ shape = "cylinder", diameter = 2.2 }]

[rain]
gauge = "gauge"

[pump]
source = "tank"
meter = "meter"

[log]
commit_every = "3 s"
"""

OUTWARD = """
[page]
port = 8035

[forward]
url = "http://127.0.0.1:9"
org = "home"
bucket = "water"
token_file = "server.token"

[messages.channels.shed]
address_file = "shed.address"
heartbeat_every = "1 min"
"""
"""Nobody listens at port 9, and port 8036 is the test's own."""

TOLD_TO = """
import http.server, sys
class Hears(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        told = self.rfile.read(int(self.headers["Content-Length"]))
        open("/run/told", "ab").write(told + b"\\n")
        self.send_response(200); self.end_headers()
    def log_message(self, *_): pass
http.server.HTTPServer(("127.0.0.1", 8036), Hears).serve_forever()
"""

COUNT = """
import json, sys
from rainstead.log import LogReader
found, last, untrusted = {}, 0, 0
with LogReader(__import__("pathlib").Path("/var/lib/rainstead")) as reader:
    for batch, trusted in reader.batches_with_trust():
        untrusted += int((~trusted).sum())
        last = max(last, int(batch.t_ms.max()))
        for k, name in enumerate(batch.names):
            mine = (batch.sensor == k) & (batch.value == batch.value)
            rows, total = found.get(name, (0, 0.0))
            found[name] = (rows + int(mine.sum()), total + float(batch.value[mine].sum()))
    json.dump({"of": found, "last_ms": last, "untrusted": untrusted, "damaged": len(reader.damaged)}, sys.stdout)
"""


def board(command: str, *, stdin: bytes = b"", check: bool = True, timeout_s: float = 900) -> str:
    """A command inside, as root; what it printed."""
    done = subprocess.run(
        [str(HERE / "in-board.sh"), command], input=stdin, capture_output=True, check=False, timeout=timeout_s
    )
    if check and done.returncode:
        raise AssertionError(f"{command}: {done.returncode}\n{done.stdout.decode()}\n{done.stderr.decode()}")
    return done.stdout.decode().strip()


def power(*how: str, **environment: str) -> None:
    subprocess.run([str(HERE / "boot.sh"), *how], check=True, env={**os.environ, **environment}, timeout=900)


def counted() -> dict[str, list[float]]:
    """Readings with a value, and the sum of their values, for each sensor in the log."""
    found: dict[str, list[float]] = log()["of"]
    return found


def log() -> dict[str, Any]:
    told: dict[str, Any] = json.loads(board("/opt/rainstead/bin/python -", stdin=COUNT.encode()))
    return told


def total(sensor: str) -> float:
    return counted().get(sensor, [0, 0.0])[1]


def until(what: str, true_s: float, asked: object) -> None:
    """Wait for something inside to become true."""
    end_s = time.monotonic() + true_s
    while time.monotonic() < end_s:
        if callable(asked) and asked():
            return
        time.sleep(2)
    raise AssertionError(
        f"not within {true_s:.0f} s: {what}\n{board('journalctl -u rainstead-logger -n 30 --no-pager')}"
    )


def active() -> bool:
    return board("systemctl is-active rainstead-logger", check=False) == "active"


class Ranger(threading.Thread):
    """Sends four-byte frames to the board's serial line, ten a second, whoever listens."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.stop = threading.Event()

    def run(self) -> None:
        mm = 1500
        frame = bytes([0xFF, mm >> 8, mm & 0xFF, (0xFF + (mm >> 8) + (mm & 0xFF)) & 0xFF])
        while not self.stop.is_set():
            try:
                with socket.socket(socket.AF_UNIX) as line:
                    line.connect(str(FOLDER / "ttyS1.sock"))
                    line.settimeout(5)
                    while not self.stop.wait(0.1):
                        line.sendall(frame)
            except OSError:
                self.stop.wait(0.5)


@pytest.fixture(scope="module", autouse=True)
def virtual_board() -> Iterator[None]:
    subprocess.run([str(HERE / "build-image.sh")], check=True, timeout=1800)
    power("cut")
    power("start", *([] if KEEP else ["--fresh"]))
    ranger = Ranger()
    ranger.start()
    yield
    ranger.stop.set()
    power("cut")


def test_the_wheel_and_the_units_install_by_the_documented_steps(tmp_path: Path) -> None:
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "-q",
            "--no-deps",
            "--no-build-isolation",
            "-w",
            str(tmp_path),
            str(ROOT),
        ],
        check=True,
    )
    (wheel,) = tmp_path.glob("*.whl")
    board(f"cat > /opt/wheels/{wheel.name}", stdin=wheel.read_bytes())
    # As the README has it, but from wheels that are there already, and without the desk's heaviest libraries.
    board("python3 -m venv --system-site-packages /opt/rainstead")
    board(
        "/opt/rainstead/bin/pip install -q --no-index --find-links /opt/wheels"
        f" '/opt/wheels/{wheel.name}[board,page,messages]' typer rich influxdb-client",
        timeout_s=900,
    )
    told = board("sh /opt/rainstead/share/rainstead/systemd/install")
    assert "settings new" in told
    board("cat > /var/lib/rainstead/site.toml && chown rainstead: /var/lib/rainstead/site.toml", stdin=SITE.encode())
    assert "is good" in board("/opt/rainstead/bin/rainstead settings check /var/lib/rainstead/site.toml")
    board("systemctl start rainstead-logger")
    assert active()
    until("levels in the log", 90, lambda: counted().get("tank_level", [0])[0] > 5)


def test_the_service_comes_up_at_boot() -> None:
    power("off")
    power("start")
    until("the logger is active", 120, active)
    before = counted()["tank_level"][0]
    until("new levels", 120, lambda: counted()["tank_level"][0] > before)


def as_user(user: str, command: str) -> str:
    """What a process of that service's user, in its group and in its view of the disk, is told."""
    pid = board(f"systemctl show {user} -P MainPID")
    within = f"nsenter -t {pid} -m setpriv --reuid {user} --regid rainstead --clear-groups"
    return board(f"{within} sh -c '{command}' 2>&1 || true")


def test_each_service_is_a_user_of_its_own_and_does_its_work() -> None:
    site = "/var/lib/rainstead"
    board(f"cat >> {site}/site.toml", stdin=OUTWARD.encode())
    board(f"install -m 600 -o rainstead-forwarder /dev/stdin {site}/server.token", stdin=b"a token")
    address = b"json://127.0.0.1:8036/"
    board(f"install -m 600 -o rainstead-messenger /dev/stdin {site}/shed.address", stdin=address)
    board("cat > /run/hears.py && systemd-run -q --unit hears python3 /run/hears.py", stdin=TOLD_TO.encode())
    board("systemctl restart rainstead-logger rainstead-forwarder rainstead-messenger rainstead-page")
    get = (
        "python3 -c 'import urllib.request as u; "
        'print(u.urlopen("http://127.0.0.1:8035/now.json", timeout=20).read().decode())\''
    )
    until("the page answers", 900, lambda: '"tanks"' in board(get, check=False))
    until("a heartbeat", 900, lambda: "Sign of life" in board("cat /run/told", check=False))
    for unit in ("forwarder", "messenger", "page"):
        pid = board(f"systemctl show rainstead-{unit} -P MainPID")
        assert board(f"stat -c %U:%G /proc/{pid}") == f"rainstead-{unit}:rainstead"
    until("the forwarder's file", 300, lambda: board(f"stat -c %U {site}/forwarder.db", check=False) != "")
    assert board(f"stat -c %U {site}/forwarder.db") == "rainstead-forwarder"
    for unit in ("backup", "verify"):
        board(f"systemctl start rainstead-{unit}")
        assert board(f"systemctl show rainstead-{unit} -P Result") == "success"
    assert set(board("stat -c %U /var/lib/rainstead-backup/*.db").split()) == {"rainstead-backup"}
    # What one of them could be made to do.
    for user in ("rainstead-forwarder", "rainstead-messenger", "rainstead-page"):
        for done in (
            "echo x >> {0}/readings.db",
            "rm {0}/readings.db",
            "echo x >> {0}/site.toml",
            "mv {0}/site.toml {0}/x",
        ):
            told = as_user(user, done.format(site))
            assert any(no in told for no in ("Read-only file system", "busy", "Permission denied")), (user, done, told)
    assert "Permission denied" in as_user("rainstead-page", f"cat {site}/server.token {site}/shed.address")
    assert "Permission denied" in as_user("rainstead-messenger", f"cat {site}/server.token")
    # A reader that opens the log while no logger runs must not lock it out.
    before = counted()["tank_level"][0]
    board("systemctl stop rainstead-logger")
    assert '"tanks"' in board(get)
    board("systemctl start rainstead-logger")
    until("new levels", 120, lambda: counted()["tank_level"][0] > before)
    used = [
        f"{unit} {int(board(f'systemctl show rainstead-{unit} -P MemoryCurrent')) / 2**20:.0f} MiB"
        for unit in ("logger", "forwarder", "messenger", "page")
    ]
    print(f"\n  memory by the service manager's count: {', '.join(used)}")
    board("systemctl stop rainstead-forwarder rainstead-messenger rainstead-page hears")
    board("systemctl -q disable rainstead-forwarder rainstead-messenger rainstead-page")


@pytest.mark.parametrize("hertz", [5, 50, 200, 1000])
def test_pulses_from_kernel_edges_are_counted_whole(hertz: int) -> None:
    count, before = 20 * hertz if hertz < 100 else 5 * hertz, total("meter")
    made = board(f"pulses 27 {hertz} {count}")
    until(f"{count} pulses", 60, lambda: total("meter") - before >= count)
    assert total("meter") - before == count
    print(f"\n  asked {hertz} Hz: {made}; counted {count} of {count}")


def test_tips_from_kernel_edges_are_counted_whole() -> None:
    before = total("gauge")
    made = board("pulses 17 1 30")
    until("30 tips", 60, lambda: total("gauge") - before >= 30)
    assert total("gauge") - before == 30
    print(f"\n  {made}; counted 30 of 30")


def test_no_start_misses_the_edges_that_follow_it() -> None:
    for _ in range(STARTS):
        before = total("meter")
        board("systemctl restart rainstead-logger")
        board("pulses 27 50 20")
        until("20 pulses", 60, lambda before=before: total("meter") - before >= 20)
    print(f"\n  {STARTS} starts, none of them deaf")


def test_a_hung_logger_is_started_again_by_the_watchdog() -> None:
    board("mkdir -p /run/systemd/system/rainstead-logger.service.d")
    board(
        "printf '[Service]\\nWatchdogSec=20\\nTimeoutAbortSec=3\\n' >"
        " /run/systemd/system/rainstead-logger.service.d/test.conf && systemctl daemon-reload"
    )
    board("systemctl restart rainstead-logger")
    until("the logger is active", 60, active)
    pid = board("systemctl show rainstead-logger -P MainPID")
    begun_s = time.monotonic()
    board(f"kill -STOP {pid}")
    until("another process", 120, lambda: board("systemctl show rainstead-logger -P MainPID") not in (pid, "0"))
    took_s = time.monotonic() - begun_s
    until("the logger is active", 60, active)
    assert board("systemctl show rainstead-logger -P NRestarts") != "0"
    before = counted()["tank_level"][0]
    until("new levels", 120, lambda: counted()["tank_level"][0] > before)
    print(f"\n  hung; another process after {took_s:.0f} s (WatchdogSec 20, TimeoutAbortSec 3, RestartSec 10)")
    board("rm -r /run/systemd/system/rainstead-logger.service.d && systemctl daemon-reload")
    board("systemctl restart rainstead-logger")


def test_power_cuts_lose_nothing_that_was_committed() -> None:
    rnd = random.Random(7)
    held, booted = counted(), 0
    for _ in range(CUTS):
        time.sleep(rnd.uniform(1, 12))
        told = board(
            "sqlite3 -readonly /var/lib/rainstead/readings.db"
            " 'select (select count(*) from reading) + (select coalesce(sum(count), 0) from block)'",
            check=False,
        )
        power("cut")
        power("start")
        booted += 1
        until("the logger is active", 180, active)
        assert board("sqlite3 -readonly /var/lib/rainstead/readings.db 'pragma integrity_check'") == "ok"
        after = log()
        assert after["damaged"] == 0
        for name, (rows, _) in held.items():
            assert after["of"][name][0] >= rows
        if told:
            there = int(
                board(
                    "sqlite3 -readonly /var/lib/rainstead/readings.db"
                    " 'select (select count(*) from reading) + (select coalesce(sum(count), 0) from block)'"
                )
            )
            assert there >= int(told), (there, told)
        held = after["of"]
    print(f"\n  {booted} power cuts, nothing committed lost")


def test_a_boot_with_the_clock_years_off_ends_with_right_stamps() -> None:
    power("off")
    power("start", BOARD_RTC="2031-05-01T12:00:00")
    until("the logger is active", 120, active)
    assert board("date +%Y") == "2031"
    until("readings of the wrong year", 120, lambda: log()["last_ms"] / 1000 > time.time() + 3e7)
    # Nobody ever set the clock of the boots before, so theirs stay as they are.
    untrusted = log()["untrusted"]
    now = int(time.time())
    board(f"date -s @{now} >/dev/null")
    board("/opt/rainstead/bin/rainstead clock confirm --site /var/lib/rainstead")
    until("the stamps of this boot are right", 120, lambda: log()["untrusted"] < untrusted)
    found = log()
    assert abs(int(found["last_ms"]) / 1000 - time.time()) < 600
    told = f"{untrusted - found['untrusted']} readings put right, none later than now"
    print(f"\n  begun in 2031, set to {time.strftime('%Y', time.gmtime(now))}: {told}")


def gone() -> bool:
    """Whether the emulator has ended: it does not boot again by itself."""
    try:
        return Path(f"/proc/{(FOLDER / 'qemu.pid').read_text().strip()}/comm").read_text() != "qemu-system-x86\n"
    except OSError:
        return True


def test_a_disk_that_turned_read_only_is_given_one_reboot_and_takes_readings_again() -> None:
    """The site's folder moves to a file system of its own, which an error ends as a whole."""
    site = "/var/lib/rainstead"
    board("systemctl stop rainstead-logger")
    board("truncate -s 500M /site.img && mkfs.ext4 -q -F -m 0 /site.img && mount -o loop /site.img /mnt")
    board(f"cp -a {site}/. /mnt/ && chown --reference={site} /mnt && chmod --reference={site} /mnt && umount /mnt")
    board(f"echo '/site.img {site} ext4 loop,errors=remount-ro 0 0' >> /etc/fstab && mount {site}")
    # So that it takes no day, and a memory of two minutes.
    quick = 's/^commit_every.*/&\\nmost_waiting = 100\\nreboot_after = "30 s"/'
    board(f"sed -i '{quick}' {site}/site.toml && systemctl start rainstead-logger")
    assert board("systemctl is-active rainstead-reboot.path") == "active"
    before = counted()["tank_level"][0]
    until("half a minute of levels", 300, lambda: counted()["tank_level"][0] > before + 45)
    assert board(f"stat -c '%U %s' {site}/spare-room") == "rainstead 32000000"
    before, begun_s = counted()["tank_level"][0], time.monotonic()
    # On a file system that has ended this way nothing brings writing back but a mount anew.
    board(f"mount -o remount,abort {site} || true")
    assert "ead-only" in board(f"touch {site}/anything 2>&1 || true")
    while not gone() and time.monotonic() - begun_s < 900:
        time.sleep(2)
    assert gone(), board("journalctl -u rainstead-logger -u rainstead-reboot.path -n 30 --no-pager")
    took_s = time.monotonic() - begun_s
    power("start")
    until("the logger is active", 180, active)
    until("new levels", 180, lambda: counted()["tank_level"][0] > before + 5)
    assert board("ls /run/rainstead").split() == ["health.json", "stored.json"]
    assert board(f"sqlite3 -readonly {site}/readings.db 'pragma integrity_check'") == "ok"
    assert log()["damaged"] == 0
    print(f"\n  read-only; the board went down after {took_s:.0f} s, with a memory of 100 readings")

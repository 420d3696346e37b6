"""The services as they are laid: by the installer, into a folder, without being root."""

import configparser
import contextlib
import os
import re
import shutil
import subprocess
import sys
from ipaddress import ip_network
from pathlib import Path

import pytest
from small_site import make_site

from rainstead.upkeep import BackupAccount, CheckAccount, leave_account, read_backup_account, read_check_account
from rainstead_board.rebootwish import WISH_FILE

FOLDER = Path(__file__).parents[2] / "systemd"
UNITS = sorted(path.name for path in FOLDER.iterdir() if path.suffix in (".service", ".timer", ".path"))
SERVICES = [name for name in UNITS if name.endswith(".service")]
MOST_EXPOSED = 1.5


def install(destdir: Path, *options: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        ["sh", FOLDER / "install", *options],
        env={**os.environ, "DESTDIR": str(destdir), **environment},
        capture_output=True,
        text=True,
        check=False,
    )


def laid(destdir: Path) -> dict[str, str]:
    return {str(p.relative_to(destdir)): p.read_text("utf-8") for p in sorted(destdir.rglob("*")) if p.is_file()}


def directives(unit: str) -> dict[str, list[str]]:
    """Each key of a unit with all that is given to it."""
    found: dict[str, list[str]] = {}
    for line in (FOLDER / unit).read_text("utf-8").splitlines():
        if match := re.fullmatch(r"([A-Z]\w+)=(.*)", line):
            found.setdefault(match[1], []).append(match[2])
    return found


@pytest.fixture
def prefix(tmp_path: Path) -> Path:
    """An environment with the programs that the units name."""
    folder = tmp_path / "prefix"
    (folder / "bin").mkdir(parents=True)
    for unit in UNITS:
        for start in directives(unit).get("ExecStart", []):
            program = folder / "bin" / Path(start.split()[0]).name
            program.write_text("#!/bin/sh\n")
            program.chmod(0o755)
    return folder


def test_every_unit_is_laid_and_verified(tmp_path: Path, prefix: Path) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("there is no systemd-analyze here")
    done = install(tmp_path / "root", "--prefix", str(prefix), WITH_BACKOFF="yes")
    assert done.returncode == 0, done.stderr
    units = tmp_path / "root/etc/systemd/system"
    # The drop-in for newer managers is left out: an older one tells of its keys.
    shutil.rmtree(units / "rainstead-logger.service.d")
    said = subprocess.run(
        ["systemd-analyze", "verify", *[units / name for name in UNITS]], capture_output=True, text=True, check=False
    )
    ours = [line for line in said.stderr.splitlines() if "rainstead" in line]
    assert ours == []
    assert said.returncode == 0


@pytest.mark.parametrize("unit", SERVICES)
def test_a_service_is_confined(unit: str) -> None:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("there is no systemd-analyze here")
    said = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", "--no-pager", FOLDER / unit],
        capture_output=True,
        text=True,
        check=False,
    )
    score = re.search(r"exposure level for \S+: ([\d.]+)", said.stdout)
    assert score is not None, said.stdout + said.stderr
    assert float(score[1]) <= MOST_EXPOSED


def test_the_logger_waits_for_no_network_and_no_clock_and_is_never_given_up() -> None:
    unit = directives("rainstead-logger.service")
    order = " ".join([*unit["After"], *unit.get("Wants", []), *unit.get("Requires", [])])
    assert "time-sync" not in order and "network" not in order
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert unit["Restart"] == ["always"]
    assert "ProtectClock" not in unit, "it would refuse to tell whether the clock is synchronised"
    assert "adjtimex" in unit["SystemCallFilter"][-1].split()
    assert unit["PrivateNetwork"] == ["yes"]
    assert "gpio" in unit["SupplementaryGroups"][0].split() and "dialout" in unit["SupplementaryGroups"][0].split()
    assert any("char-gpiochip" in allowed for allowed in unit["DeviceAllow"])


@pytest.mark.parametrize("name", ["logger", "forwarder", "messenger", "page"])
def test_a_settings_file_that_is_gone_keeps_no_service_from_the_copy_in_the_log(name: str) -> None:
    conditions = directives(f"rainstead-{name}.service")["ConditionPathExists"]
    assert conditions == ["|/var/lib/rainstead/site.toml", "|/var/lib/rainstead/readings.db"]


@pytest.mark.parametrize("unit", ["rainstead-backup.service", "rainstead-verify.service"])
def test_what_the_nightly_services_start_does_its_work(tmp_path: Path, unit: str) -> None:
    site, backups = tmp_path / "site", tmp_path / "backups"
    make_site(site, [("2026-02-10T12:00:00", "house_level", 900.0)])
    backups.mkdir()
    (start,) = directives(unit)["ExecStart"]
    program, *words = (
        start.replace("${RAINSTEAD_BACKUP_TO}", str(backups)).replace("/var/lib/rainstead", str(site)).split()
    )
    assert program == "/opt/rainstead/bin/rainstead"
    run = [sys.executable, "-c", "from rainstead.cli import main; main()", *words]
    done = subprocess.run(run, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    assert len(list(backups.glob("readings-*.db"))) == (unit == "rainstead-backup.service")


def test_each_service_is_a_user_of_its_own_in_the_logs_group() -> None:
    """What one of them could be made to do ends at what its own user may: a token is the forwarder's alone."""
    users = {name: directives(name)["User"] for name in SERVICES}
    assert all(len(user) == 1 for user in users.values())
    assert len({user[0] for user in users.values()}) == len(SERVICES)
    assert {tuple(directives(name)["Group"]) for name in SERVICES} == {("rainstead",)}
    made = (FOLDER / "rainstead.sysusers").read_text("utf-8").splitlines()
    for (user,) in users.values():
        assert any(line.startswith(f"u {user} ") for line in made)
        assert user == "rainstead" or f"m {user} rainstead" in made


@pytest.mark.parametrize("unit", [name for name in SERVICES if name != "rainstead-logger.service"])
def test_whoever_is_not_the_logger_can_alter_neither_log_nor_settings_and_opens_no_device(unit: str) -> None:
    has = directives(unit)
    assert {"-/var/lib/rainstead/readings.db", "-/var/lib/rainstead/site.toml"} <= set(has["ReadOnlyPaths"][0].split())
    assert has["PrivateDevices"] == ["yes"] and "DeviceAllow" not in has and "SupplementaryGroups" not in has
    # The service manager would give the whole folder to this service's user.
    assert "StateDirectory" not in has
    # The folder's set-group bit hands the group on, and the group may read.
    assert has["UMask"] == ["0027"]


def test_what_the_nightly_services_did_is_noted_where_they_may_write_and_the_logger_reads(tmp_path: Path) -> None:
    site = tmp_path / "site"
    make_site(site, [("2026-02-10T12:00:00", "house_level", 900.0)])
    for name in ("backup", "verify"):
        has = directives(f"rainstead-{name}.service")
        assert "/var/lib/rainstead" in has["ReadWritePaths"][0].split()
        (start,) = has["ExecStart"]
        # No such folder: a stick that was pulled.
        words = start.replace("${RAINSTEAD_BACKUP_TO}", str(tmp_path / "stick")).replace(
            "/var/lib/rainstead", str(site)
        )
        run = [sys.executable, "-c", "from rainstead.cli import main; main()", *words.split()[1:]]
        subprocess.run(run, capture_output=True, check=False, timeout=60)
    backup, check = read_backup_account(site), read_check_account(site)
    assert isinstance(backup, BackupAccount) and isinstance(check, CheckAccount)
    assert backup.is_nightly and backup.is_failing and backup.failed is not None
    assert "is the stick mounted?" in backup.failed.said
    assert check.done is not None and not check.found_damage


def test_what_one_services_user_leaves_another_reads_and_replaces(tmp_path: Path) -> None:
    """As the units do it: a folder with the set-group bit, users of that group, and the mask of the units."""
    if os.geteuid() != 0:
        pytest.skip("only root may become others")
    group, users = 64_321, (64_322, 64_323)
    os.chown(tmp_path, users[0], group)
    tmp_path.chmod(0o2770)

    def as_user(user: int, place: str) -> str:
        """What that user reads, before it leaves its own; from within the folder, whose parents are not for it."""
        read_end, write_end = os.pipe()
        if (child := os.fork()) == 0:
            with contextlib.suppress(BaseException):
                os.chdir(tmp_path)
                os.setgroups([])
                os.setgid(group)
                os.setuid(user)
                os.umask(0o027)
                was = read_backup_account(Path())
                leave_account(Path(), BackupAccount(place, True, False))
                os.write(write_end, (was.place if isinstance(was, BackupAccount) else str(was)).encode())
            os._exit(0)
        os.close(write_end)
        os.waitpid(child, 0)
        with open(read_end, "rb") as told:  # noqa: PTH123 - it is no path
            return told.read().decode()

    assert [as_user(users[1], "/a"), as_user(users[0], "/b"), as_user(users[1], "/c")] == ["None", "/a", "/b"]


def test_the_nightly_services_reach_no_network_and_make_up_for_a_night_without_power() -> None:
    for name in ("backup", "verify"):
        assert directives(f"rainstead-{name}.service")["PrivateNetwork"] == ["yes"]
        assert directives(f"rainstead-{name}.timer")["Persistent"] == ["yes"]


def test_the_page_reaches_private_networks_alone() -> None:
    unit = directives("rainstead-page.service")
    assert unit["IPAddressDeny"] == ["any"]
    for allowed in unit["IPAddressAllow"][0].split():
        assert allowed in ("localhost", "link-local") or ip_network(allowed).is_private or allowed == "100.64.0.0/10"


def test_only_the_loggers_own_user_can_have_the_board_rebooted_and_only_by_its_wish(tmp_path: Path) -> None:
    unit = directives("rainstead-reboot.path")
    (runtime,) = directives("rainstead-logger.service")["RuntimeDirectory"]
    assert unit["PathExists"] == [f"/run/{runtime}/{WISH_FILE}"] and unit["Unit"] == ["reboot.target"]
    # Nobody but its owner may write there.
    assert directives("rainstead-logger.service")["RuntimeDirectoryMode"] == ["0750"]
    assert [key for key in unit if key.startswith(("Path", "Directory"))] == ["PathExists"]
    done = install(tmp_path)
    order = [line for line in done.stdout.splitlines() if "enable" in line]
    # The logger, which takes an old wish back when it starts, is there before anybody heeds one.
    assert order[-1] == "run     systemctl enable rainstead-reboot.path"
    assert "run     systemctl disable --now rainstead-reboot.path" in install(tmp_path, "--uninstall").stdout


@pytest.mark.parametrize(
    "unit", ["rainstead-forwarder.service", "rainstead-messenger.service", "rainstead-page.service"]
)
def test_what_starting_again_cannot_mend_is_not_started_again(unit: str) -> None:
    has = directives(unit)
    assert has["RestartPreventExitStatus"] == ["2 6"] and has["SuccessExitStatus"] == ["6"]
    assert has["StartLimitIntervalSec"] == ["0"] and has["Restart"] == ["always"]


def test_a_file_that_an_earlier_version_made_becomes_the_forwarders(tmp_path: Path) -> None:
    site = tmp_path / "var/lib/rainstead"
    site.mkdir(parents=True)
    assert "chown" not in install(tmp_path).stdout
    (site / "forwarder.db").touch()
    assert f"run     chown rainstead-forwarder: {site}/forwarder.db" in install(tmp_path).stdout.splitlines()


def test_a_kernel_that_hangs_is_reset_by_the_boards_own_counter(tmp_path: Path) -> None:
    install(tmp_path)
    path = tmp_path / "etc/systemd/system.conf.d/rainstead.conf"
    manager = configparser.ConfigParser()
    manager.read(path)
    counts_s = int(manager["Manager"]["RuntimeWatchdogSec"].removesuffix("s"))
    # The counter of a small board's chip reaches 15 s, and more is refused as a whole; too little resets a busy one.
    assert 10 <= counts_s < 15
    install(tmp_path, "--uninstall")
    assert not path.exists()


def test_laying_twice_changes_nothing(tmp_path: Path) -> None:
    install(tmp_path)
    before = laid(tmp_path)
    again = install(tmp_path)
    assert laid(tmp_path) == before and before
    assert "\nlay " not in "\n" + again.stdout


def test_a_dry_run_says_everything_and_does_nothing(tmp_path: Path) -> None:
    told = install(tmp_path, "--dry-run")
    assert told.returncode == 0
    assert laid(tmp_path) == {}
    done = install(tmp_path)
    assert done.stdout == told.stdout


def test_another_folder_and_another_site_are_used_everywhere(tmp_path: Path) -> None:
    done = install(tmp_path, "--prefix", "/srv/tools/rs", "--site", "/srv/valley")
    assert done.returncode == 0, done.stderr
    everything = "\n".join(laid(tmp_path).values())
    assert "/opt/rainstead" not in everything and "/var/lib/rainstead" not in everything
    assert "ExecStart=/srv/tools/rs/bin/rainstead-logger /srv/valley" in everything
    assert "ReadWritePaths=/srv/valley" in everything


def test_uninstalling_takes_the_services_and_leaves_the_site(tmp_path: Path) -> None:
    install(tmp_path, WITH_BACKOFF="yes")
    site = tmp_path / "var/lib/rainstead"
    site.mkdir(parents=True)
    for name in ("site.toml", "readings.db", "notebook.db", "spare-room", "spare-room.new"):
        (site / name).write_text("kept, but for the spare room")
    done = install(tmp_path, "--uninstall")
    assert done.returncode == 0, done.stderr
    assert sorted(laid(tmp_path)) == [
        f"var/lib/rainstead/{name}" for name in ("notebook.db", "readings.db", "site.toml")
    ]
    assert install(tmp_path, "--uninstall").returncode == 0


@pytest.mark.parametrize("site", ["/var/lib/rainstead", "/srv/rain"])
def test_uninstalling_names_the_folder_in_which_the_backups_lie(tmp_path: Path, site: str) -> None:
    install(tmp_path, "--site", site)
    unit = laid(tmp_path)["etc/systemd/system/rainstead-backup.service"]
    (place,) = re.findall("^Environment=RAINSTEAD_BACKUP_TO=(.*)", unit, re.MULTILINE)
    assert f"{tmp_path}{place} (backups)" in install(tmp_path, "--uninstall", "--site", site).stdout


@pytest.mark.parametrize("options", [["--site", "here"], ["--site", "/a b"], ["--prefix"], ["--what"]])
def test_what_cannot_be_is_refused_before_anything_is_laid(tmp_path: Path, options: list[str]) -> None:
    done = install(tmp_path, *options)
    assert done.returncode == 2
    assert done.stderr.startswith("install: ")
    assert laid(tmp_path) == {}

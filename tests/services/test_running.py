"""How a program of ours begins and ends: one code for one meaning, one line for a person."""

import logging
import os
import signal
from pathlib import Path

import pytest
from fake_clock import FakeClock

from rainstead.errors import HeldByAnother, LogBusy, SettingsError
from rainstead.holding import Hold, is_held
from rainstead.running import (
    BROKE_OFF,
    HELD_BY_ANOTHER,
    NOTHING_TO_DO,
    WANTS_MENDING,
    BrokeOff,
    NothingToDo,
    only_one,
    until_told,
    wait_until,
)

JOURNAL = logging.getLogger("rainstead.tried")


@pytest.fixture(autouse=True)
def signals(monkeypatch: pytest.MonkeyPatch) -> dict[int, object]:
    """What would be done for each signal."""
    kept: dict[int, object] = {}
    monkeypatch.setattr(signal, "signal", kept.__setitem__)
    return kept


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (BrokeOff("it hangs"), BROKE_OFF),
        (SettingsError("brim = 0"), WANTS_MENDING),
        (HeldByAnother("process 7 has it"), HELD_BY_ANOTHER),
        (LogBusy("process 7 writes it"), HELD_BY_ANOTHER),
        (NothingToDo("nothing is asked for"), NOTHING_TO_DO),
    ],
)
def test_each_end_is_one_line_and_a_code_of_its_own(
    error: Exception, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end, until_told("rainstead-tried", "Be tried.", ["site"], JOURNAL):
        raise error
    assert end.value.code == code
    assert capsys.readouterr().err == f"rainstead-tried: {error}\n"


def test_the_codes_differ_and_are_none_of_those_that_a_signal_or_a_shell_gives() -> None:
    codes = [BROKE_OFF, WANTS_MENDING, HELD_BY_ANOTHER, NOTHING_TO_DO]
    assert len(set(codes)) == 4 and min(codes) > 0 and max(codes) < 126


def test_words_that_it_does_not_know_are_for_a_person_to_mend(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as end, until_told("rainstead-tried", "Be tried.", [], JOURNAL):
        pass
    assert end.value.code == WANTS_MENDING
    assert "rainstead-tried: error: the following arguments are required: site" in capsys.readouterr().err


def test_a_signal_ends_it_and_that_is_no_failure(
    signals: dict[int, object], caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    caplog.set_level(logging.INFO)
    monkeypatch.chdir(tmp_path)
    with until_told("rainstead-tried", "Be tried.", ["site"], JOURNAL) as (folder, stopped):
        assert folder == tmp_path / "site"
        assert not stopped()
        heeded = signals[signal.SIGTERM]
        assert callable(heeded)
        heeded(signal.SIGTERM, None)
        assert stopped()
    assert caplog.messages == ["stopped"]
    assert set(signals) == {signal.SIGTERM, signal.SIGINT}


def test_a_library_that_is_wanted_is_named_and_one_that_nobody_thought_of_is_an_error_of_ours(
    capsys: pytest.CaptureFixture[str],
) -> None:
    libraries = {"a_library": ("a-library", "desk")}
    with pytest.raises(SystemExit) as end, until_told("rainstead-tried", "", ["site"], JOURNAL, libraries):
        raise ModuleNotFoundError("no", name="a_library.inner")
    assert end.value.code == WANTS_MENDING
    told = "rainstead-tried: a-library is not installed here; `pip install 'rainstead[desk]'` adds it\n"
    assert capsys.readouterr().err == told
    with pytest.raises(ModuleNotFoundError), until_told("rainstead-tried", "", ["site"], JOURNAL, libraries):
        raise ModuleNotFoundError("no", name="another")


def test_there_is_only_one_and_the_second_is_told_which(tmp_path: Path) -> None:
    path = tmp_path / "tried.lock"
    with only_one(path, "trying this", JOURNAL):
        assert is_held(path) is True
        told = rf"{tmp_path}: process {os.getpid()} is trying this already; stop that one first"
        with pytest.raises(HeldByAnother, match=told), only_one(path, "trying this", JOURNAL):
            pass
    assert is_held(path) is False
    Hold(path).release()


def test_a_folder_that_takes_no_file_does_not_keep_it_from_its_work(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    done = []
    with only_one(tmp_path / "nowhere" / "tried.lock", "trying this", JOURNAL):
        done.append("work")
    assert done == ["work"]
    assert "cannot be made (No such file or directory)" in caplog.text


def test_a_long_wait_heeds_a_signal_within_a_second() -> None:
    clock = FakeClock()
    began_ms = clock.boot_ms()
    wait_until(clock, began_ms + 60_000, lambda: clock.boot_ms() >= began_ms + 5_500)
    assert clock.boot_ms() - began_ms <= 6_500
    wait_until(clock, began_ms + 60_000, lambda: False)
    assert clock.boot_ms() == began_ms + 60_000

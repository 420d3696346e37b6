"""A file that one process holds."""

import os
from pathlib import Path

import pytest

from rainstead.holding import AlreadyHeld, Hold, is_held


def test_a_file_that_is_held_is_seen_refused_and_free_again_afterwards(tmp_path: Path) -> None:
    path = tmp_path / "a.lock"
    assert is_held(path) is False
    hold = Hold(path)
    assert is_held(path) is True
    with pytest.raises(AlreadyHeld, match=f"process {os.getpid()} holds this"):
        Hold(path)
    hold.release()
    assert is_held(path) is False
    Hold(path).release()


def test_a_link_in_its_place_empties_no_other_file(tmp_path: Path) -> None:
    (tmp_path / "token").write_text("precious")
    (tmp_path / "a.lock").symlink_to(tmp_path / "token")
    with pytest.raises(OSError, match="symbolic links"):
        Hold(tmp_path / "a.lock")
    assert (tmp_path / "token").read_text() == "precious"

"""The server's token: a file that one user alone can read."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from rainstead.errors import SettingsError
from rainstead.forward.token import read_token

NOBODY = 65534


@pytest.fixture
def as_another() -> Iterator[None]:
    """Root may read everything; others are another user than the file's owner by its mode."""
    was = os.geteuid()
    if was == 0:
        os.seteuid(NOBODY)
    yield
    os.seteuid(was)


def test_a_token_of_another_users_names_the_remedy(
    tmp_path: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "server.token"
    path.write_text("secret-word")
    path.chmod(0o000)
    monkeypatch.chdir(tmp_path)  # whose parents root alone may enter
    request.getfixturevalue("as_another")
    with pytest.raises(SettingsError) as told:
        read_token(Path("server.token"), "forward.token_file")
    assert "forward.token_file = server.token: may not be read" in str(told.value)
    assert "chown rainstead-forwarder" in str(told.value)
    assert "secret-word" not in str(told.value)


def test_a_token_file_that_is_missing_or_empty_is_named(tmp_path: Path) -> None:
    path = tmp_path / "server.token"
    with pytest.raises(SettingsError, match=r"forward\.token_file = .*: cannot be read"):
        read_token(path, "forward.token_file")
    path.write_text(" \n")
    with pytest.raises(SettingsError, match="is empty"):
        read_token(path, "forward.token_file")

"""What is told of the [forward] table before a forwarder runs."""

from pathlib import Path

import pytest
from small_site import SETTINGS, make_site
from typer.testing import CliRunner, Result

from rainstead.cli.commands import app
from rainstead.errors import SettingsError
from rainstead.forward import CursorFile
from rainstead.holding import Hold

TABLE = '\n[forward]\nurl = "http://127.0.0.1:8086"\norg = "home"\nbucket = "water"\ntoken_file = "server.token"\n'


def checked(folder: Path, table: str = TABLE) -> Result:
    (folder / "site.toml").write_text(SETTINGS + table)
    return CliRunner().invoke(app, ["settings", "check", str(folder / "site.toml")])


@pytest.mark.parametrize(("key", "value"), [("org", "home"), ("bucket", "water"), ("token_file", "server.token")])
def test_an_empty_name_is_a_mistake(tmp_path: Path, key: str, value: str) -> None:
    error = checked(tmp_path, TABLE.replace(f'{key} = "{value}"', f'{key} = ""')).exception
    assert isinstance(error, SettingsError)
    assert f'forward.{key} = "": is empty' in str(error)


def test_a_token_that_is_not_there_or_that_others_can_read_is_advised_against(tmp_path: Path) -> None:
    token = tmp_path / "server.token"
    absent = checked(tmp_path)
    token.write_text("a token")
    token.chmod(0o644)
    open_to_all = checked(tmp_path)
    token.chmod(0o600)
    good = checked(tmp_path)
    assert [one.exit_code for one in (absent, open_to_all, good)] == [0, 0, 0]
    assert f"Advice: forward.token_file = {token}: is not there yet" in absent.stdout
    assert (
        f"{token}: can be read by others than its owner, so the forwarder will refuse it; `chmod 600` it"
        in open_to_all.stdout
    )
    assert "Advice" not in good.stdout


def test_the_word_of_the_server_and_its_reason_are_one_sentence(tmp_path: Path) -> None:
    site = make_site(tmp_path, [])
    (site / "site.toml").write_text(SETTINGS + TABLE)
    told = CliRunner().invoke(app, ["forwarding", "--site", str(site)]).stdout
    assert "Nothing was ever sent: no forwarder has run for this site; start rainstead-forwarder" in told


def test_forwarding_says_whether_a_forwarder_runs_even_one_that_has_only_just_begun(tmp_path: Path) -> None:
    site = make_site(tmp_path, [])
    (site / "site.toml").write_text(SETTINGS + TABLE)

    def told() -> str:
        return CliRunner().invoke(app, ["forwarding", "--site", str(site)]).stdout

    hold = Hold(site / "forwarder.lock")
    assert "The server has not said anything yet." in told() and "A forwarder runs on this machine." in told()
    CursorFile(site / "forwarder.db").close()
    hold.release()
    assert "No forwarder runs on this machine now; start rainstead-forwarder." in told()
    (site / "forwarder.lock").unlink()
    (site / "forwarder.lock").symlink_to("forwarder.lock")  # as good as a file that we may not open
    assert "Whether a forwarder runs on this machine cannot be seen from here." in told()

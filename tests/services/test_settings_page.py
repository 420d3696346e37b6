"""The [page] table: where the page listens, and by which names it may be asked for."""

import pytest
from small_site import SETTINGS

from rainstead.errors import SettingsError
from rainstead.settings import Page, parse_settings, settings_digest, starter


def page(table: str) -> Page | None:
    return parse_settings(f"{SETTINGS}\n{table}", "site.toml").page


def test_without_the_table_there_is_no_page_and_an_empty_one_is_for_the_board_alone() -> None:
    assert page("") is None
    assert page("[page]") == Page(listen="127.0.0.1", port=8035, names=())


def test_names_and_addresses_are_kept_as_a_browser_sends_them() -> None:
    found = page('[page]\nlisten = "[::]"\nnames = ["RainTank.local", "raintank.lan.", "192.168.1.20", "[FE80::1]"]')
    assert found is not None
    assert found.listen == "::"
    assert found.names == ("raintank.local", "raintank.lan", "192.168.1.20", "fe80::1")


@pytest.mark.parametrize(
    ("line", "key", "remedy"),
    [
        ('listen = "eth0"', "page.listen", "must be an address of the board"),
        ('listen = ""', "page.listen", "must be an address of the board"),
        ("port = 80", "page.port", "must be 1024 or more"),
        ("port = 70000", "page.port", "must be 65535 or less"),
        ('names = ["http://board"]', "page.names", "without http:// and without a port"),
        ('names = ["board:8035"]', "page.names", "without http:// and without a port"),
        ('names = ["*"]', "page.names", "without http:// and without a port"),
        ('names = [""]', "page.names", "without http:// and without a port"),
        ('names = "board"', "page.names", "must be a list"),
        ('password = "x"', "page.password", "there is no such key"),
    ],
)
def test_a_mistake_in_the_table_names_key_and_remedy(line: str, key: str, remedy: str) -> None:
    with pytest.raises(SettingsError) as told:
        page(f"[page]\n{line}")
    assert f"site.toml: {key}" in str(told.value)
    assert remedy in str(told.value)


def test_no_answer_depends_on_the_page() -> None:
    bare, shown = (parse_settings(SETTINGS + table, "site.toml") for table in ("", "\n[page]\nport = 9000"))
    assert settings_digest(bare) == settings_digest(shown)


def test_the_page_of_the_starter_is_good_once_uncommented() -> None:
    head, tail = starter().split("# [page]")
    table, rest = tail.split("\n\n", 1)
    uncommented = table.replace("\n# ", "\n")
    settings = parse_settings(f"{head}[page]{uncommented}\n\n{rest}", "starter")
    assert settings.page is not None
    assert settings.page.names == ("raintank.local",)

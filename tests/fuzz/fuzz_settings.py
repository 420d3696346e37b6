"""The text of a settings file: settings come of it, or a SettingsError in words."""

from rainstead.errors import SettingsError
from rainstead.settings import parse_settings, settings_digest, starter

LONGEST = 6000
NOW_MS = 1_790_000_000_000


def seeds() -> list[bytes]:
    """The starter file, its tables alone, and what has been a trap before."""
    whole = starter()
    lines = [line for line in whole.splitlines() if line.strip() and not line.lstrip().startswith("#")]
    tables = ("\n".join(lines)).split("\n[")
    parts = [("" if k == 0 else "[") + part for k, part in enumerate(tables)]
    traps = [
        "",
        "\ufeff",
        "a = 1979-05-27T07:32:00Z",
        "a = 1_0e400",
        "[site]\nname = 'x'\nlatitude_deg = nan",
        "x=[[[]]]",
    ]
    return [text.encode() for text in ["\n".join(lines), *parts, *traps]]


def one(data: bytes) -> None:
    """As a file is read: what is no UTF-8 is refused before it comes here."""
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError:
        return
    try:
        settings = parse_settings(text, "site.toml", now_ms=NOW_MS)
    except SettingsError as error:
        said = str(error)
        assert said and all(line.startswith("site.toml") for line in said.splitlines()), said
    else:
        assert settings_digest(settings)

"""From a TOML file to settings, or to all its mistakes at once."""

import hashlib
import json
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from rainstead.errors import SettingsError

from .checks import cross_mistakes
from .mistakes import Mistake, as_typed, model_mistakes
from .model import Settings

__all__ = ["load_settings", "parse_settings", "read_settings", "settings_digest"]

_WIRING = {"port", "baud", "gpio", "trigger_gpio", "echo_gpio", "pull_up", "path"}
_OF_NAMED = {"sensors", "tanks", "catchments"}


def load_settings(path: Path, *, now_ms: int | None = None) -> Settings:
    """Read a settings file. Raises SettingsError with every mistake in it; see parse_settings."""
    return parse_settings(read_settings(path), str(path), now_ms=now_ms)


def read_settings(path: Path) -> str:
    """A settings file as its owner wrote it. Raises SettingsError where it cannot be read."""
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise SettingsError(
            f"{path}: there is no such file; `rainstead settings new {path}` writes one to start from"
        ) from None
    except IsADirectoryError:
        raise SettingsError(f"{path}: is a folder; name the settings file in it") from None
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: is not UTF-8 text (byte {error.start}); save it as UTF-8") from None
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read ({error.strerror}); check the file's owner and rights") from None


def parse_settings(text: str, name: str, *, now_ms: int | None = None) -> Settings:
    """Settings from TOML text; `name` is the file's, for messages.

    now_ms: UTC milliseconds after which a calibration's date is in the future; None does not ask.
    Raises SettingsError that names for each mistake the file, the key, the value and the remedy.
    """
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))  # some editors put this mark before the first line
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name}: this is not TOML: {error}; mend that line") from None
    except ValueError:  # the one other that tomllib lets out: Python reads no decimal number of thousands of digits
        raise SettingsError(f"{name}: a number in it has thousands of digits; mend it") from None
    except RecursionError:
        raise SettingsError(f"{name}: tables or lists are nested too deep; settings need five levels at most") from None
    try:
        settings = Settings.model_validate(data)
    except ValidationError as error:
        raise _refusal(name, model_mistakes(error, data) + _mistakes_in_the_rest(data, error, now_ms)) from None
    mistakes = cross_mistakes(settings, now_ms)
    if mistakes:
        raise _refusal(name, mistakes)
    return settings


def _mistakes_in_the_rest(data: dict[str, Any], error: ValidationError, now_ms: int | None) -> list[Mistake]:
    """Mistakes between keys in what is left of a file when its broken tables are taken out.

    What only the absence of a broken table makes wrong is not told.
    """
    rest: dict[str, Any] = {key: dict(value) if isinstance(value, dict) else value for key, value in data.items()}
    gone: set[str] = set()
    for one in error.errors(include_url=False, include_context=False):
        table, *inner = one["loc"] or ("",)
        if table in _OF_NAMED and inner and isinstance(rest.get(str(table)), dict):
            gone.add(str(inner[0]))
            rest[str(table)].pop(inner[0], None)
        else:
            gone.add(str(table))
            rest.pop(str(table), None)
    if "site" in gone:
        rest["site"] = {"name": "unknown", "time_zone": "UTC", "latitude_deg": 0}
    if gone & {"sensors", "tanks"}:
        return []
    try:
        found = cross_mistakes(Settings.model_validate(rest), now_ms)
    except ValidationError:
        return []
    quoted = {as_typed(name) for name in gone}
    return [one for one in found if one.value not in quoted and not one.key.startswith("alarms.")]


def settings_digest(settings: Settings) -> str:
    """A short name for all in the settings that an answer depends on: not wiring, log, page or forwarding."""
    plain = settings.model_dump(mode="json", exclude={"forward", "messages", "log", "clock", "page"})
    for sensor in plain["sensors"].values():
        for key in _WIRING & sensor.keys():
            del sensor[key]
    return hashlib.sha256(json.dumps(plain, sort_keys=True).encode()).hexdigest()[:16]


def _refusal(name: str, mistakes: list[Mistake]) -> SettingsError:
    return SettingsError("\n".join(f"{name}: {mistake}" for mistake in dict.fromkeys(mistakes)))

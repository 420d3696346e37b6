"""A server's token, from a file of its owner's."""

from pathlib import Path

from rainstead.errors import SettingsError

__all__ = ["read_token"]


def read_token(path: Path, key: str) -> str:
    """Raises SettingsError, naming the setting or option that leads to the file."""
    try:
        token = path.read_text(encoding="utf-8").strip()
    except PermissionError:
        raise SettingsError(
            f"{key} = {path}: may not be read by the user who runs this; make it that user's own (on a board: `sudo "
            f"chown rainstead-forwarder {path}`)"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(f"{key} = {path}: cannot be read ({error}); put the token into it") from None
    if not token:
        raise SettingsError(f"{key} = {path}: is empty; put the token into it")
    return token

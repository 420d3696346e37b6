"""A settings file to start from, in which every line is explained."""

from importlib.resources import files

__all__ = ["starter"]


def starter() -> str:
    """TOML text of an invented site that passes its own check."""
    return files("rainstead.settings").joinpath("starter.toml").read_text("utf-8")

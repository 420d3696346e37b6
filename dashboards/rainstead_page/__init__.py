"""The page that the board shows on the household's network: it reads and shows, and changes and decides nothing."""

from .process import main

__all__ = ["main"]

"""The page that the board shows on the household's network: it reads and shows, and writes and decides nothing."""

from .process import NO_PAGE, main

__all__ = ["NO_PAGE", "main"]

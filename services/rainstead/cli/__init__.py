"""`rainstead`, the desk's command line: asks the answers, and prints them."""

from .main import main

__all__ = ["main"]

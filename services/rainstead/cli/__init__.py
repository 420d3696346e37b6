"""`rainstead`, the desk's command line: asks the answers, and prints them."""

import sys

__all__ = ["main"]


def main() -> None:
    """Run; a board that has the logger's libraries alone is told what is missing, not a traceback."""
    try:
        from .commands import main as run

        run()
    except ModuleNotFoundError as error:
        library = (error.name or "").partition(".")[0]
        if library == "rainstead":
            raise
        print(f"rainstead: {library} is not installed here; `pip install 'rainstead[desk]'` adds it", file=sys.stderr)
        sys.exit(2)

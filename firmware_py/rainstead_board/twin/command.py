"""`rainstead-twin`: the invented site on the screen, with no hardware."""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from rainstead.errors import RainsteadError

from .demo import run_demo, run_live

__all__ = ["main"]


def main(argv: Sequence[str] | None = None) -> None:
    """Parse the command line and run; a RainsteadError becomes one message and exit code 2."""
    parser = argparse.ArgumentParser(
        prog="rainstead-twin", description="A simulated site, read by the real logger through the real drivers."
    )
    commands = parser.add_subparsers(dest="command", required=True)
    demo = commands.add_parser("demo", help="make the invented site, fill its log, log it live, show it")
    demo.add_argument("folder", type=Path, help="everything is kept here; made if it is not there")
    demo.add_argument("--days", type=int, default=60, help="days of history (default 60)")
    demo.add_argument("--seconds", type=float, default=None, help="stop by itself after this long")
    demo.add_argument("--seed", type=int, default=7, help="seed of weather and noise")
    live = commands.add_parser("live", help="the twin and the logger alone, without history or view")
    live.add_argument("folder", type=Path, help="a folder that `demo` has made")
    arguments = parser.parse_args(argv)
    try:
        if arguments.command == "demo":
            if not 1 <= arguments.days <= 400:
                parser.error(f"--days {arguments.days}: between 1 and 400")
            run_demo(arguments.folder, days=arguments.days, seconds=arguments.seconds, seed=arguments.seed)
        else:
            run_live(arguments.folder)
    except RainsteadError as error:
        print(f"rainstead-twin: {error}", file=sys.stderr)
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        raise SystemExit(130) from None


if __name__ == "__main__":
    main()

"""The forwarder's process on a clock that runs faster: `python paced_forwarder.py SITE TIMES`, until SIGTERM.

All of it is the real one but for the clock, so that a month of waiting and trying again takes a minute.
"""

import logging
import signal
import sys
import time
from pathlib import Path

from rainstead.forward.process import _run, server_of
from rainstead.settings import load_settings

_SHORTEST_S = 0.004
"""Of a wait: faster than that, the machine would do nothing but look."""


class PacedClock:
    """Boot and wall clock at so many times their pace. One clock for all processes of a boot of the machine."""

    def __init__(self, times: float) -> None:
        self._times = times

    def boot_ms(self) -> int:
        """See Clock."""
        return round(time.monotonic() * 1000 * self._times)

    def wall_ms(self) -> int:
        """See Clock."""
        return self.boot_ms()

    def wait_until(self, boot_ms: int) -> None:
        """See Clock."""
        time.sleep(max((boot_ms - self.boot_ms()) / 1000 / self._times, _SHORTEST_S))


def main() -> None:
    """See above."""
    folder, times = Path(sys.argv[1]), float(sys.argv[2])
    logging.disable(logging.CRITICAL)
    stopping: list[int] = []
    signal.signal(signal.SIGTERM, lambda signum, _: stopping.append(signum))
    settings = load_settings(folder / "site.toml")
    assert settings.forward is not None
    server = server_of(settings.forward, folder)
    _run(settings, folder, server, settings.forward, PacedClock(times), lambda: bool(stopping))
    server.close()


if __name__ == "__main__":
    main()

"""What every test may rely on."""

import os
from collections.abc import Iterator

# Our matrices are small: threads of the linear algebra only wait for one another, for minutes where cores are few.
# To be said before numpy is first imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import pytest
from hypothesis import settings
from server_fixtures import bucket, mortal_server, real_server, server_1

__all__ = ["bucket", "mortal_server", "real_server", "server_1"]

# The machines that test are small and shared: a slow example is no fault.
settings.register_profile("here", deadline=None, print_blob=True)
settings.register_profile("ci", deadline=None, print_blob=True, derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "here")


@pytest.fixture(autouse=True)
def no_pins_are_left() -> Iterator[None]:
    """The pin factory is one for the whole process: what a test sets there must not reach the next."""
    yield
    import sys

    gpiozero = sys.modules.get("gpiozero")
    if gpiozero is not None and gpiozero.Device.pin_factory is not None:
        gpiozero.Device.pin_factory.close()
        gpiozero.Device.pin_factory = None

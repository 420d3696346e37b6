"""A clock that tests move by hand."""


class FakeClock:
    """Boot and wall clock; waiting moves both at once."""

    def __init__(self, boot_ms: int = 5_000, wall_ms: int = 1_780_000_000_000) -> None:
        self.now_ms = boot_ms
        self.offset_ms = wall_ms - boot_ms

    def boot_ms(self) -> int:
        """See rainstead.clock.Clock."""
        return self.now_ms

    def wall_ms(self) -> int:
        """See rainstead.clock.Clock."""
        return self.now_ms + self.offset_ms

    def wait_until(self, boot_ms: int) -> None:
        """See rainstead.clock.Clock."""
        self.now_ms = max(self.now_ms, boot_ms)

    def step_wall(self, by_ms: int) -> None:
        """Somebody sets the clock."""
        self.offset_ms += by_ms

"""scipy, loaded when something of it is first used: most answers need none of it, and it is large for a small board."""

from typing import Any

__all__ = ["scipy"]


class _Scipy:
    """Stands for scipy; its parts are fetched once and kept."""

    def __getattr__(self, part: str) -> Any:
        import scipy as loaded

        found = getattr(loaded, part)
        setattr(self, part, found)
        return found


scipy: Any = _Scipy()

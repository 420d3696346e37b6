"""Why there is no export."""

from rainstead.errors import RainsteadError

__all__ = ["ExportRefused"]


class ExportRefused(RainsteadError, ValueError):
    """The export cannot be made as asked; nothing is left of it."""

"""What logger and desk share: settings, calculation, log, alarms."""

__version__ = "0.1.0"

__all__ = ["__version__"]

"""benchd: a daemon that drives bench supplies for board repair."""

__version__ = "0.1.0"

"""Readers of logs, one file a format; ``read_log`` picks one by what is in the file."""

from .lines import Progress
from .open_any import read_log

__all__ = ["Progress", "read_log"]

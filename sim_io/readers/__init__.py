"""Readers of logs, one file a format; ``open_log`` picks one by what is in the file."""

from .lines import Progress
from .opening import open_log

__all__ = ["Progress", "open_log"]

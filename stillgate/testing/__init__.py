"""For tests of machines: strategies, and what the pytest plugin collects.

The names below are the public interface. They are loaded when first used, so that the pytest
plugin does not load Hypothesis.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    pass

__all__: list[str] = []

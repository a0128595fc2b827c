"""The commands and the plugin of these tests check small machines."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="module", autouse=True)
def built_quickly(unoptimised_commands: None) -> None:
    """Compiling would take most of their time."""

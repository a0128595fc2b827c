"""The machines of these tests are small: compiling as users do would take most of their time."""

from __future__ import annotations

import pytest


@pytest.fixture(scope="module", autouse=True)
def built_quickly(unoptimised_commands: None) -> None:
    """Nothing that is built here is optimised."""

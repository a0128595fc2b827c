"""What every test shares: a cache folder of its own for compiled libraries, kept for one session."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(scope="session", autouse=True)
def private_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Random machines must not fill the cache of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("STILLGATE_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield

"""``python -m stillgate`` is the same as ``stillgate``."""

from .cli import main

main()

"""How long the fault table, the layers and the list of weakenings take, and what part is noticed."""

from __future__ import annotations

from pathlib import Path

from stillgate.controller.reading.reader import read_machine
from stillgate.interlocks.analyses.fault_table import fault_table_of
from stillgate.interlocks.analyses.layer_table import layers
from stillgate.interlocks.checking.checker import check
from stillgate.interlocks.mutation.mutation_run import strength

from .figures import Figure, at_least, at_most

_SECONDS = 180.0
"""The whole evidence report, of which these are parts."""


def measure(file: Path) -> tuple[list[Figure], list[str]]:
    """The three tables of a machine file."""
    document = read_machine(file)
    result = check(document)
    table = fault_table_of(document)
    carried = layers(document, result)
    figures = [
        at_most("fault table", table.seconds, _SECONDS, "s"),
        at_most("layers, 20 s a search", carried.seconds, _SECONDS, "s"),
    ]
    found = strength(document, result)
    figures += [
        at_least("weakenings noticed", 100 * found.share, 95.0, "%"),
        at_most("weakenings", found.seconds, _SECONDS, "s"),
    ]
    return figures, [
        f"{len(table.rows)} single faults, {table.exploration.states} situations, "
        f"{len(found.weakenings)} weakenings",
        "weakenings looked for without faults and under the single faults of the signals they concern",
    ]

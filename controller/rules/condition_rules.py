"""Rules about named conditions: what is wrong with one wherever it stands, circles, names nobody uses.

What depends on the place, such as a truth of a part that comes into a guard, is said at the place
(``findings.expression_findings``).
"""

from __future__ import annotations

from collections.abc import Iterator

from ..errors import Severity
from ..machine_file.named_conditions import SHORT_FORM, circles, conditions_in, names_in
from .findings import Path, RuleFinding, error, expression_findings, warning
from .namespace import Context, Namespace, part_truths


def condition_findings(names: Namespace) -> Iterator[RuleFinding]:
    """Every rule about named conditions that the machine breaks."""
    machine = names.machine
    truths = {truth: part for part, item in machine.parts.items() for truth in part_truths(item)}
    used = {
        node.path.removeprefix("seen.")
        for condition in conditions_in(machine)
        for node in names_in(condition.written, machine.conditions)
    }
    for name, item in machine.conditions.items():
        path: Path = ("conditions", name)
        if name in truths:
            yield error(
                path, f"'{name}' is the name of a truth of the part '{truths[name]}'",
                f"give it another name, such as '{name}_1'", at_key=True, name=name,
            )  # fmt: skip
        yield from expression_findings(names, (*path, SHORT_FORM), item.when, Context.CONDITION)
        if name not in used:
            yield warning(
                path, f"nothing uses the condition '{name}'",
                "use its name where the condition stands, or remove it", at_key=True,
            )  # fmt: skip
    for circle in circles(machine.conditions):
        first = machine.conditions[circle[0]].when
        following = circle[1] if len(circle) > 1 else circle[0]
        node = next(
            item
            for item in names_in(first.written, machine.conditions)
            if item.path.removeprefix("seen.") == following
        )
        way = ", ".join(f"'{a}' of '{b}'" for a, b in zip(circle, (*circle[1:], circle[0]), strict=True))
        yield RuleFinding(
            ("conditions", circle[0], SHORT_FORM), f"a condition cannot be made of itself: {way}",
            "keep in a state of a sequence what depends on what was so before", Severity.ERROR, node.span,
            name=circle[0],
        )  # fmt: skip

"""Help texts without the line ends of their source, so that they wrap at the width of the terminal."""

from __future__ import annotations

import inspect


def unwrapped(doc: str) -> str:
    """A docstring with each paragraph, and each option's text, in one line.

    Lines that stand further in than their paragraph's first, such as examples, stay as they are.
    """
    lines: list[str] = []
    inner = 0  # where a paragraph's lines begin; options' texts stand four further in
    for line in inspect.cleandoc(doc).splitlines():
        indent = len(line) - len(line.lstrip())
        if line.startswith("-----"):
            inner = 4
        goes_on = bool(lines) and bool(lines[-1].strip()) and bool(line.strip()) and indent == inner
        same = goes_on and len(lines[-1]) - len(lines[-1].lstrip()) == inner
        if same and not line.startswith("-----"):
            lines[-1] += " " + line.strip()
        else:
            lines.append(line)
    return "\n".join(lines)

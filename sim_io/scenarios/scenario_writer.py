"""Writes a scenario as a file that a person would have written: one step a line, nothing that is a default.

What is written reads back equal. Machine-produced scenarios (a soak's first violation, the
story of a check) are files like any other.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from stillgate.controller.expressions.durations import format_duration
from stillgate.controller.machine_file.field_types import Condition
from stillgate.controller.reading.messages import PLAIN_TEXT
from stillgate.controller.reading.source import plain_value

from .scenario import Scenario, Step

_TIMES = ("at", "within", "during", "lasts")


def scenario_text(scenario: Scenario) -> str:
    """The YAML text of a scenario."""
    return "\n".join([*_lines(scenario), ""])


def _lines(scenario: Scenario) -> Iterator[str]:
    for name, info in Scenario.model_fields.items():
        value = getattr(scenario, name)
        if name == "steps" or value == info.get_default(call_default_factory=True):
            continue
        yield f"{info.alias or name}: {_value(name, value)}"
    if scenario.steps:
        yield "steps:"
    for step in scenario.steps:
        yield f"  - {_step(step)}"


def _step(step: Step) -> str:
    entries = [
        f"{info.alias or name}: {_value(name, getattr(step, name))}"
        for name, info in Step.model_fields.items()
        if getattr(step, name) != info.default
    ]
    return "{" + ", ".join(entries) + "}"


def _value(name: str, value: Any) -> str:
    match value:
        case bool():
            return "on" if value else "off"
        case int() if name in _TIMES:
            return format_duration(value)
        case int():
            return str(value)
        case Condition(text=text):
            return _text(text)
        case dict():
            return "{" + ", ".join(f"{key}: {_value(key, item)}" for key, item in value.items()) + "}"
        case [only] if name in ("press", "hold", "release"):
            return _text(only)
        case list():
            return "[" + ", ".join(_text(item) for item in value) + "]"
    return _text(value)


def _text(text: str) -> str:
    """A text in the flow style of YAML, in double quotes where it needs them."""
    if PLAIN_TEXT.fullmatch(text) and plain_value(text) == text and text == text.strip():
        return text
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(character: str) -> str:
    """A character inside double quotes; what cannot be seen is spelt (YAML 1.2.2, 5.7)."""
    if character in '"\\':
        return f"\\{character}"
    if character.isprintable():
        return character
    code = ord(character)
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"

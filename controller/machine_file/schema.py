"""The JSON Schema of a machine file, for editors that complete and check while one types.

Derived from the models and written as draft-07, which the editors in use understand: keywords
beside a ``$ref`` are ignored there, so they are joined with ``allOf``. The schema knows shape,
not names: that ``to`` leads to a state that exists is for the reader to say.
"""

from __future__ import annotations

from typing import Any

from pydantic import BaseModel

from ..expressions.durations import format_duration
from .machine import Machine

DRAFT = "http://json-schema.org/draft-07/schema#"


def machine_schema() -> dict[str, Any]:
    """The schema as a plain value, the same at every call; every key has a title, a sentence
    and an example.
    """
    return file_schema(Machine, "Machine file")


def file_schema(model: type[BaseModel], title: str) -> dict[str, Any]:
    """The schema of a file that a model reads."""
    raw = model.model_json_schema(by_alias=True)
    definitions = raw.pop("$defs")
    root = _section(raw)
    root["title"] = title
    return {
        "$schema": DRAFT,
        **root,
        "definitions": {name: _section(value) for name, value in sorted(definitions.items())},
    }


def _section(schema: dict[str, Any]) -> dict[str, Any]:
    """A section: its keys get titles, and defaults are spelt as in a file."""
    result: dict[str, Any] = _draft_07(schema)
    for key, value in result.get("properties", {}).items():
        value["title"] = key.replace("_", " ")
        default = value.pop("default", None)
        if isinstance(default, dict):
            default = {}
        elif value.get("type") == "string" and not isinstance(default, str):
            default = _spelt_time(default)
        if default is not None:
            value["default"] = default
    return result


def _draft_07(value: Any) -> Any:
    """The same meaning in the words of draft-07."""
    if isinstance(value, list):
        return [_draft_07(item) for item in value]
    if not isinstance(value, dict):
        return value
    result = {
        key: item if key in ("default", "examples") else _draft_07(item)
        for key, item in value.items()
        if key != "discriminator"  # a word of another specification
    }
    if isinstance(result.get("description"), str):
        result["description"] = result["description"].replace("``", "'")
    if "patternProperties" in result:
        result["additionalProperties"] = False
    reference = result.pop("$ref", None)
    if reference is None:
        return result
    target = {"$ref": str(reference).replace("#/$defs/", "#/definitions/")}
    return {**result, "allOf": [target]} if result else target


def _spelt_time(default: Any) -> str | None:
    """A default time as it would be written; it is kept in milliseconds inside."""
    match default:
        case int() | [int(), int()]:
            return format_duration(default if isinstance(default, int) else default[0])
    return None

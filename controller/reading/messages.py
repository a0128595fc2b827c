"""What the validation of the models found, in the words of the machine file.

pydantic speaks of inputs, instances and dictionaries. Here each of its error types becomes
a sentence about the key that is wrong, with the nearest right key or an example.
"""

from __future__ import annotations

import re
import types
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from ..expressions.durations import shorten
from ..expressions.expression import Span
from ..machine_file.machine import PATTERN_KEYS, Machine, RequirementBase, requirement_pattern
from ..rules.namespace import nearest_hint

PLAIN_TEXT = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_ .()+<>=/-]*")
"""Texts that need no quotes in the flow style of YAML."""

KINDS = ("spin", "travel", "flow", "automaton")
PATTERNS = ("never", "always", "after", "before", "reach", "from_anywhere")

SENTENCES = {
    "expression_type": "an expression is expected here",
    "duration_type": "a time is expected here",
    "name_type": "a name is expected here",
    "range_type": "a range is expected here",
    "start_type": "true, false or a whole number is expected here",
    "string_type": "a text is expected here",
    "int_type": "a whole number is expected here",
    "int_from_float": "a whole number is expected here",
    "bool_type": "'true' or 'false' is expected here",
    "list_type": "a list is expected here",
    "dict_type": "keys with values are expected here",
    "model_type": "keys with values are expected here",
    "model_attributes_type": "keys with values are expected here",
    "string_too_short": "this must not be empty",
}
"""Error types whose message needs nothing but the field."""


@dataclass(frozen=True, slots=True)
class Refusal:
    """A value that the models refuse, at a path of the file's own keys."""

    path: tuple[str | int, ...]
    kind: str  # pydantic's error type
    message: str
    hint: str
    span: Span | None = None
    at_key: bool = False
    key: str = ""  # the key that is missing


NO_BREAK_SPACE = "\N{NO-BREAK SPACE}"


def refusal_of(error: ErrorDetails, data: Any, root: type[BaseModel] = Machine) -> Refusal:
    """The refusal behind one validation error of the given data; ``root`` is the model it was for."""
    kind = error["type"]
    path = file_path(error["loc"])
    at_key = path[-1:] == ("[key]",)
    if at_key:
        path = path[:-1]
    context: Mapping[str, Any] = error.get("ctx", {})
    value = _value(data, path)
    field = field_at(path, data, root)
    if kind == "text":
        span = Span(context["start"], context["end"])
        return Refusal(path, kind, context["reason"], context["hint"], span, at_key)
    if kind == "missing":
        key = str(path[-1])
        return Refusal(path[:-1], kind, f"'{key}' is missing here", _say(key, field), at_key=True, key=key)
    if kind == "extra_forbidden":
        key = str(path[-1])
        return Refusal(
            path, kind, f"unknown key '{shorten(key)}'", _keys_hint(key, path[:-1], data, root), at_key=True
        )
    if kind == "union_tag_invalid":
        tag = str(context["tag"])
        message = f"there is no kind of part called '{shorten(tag)}'"
        return Refusal((*path, "kind"), kind, message, nearest_hint(tag, KINDS))
    if kind == "union_tag_not_found":
        return _without_tag(value, path)
    message, hint = _words(kind, context, value, path, field)
    return Refusal(path, kind, message, hint)


def file_path(location: Sequence[int | str]) -> tuple[int | str, ...]:
    """A validation path without the tags that unions put in: part kinds and patterns."""
    path = tuple(location)
    if path[:1] in (("parts",), ("requirements",)) and len(path) > 2 and path[2] != "[key]":
        return (*path[:2], *path[3:])
    return path


def field_at(path: Sequence[str | int], data: Any, root: type[BaseModel] = Machine) -> FieldInfo | None:
    """The model field that a path leads to, if it leads to one."""
    current: Any = root
    field: FieldInfo | None = None
    for depth, step in enumerate(path):
        current = _resolve(current, _value(data, path[:depth]))
        field = None
        if isinstance(current, type) and issubclass(current, BaseModel):
            fields = model_keys(current)
            if step not in fields:
                return None
            field = fields[str(step)]
            current = field.annotation
        elif get_origin(current) in (dict, list):
            current = get_args(current)[-1]
        else:
            return None
    return field


def model_at(path: Sequence[str | int], data: Any, root: type[BaseModel] = Machine) -> type[BaseModel] | None:
    """The model of the section at a path, if it is one."""
    current: Any = root
    for depth, step in enumerate(path):
        current = _resolve(current, _value(data, path[:depth]))
        if isinstance(current, type) and issubclass(current, BaseModel):
            field = model_keys(current).get(str(step))
            current = field.annotation if field is not None else None
        elif get_origin(current) in (dict, list):
            current = get_args(current)[-1]
        else:
            return None
    current = _resolve(current, _value(data, path))
    return current if isinstance(current, type) and issubclass(current, BaseModel) else None


def model_keys(model: type[BaseModel]) -> dict[str, FieldInfo]:
    """The fields of a section by the keys they have in a file."""
    return {info.alias or name: info for name, info in model.model_fields.items()}


def _resolve(annotation: Any, value: Any) -> Any:
    """The type behind annotations and unions that fits a value."""
    while get_origin(annotation) is Annotated:
        annotation = get_args(annotation)[0]
    if get_origin(annotation) not in (Union, types.UnionType):
        return annotation
    members = [_resolve(member, value) for member in get_args(annotation) if member is not type(None)]
    if len(members) == 1:
        return members[0]
    tag = None
    if isinstance(value, dict):
        tag = value.get("kind") if "kind" in value else (requirement_pattern(value) or "").replace("_", "")
    return next((m for m in members if getattr(m, "__name__", "").lower() == tag), None)


def _value(data: Any, path: Sequence[str | int]) -> Any:
    for step in path:
        try:
            data = data[step]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def _words(
    kind: str, context: Mapping[str, Any], value: Any, path: Sequence[str | int], field: FieldInfo | None
) -> tuple[str, str]:
    key = str(path[-1]) if path else ""
    match kind:
        case "bare_number":
            return f"{context['number']} is a number without a unit", str(context["hint"])
        case "enum" | "literal_error":
            choices = [word.strip(" '") for word in str(context["expected"]).replace(" or ", ", ").split(",")]
            if field is not None and None in get_args(field.annotation):
                choices = [word for word in choices if word != "None"]
            shown = " or ".join(f"'{word}'" for word in choices)
            hint = (
                nearest_hint(str(value), choices)
                if len(choices) > 1
                else f"say '{choices[0]}', or leave it out"
            )
            return f"'{shorten(str(value))}' is not possible here: {shown}", hint
        case "too_short":
            return f"'{key}' needs at least {context['min_length']}", _say(key, field)
        case "too_long":
            return (
                f"'{key}' has {context['actual_length']} entries, at most {context['max_length']} fit",
                "",
            )
        case "greater_than":
            return f"'{key}' must be more than {context['gt']}", _say(key, field)
        case "greater_than_equal":
            return f"'{key}' must be at least {context['ge']}", ""
        case "less_than_equal":
            return f"'{key}' can be at most {context['le']}", ""
    sentence = SENTENCES.get(kind, "this does not fit here")
    if value is None:
        sentence = sentence.removesuffix(" here") + ", and nothing stands here"
    return sentence, _shape_hint(kind, key, value, field)


def _shape_hint(kind: str, key: str, value: Any, field: FieldInfo | None) -> str:
    if kind == "list_type" and isinstance(value, str):
        return f"say '{key}: [{shorten(value)}]'"
    if kind == "string_type" and isinstance(value, bool | int | float):
        return f"put it in quotes: '{value}'"
    if kind in ("model_type", "model_attributes_type", "dict_type") and value is None:
        return f"say '{key}: {{}}' if there is nothing to add"
    return _say(key, field)


def _without_tag(value: Any, path: tuple[str | int, ...]) -> Refusal:
    """A part without a kind, or a requirement without a pattern."""
    kind = "union_tag_not_found"
    if path[:1] == ("parts",):
        if not isinstance(value, dict):
            return Refusal(path, kind, "keys with values are expected here", "a part begins with 'kind'")
        hint = "say 'kind: spin', 'travel', 'flow' or 'automaton'"
        return Refusal(path, kind, "'kind' is missing here", hint, at_key=True)
    if not isinstance(value, dict):
        hint = "say for example 'never: motor_open and motor_shut'"
        return Refusal(path, kind, "keys with values are expected here", hint)
    if "after" in value:
        hint = "say 'then' and 'within', or 'keep' and 'for'"
        return Refusal(path, kind, "what follows 'after' is missing", hint, at_key=True)
    for key in value:
        close = nearest_hint(key, (*PATTERN_KEYS, "after"))
        if key not in RequirementBase.model_fields and close.startswith("did you mean"):
            return Refusal((*path, key), kind, f"unknown key '{shorten(key)}'", close, at_key=True)
    hint = "say " + ", ".join(f"'{word}'" for word in PATTERNS[:-1]) + f" or '{PATTERNS[-1]}'"
    return Refusal(path, kind, "the requirement has no pattern", hint, at_key=True)


def _keys_hint(key: str, section: Sequence[str | int], data: Any, root: type[BaseModel]) -> str:
    if key == "<<":
        return "merge keys are not part of YAML 1.2; use an anchor for a whole value"
    if key.startswith(NO_BREAK_SPACE):
        return "it begins with a no-break space (U+00A0), which indents nothing; type spaces there"
    model = model_at(section, data, root)
    return nearest_hint(key, model_keys(model)) if model is not None else ""


def _say(key: str, field: FieldInfo | None) -> str:
    """An example of a field, as it would stand in a file."""
    if field is None or not field.examples:
        return ""
    return f"say for example '{key}: {flow_text(field.examples[0])}'"


def flow_text(value: Any) -> str:
    """A plain value in the flow style of YAML."""
    match value:
        case bool():
            return "true" if value else "false"
        case dict():
            return "{" + ", ".join(f"{key}: {flow_text(item)}" for key, item in value.items()) + "}"
        case list():
            return "[" + ", ".join(flow_text(item) for item in value) + "]"
    text = str(value)
    if isinstance(value, str) and not PLAIN_TEXT.fullmatch(text):
        return "'" + text.replace("'", "''") + "'"
    return text

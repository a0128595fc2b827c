"""The guide's reference of files and outputs, written from the schemas so that it cannot lag behind.

``python -m stillgate.reports.reference_pages docs/reference`` writes the pages; a test holds the
pages that are committed against what this module would write.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

Schema = dict[str, Any]

ORDER = (
    "Input", "Output", "Memory", "Spin", "Travel", "Flow", "Automaton", "PartState", "PartExit",
    "NamedCondition", "Sequence", "State", "Exit", "Override", "Interlock", "Never", "Always", "Response",
    "Invariance", "Precedence", "Reach", "FromAnywhere", "CheckOptions", "Exclusion",
)  # fmt: skip
"""Sections in the order a reader meets them."""

MACHINE_INTRODUCTION = """\
# The machine file

One YAML file holds a machine. This page lists every key; it is written from the same models
that read the file, and `stillgate schema` gives the same as JSON Schema. How to build a file
up is in the [tutorial](../tutorial/first-machine.md), what one scan does in
[one scan](../explanation/one-scan.md).

**Names** are letters, digits and single underlines, a letter first, 64 characters at most.
Sequences, parts, inputs, outputs, memory and named conditions share one set of names.
**Times** carry a unit: `20 ms`, `1.5 s`, `2 min`, `1 h` or an IEC 61131-3 literal such as
`T#500ms`; **ranges** are written `3..5 s`.
**Conditions** are the Structured Text subset of IEC 61131-3: `and`, `or`, `xor`, `not`, `=`,
`<>`, `<`, `<=`, `>`, `>=`, `+`, `-`, brackets, and `rising(x)` (R_TRIG), `falling(x)`
(F_TRIG) and `held(x, 500 ms)` (TON).

What a condition may read depends on where it stands:

| where | may read |
|---|---|
| guards (`when`), `do` | inputs, outputs of the last scan, memory, states such as `gate.opening` |
| interlocks (`unless`) | inputs, memory, states after the exits, demands |
| drives of parts | outputs as physically driven, and places of other parts |
| `senses` | the part's own places and truths, such as `at open` or `still` |
| requirements | all of these, truths of parts such as `leaf.moving`, and `seen.x`, `asked.y` |

**Named conditions.** `conditions` says a condition once, and its name may stand wherever a condition may:
in guards, `do`, interlocks, drives, `senses`, requirements, other named conditions, and what a scenario
expects. There it means its condition in brackets, and each name in that reads what the table says of the
place. So what it holds has to be readable there: one that reads a truth of a part can stand in no guard
and no interlock. `seen.NAME`, in a requirement, is the controller's own view of it
([what it means exactly](semantics.md)). No condition is made of itself. A name is not that of anything
else, nor of a truth of a part.

```yaml
conditions:
  passable: gate_open and edge_clear
  unhurt: {when: passable or not motor_shut, why: the leaf can hurt only while it shuts}
```

Truths of parts: a travel has `at_` each of its stops, `moving` and `still`; a spin has
`turning`, `still` and `at_speed`; a flow has `item`; an automaton has `at_` each of its states.
"""

SCENARIO_INTRODUCTION = """\
# The scenario file

A scenario is a test of one run: what an operator does, what goes wrong, what is expected. Its
name ends in `.scenario.yaml`; `stillgate run` runs it and says passed or failed. This page
lists every key; it is written from the models that read the file, and `stillgate schema --of
scenario` gives the same as JSON Schema. How to write one is in
[test with scenarios](../how-to/test-with-scenarios.md).

A step does one thing: `press`, `hold`, `release`, `set`, `inject`, `clear`, `power`, `expect`
or `keep`. A step without `at` happens at the time of the step before it. It acts in the first
scan at or after its time, and is judged from that scan on, at the instant after the outputs
are written; names mean what they mean in [requirements](machine-file.md), the machine's named
conditions among them. `expect` wants its
condition at that instant or, with `within`, at one instant until then; `keep` wants it at every
instant of `for`, both ends included.
"""

COLUMN_MAP_INTRODUCTION = """\
# The column map

A log of another logger is a table with columns of its own, or frames of a CAN bus. The column
map is a YAML file that says how it is laid out and which column is which signal; `--map` of
`stillgate log`, `replay` and `diagnose` takes it. This page lists every key; it is written from
the models that read the file, and `stillgate schema --of column-map` gives the same as JSON
Schema. How to write one is in [bring your own log](../how-to/bring-your-own-log.md).

```yaml
time: {column: Zeit, as: date-time, format: '%d.%m.%Y %H:%M:%S.%f', zone: Europe/Berlin}
delimiter: ';'
every: 100 ms
columns:
  DI 07: cutter_still
  DI 08: {signal: estop_1, inverted: true}
```

Columns that are called like a signal need no entry. What the map leaves open and the file does
not settle is asked for by name; nothing is guessed.
"""

CERTIFICATE_INTRODUCTION = """\
# The certificate

`stillgate certificate` writes it, `stillgate recheck` reads it, and so may a program that somebody else
writes: this page, and `stillgate schema --of certificate`, say all that is needed to read the file. What
is to be checked in it, and what that shows, is in
[a second opinion](../explanation/second-opinion.md). How to make one is in
[ask for a second opinion](../how-to/ask-for-a-second-opinion.md).

`count`, `states`, `ranks` and `beliefs` are there in a certificate of kind `states` only, `cubes` in one
of kind `invariant` only; everything else is in both.
"""

OUTPUTS_INTRODUCTION = """\
# JSON outputs

Every command that answers something takes `--format json`. `stillgate schema --of check` and
its like print the schemas that this page is written from. All times are in milliseconds.
"""


def machine_file_page() -> str:
    """The page of the machine file, in Markdown."""
    from stillgate.controller.machine_file.schema import machine_schema

    schema = machine_schema()
    definitions = schema["definitions"]
    parts = [MACHINE_INTRODUCTION, "## Sections\n", _table(schema)]
    for name in ORDER:
        parts += [
            f"## {name}\n",
            f"{_plain(definitions[name].get('description', ''))}\n",
            _table(definitions[name]),
        ]
    return "\n".join(parts)


def scenario_file_page() -> str:
    """The page of scenario files, in Markdown."""
    from .published_schemas import schema_of

    schema: Schema = schema_of("scenario")
    step = schema["definitions"]["Step"]
    parts = [
        SCENARIO_INTRODUCTION,
        "## Keys\n",
        _table(schema),
        "## Step\n",
        f"{_plain(step['description'])}\n",
    ]
    return "\n".join([*parts, _table(step)])


def column_map_page() -> str:
    """The page of the column map, in Markdown."""
    from .published_schemas import schema_of

    schema: Schema = schema_of("column-map")
    parts = [COLUMN_MAP_INTRODUCTION, "## Keys\n", _table(schema)]
    for name, title in (("TimeColumn", "time"), ("SignalColumn", "An entry of columns")):
        section = schema["definitions"][name]
        parts += [f"## {title}\n", f"{_plain(section['description'])}\n", _table(section)]
    return "\n".join(parts)


def certificate_page() -> str:
    """The page of certificates, in Markdown."""
    from .published_schemas import schema_of

    schema: Schema = schema_of("certificate")
    parts = [CERTIFICATE_INTRODUCTION, "| field | type | meaning |\n|---|---|---|"]
    return "\n".join([*parts, f"{_rows(schema, '')}\n"])


DESCRIBED = (
    "check", "run", "scenario-result", "faults", "soak", "explain", "log", "fault-table", "layers",
    "strength", "compare", "confirm", "recheck", "replay", "diagnose", "draw", "doctor",
)  # fmt: skip
"""What has a section on the page of JSON outputs, in its order."""


def outputs_page() -> str:
    """The page of the JSON outputs, in Markdown."""
    from .published_schemas import schema_of

    parts = [OUTPUTS_INTRODUCTION]
    for command in DESCRIBED:
        schema: Schema = schema_of(command)
        title = "run, with a scenario" if command == "scenario-result" else command
        parts += [
            f"## stillgate {title}\n",
            f"{schema['description']}\n",
            "| field | type | meaning |\n|---|---|---|",
        ]
        parts += [f"{_rows(schema, '')}\n"]
    return "\n".join(parts)


def _table(section: Schema) -> str:
    required = set(section.get("required", ()))
    lines = ["| key | needed | meaning | example |", "|---|---|---|---|"]
    for key, field in section.get("properties", {}).items():
        examples = field.get("examples") or [field.get("const", "")]
        shown = (
            json.dumps(examples[0], ensure_ascii=False) if not isinstance(examples[0], str) else examples[0]
        )
        need = "yes" if key in required else "no"
        lines.append(f"| `{key}` | {need} | {_plain(field.get('description', ''))} | {_code(shown)} |")
    return "\n".join(lines) + "\n"


def _rows(schema: Schema, path: str) -> str:
    return "\n".join(_lines(schema, path))


def _lines(schema: Schema, path: str) -> Iterator[str]:
    """A row for each field, nested fields under the path that leads to them."""
    for name, field in schema.get("properties", {}).items():
        here = f"{path}{name}"
        inner = field
        if "anyOf" in field:
            inner = field["anyOf"][0]
        yield f"| `{here}` | {_type(field)} | {_plain(field.get('description', ''))} |"
        yield from _lines(inner, f"{here}.")
        if inner.get("type") == "array" and isinstance(inner["items"], dict):
            yield from _lines(inner["items"], f"{here}[].")


def _type(field: Schema) -> str:
    if "$ref" in field:
        return "condition"
    if "anyOf" in field:
        return " or ".join(_type(item) for item in field["anyOf"])
    kind = field.get("type", "")
    return " or ".join(kind) if isinstance(kind, list) else str(kind)


def _plain(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def _code(text: str) -> str:
    return f"`{text}`" if text else ""


def main(folder: Path) -> None:
    """Writes the pages."""
    (folder / "certificate.md").write_text(certificate_page(), encoding="utf-8")
    (folder / "column-map.md").write_text(column_map_page(), encoding="utf-8")
    (folder / "scenario-file.md").write_text(scenario_file_page(), encoding="utf-8")
    (folder / "machine-file.md").write_text(machine_file_page(), encoding="utf-8")
    (folder / "json-outputs.md").write_text(outputs_page(), encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))

"""What differs between two files with named conditions, in words."""

from __future__ import annotations

from stillgate.controller.reading.reader import read_machine_text
from stillgate.interlocks.analyses.file_diff import file_changes

PLAIN = """\
machine: m
scan: 20 ms
inputs: {a: {}, b: {}}
outputs: {y: {}}
parts: {fan: {kind: spin, drive: y, runs_down: 1 s}}
sequences:
  s: {start: x, states: {x: {exits: [{when: a and not b, to: z}]}, z: {on: [y], exits: [{when: b, to: x}]}}}
interlocks: [{hold_off: y, unless: a and not b}]
requirements: {r: {never: y and not (a and not b)}}
"""
NAMED = PLAIN.replace("a and not b, to", "clear, to").replace("unless: a and not b", "unless: clear").replace(
    "not (a and not b)", "not clear").replace("sequences:", """\
conditions:
  clear: {when: a and not b, why: so that nobody is hit}
sequences:""")  # fmt: skip


def told(old: str, new: str) -> list[str]:
    return [item.text for item in file_changes(read_machine_text(old), read_machine_text(new))]


def test_giving_a_condition_a_name_changes_nothing_else() -> None:
    assert told(PLAIN, NAMED) == ["condition clear added: 'a and not b'"]
    assert told(NAMED, PLAIN) == ["condition clear removed: 'a and not b'"]


def test_why_and_spacing_of_a_condition_are_no_change() -> None:
    assert told(NAMED, NAMED.replace("a and not b, why: so that nobody is hit", "a  and not (b)")) == []


def test_what_follows_from_another_condition_is_told_where_its_name_stands() -> None:
    assert told(NAMED, NAMED.replace("{when: a and not b,", "{when: a or not b,")) == [
        "condition clear: was 'a and not b', is 'a or not b'",
        "s.x: 'to z, when a and not b' is now 'to z, when a or not b'",
        "interlocks: 'y held off unless a and not b' is now 'y held off unless a or not b'",
        "requirement r: 'never: y and not (a and not b)' is now 'never: y and not (a or not b)'",
    ]


def test_a_part_that_reads_a_name_is_told_by_what_it_means() -> None:
    driven = NAMED.replace("drive: y,", "drive: on,").replace("conditions:\n", "conditions:\n  on: y\n")
    assert told(driven, driven.replace("  on: y", "  on: not y")) == [
        "part fan: drive was y, is not y",
        "condition on: was 'y', is 'not y'",
    ]

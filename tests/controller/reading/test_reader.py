"""Machine files: every problem of YAML, shape and expressions, at its exact place, all at once."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from machine_texts import YARD_GATE, broken, problems_of
from stillgate.controller.effort import Effort
from stillgate.controller.errors import CapReached, MachineFileError, Severity
from stillgate.controller.reading.messages import SENTENCES
from stillgate.controller.reading.reader import (
    MOST_LOOKED_AT,
    read_machine,
    read_machine_bytes,
    read_machine_text,
)
from stillgate.controller.reading.source import LARGEST_FILE, MOST_PROBLEMS

WRONG = [
    # what is replaced, by what (¶ before the place), message, hint
    # shape
    ("scan: 20 ms", "scan: ¶20", "20 is a number without a unit", "say '20 ms' or '20 s'"),
    ("scan: 20 ms", "scan: ¶1.5", "1.5 is a number without a unit", "say '1.5 ms' or '1.5 s'"),
    ("scan: 20 ms", "scan: ¶0 ms", "'scan' must be more than 0", "say for example 'scan: 20 ms'"),
    ("scan: 20 ms\n", "", "'scan' is missing here", "say for example 'scan: 20 ms'"),
    ("scan: 20 ms", "scan: ¶true", "a time is expected here", ""),
    ("machine: yard_gate", "machine: ¶3", "a name is expected here", "say for example 'machine: yard_gate'"),
    ("machine: yard_gate", "machine: yard¶ gate", "'yard gate' is not a name", "say 'yard_gate'"),
    ("machine: yard_gate", "machine: ¶2nd", "'2nd' is not a name", "say 'nd'"),
    ("machine: yard_gate", "machine: yard¶__gate", "no two '_' in a row", "say 'yard_gate'"),
    ("machine: yard_gate", "machine: ¶xor", "'xor' is a word of the language", "say 'xor_1'"),
    ("machine: yard_gate", "machine: ¶" + "a" * 65, "at most 64 characters, this one has 65", ""),
    ("  gate_open: {}", "  ¶seen: {}", "'seen' is a word of the language and cannot be a name", ""),
    ("  gate_open: {}", "  'a¶\"b': {}", "is not a name", "say 'a_b'"),
    ("  gate_open: {}", "  ¶gate_open:", "keys with values are expected, and nothing stands here", "{}"),
    ("  gate_open: {}", "  gate_open: ¶5", "keys with values are expected here", ""),
    (
        "contact: normally_closed, debounce",
        "contact: ¶normaly_closed, debounce",
        "is not possible here",
        "did you mean 'normally_closed'?",
    ),
    (
        "open_button: {from: operator}",
        "open_button: {from: ¶operatr}",
        "'operatr' is not possible here: 'operator'",
        "say 'operator', or leave it out",
    ),
    ("debounce: 40 ms", "debounce: 40 ¶sec", "'sec' is not a unit of time", "say '40 s'"),
    ("debounce: 40 ms", "¶debounc: 40 ms", "unknown key 'debounc'", "did you mean 'debounce'?"),
    ("rail: {range: 0..5", "rail: {range: ¶5..0", "the range runs backwards", "say '0..5'"),
    ("rail: {range: 0..5", "rail: {range: ¶0..0", "counts nothing", "say '0..1'"),
    ("rail: {range: 0..5", "rail: {range: ¶lots", "'lots' is not a range", "'0..5'"),
    ("rail: {range: 0..5", "rail: {range: ¶5", "a range is expected here", "'range: 0..5'"),
    ("rail: {range: 0..5", "rail: {range: ¶0..9999999999", "at most 32 bits", ""),
    ("start: 0}", "start: ¶zero}", "true, false or a whole number is expected here", ""),
    ("start: 0}", "start: ¶0.5}", "true, false or a whole number is expected here", ""),
    ("kind: travel", "kind: ¶travl", "there is no kind of part called 'travl'", "did you mean 'travel'?"),
    ("{kind: spin, drive", "{drive", "'kind' is missing here", "say 'kind: spin'"),
    ("stops: [shut, open]", "stops: ¶[shut]", "'stops' needs at least 2", "[shut, open]"),
    ("stops: [shut, open]", "stops: ¶shut", "a list is expected here", "say 'stops: [shut]'"),
    (
        "stops: [shut, open]",
        "stops: ¶[" + ", ".join(f"s{n}" for n in range(17)) + "]",
        "'stops' has 17 entries",
        "",
    ),
    ("takes: 3..5 s", "takes: ¶5..3 s", "the range runs backwards", "say '3 s..5 s'"),
    ("    takes: 3..5 s\n", "", "'takes' is missing here", "say for example 'takes: 3..5 s'"),
    ("freely: true", "freely: ¶maybe", "'true' or 'false' is expected here", ""),
    ("on: [motor_open]", "on: ¶motor_open", "a list is expected here", "say 'on: [motor_open]'"),
    ("{after: 8 s, to: resting}", "¶{after: 8 s}", "'to' is missing here", "say for example 'to: opening'"),
    ("{after: 8 s, to: resting}", "{after: 8 s, ¶too: resting}", "unknown key 'too'", "did you mean 'to'?"),
    ("{after: 8 s, to: resting}", "{¶<<: 8 s, to: resting}", "unknown key '<<'", "merge keys"),
    ("scan: 20 ms", "scan: 20 ms\n¶\N{NO-BREAK SPACE}note: x", "unknown key", "a no-break space (U+00A0)"),
    ("why: closing edge must be clear", "why: ¶7", "a text is expected here", "put it in quotes: '7'"),
    ("why: two contacts in series", "why: ¶''", "this must not be empty", ""),
    ("faults: 1, exclude", "faults: ¶2, exclude", "'faults' can be at most 1", ""),
    ("faults: 1, exclude", "faults: ¶-1, exclude", "'faults' must be at least 0", ""),
    ("faults: 1, exclude", "faults: ¶yes, exclude", "a whole number is expected here", ""),
    ("faults: 1, exclude", "faults: ¶0.5, exclude", "a whole number is expected here", ""),
    ("one_direction: {never", "one_direction: {¶nevr", "unknown key 'nevr'", "did you mean 'never'?"),
    ("{never: motor_open and motor_shut}", "{}", "the requirement has no pattern", "say 'never', 'always'"),
    ("{never: motor_open and motor_shut}", "¶motor_open", "keys with values are expected here", "never"),
    ("then: not motor_shut, within: 200 ms, ", "", "what follows 'after' is missing", "'then' and 'within'"),
    ("within: 200 ms, ", "", "'within' is missing here", "say for example 'within: 200 ms'"),
    ("sequences:\n", "sequences: ¶[]\nrest:\n", "keys with values are expected here", ""),
    # expressions
    (
        "when: gate_open, to",
        "when: gate_open ¶adn armed, to",
        "'adn' does not belong here",
        "did you mean 'and'?",
    ),
    ("when: gate_open, to", "when: 'gate_open ¶&& armed', to", "'&&' is not an operator here", "say 'and'"),
    ("when: gate_open, to", 'when: "gate_open\\u0020¶== armed", to', "'==' is not an operator here", "'='"),
    ("when: gate_open, to", "when: null, to", "neither 'when' nor 'after'", ""),
    ("when: gate_open, to", "when: ¶[a], to", "an expression is expected here", "rising(open_button)"),
    ("when: gate_open, to", "when: ¶1.5, to", "an expression is expected here", ""),
    ("when: not stop_ok, to", "¶when: , to", "an expression is expected, and nothing stands here", ""),
    (
        "when: gate_open, to",
        "when: held(gate_open¶, 5 s), to",
        "a comma ends a text without quotes",
        "put it in quotes: 'held(gate_open, 5 s)'",
    ),
    (
        "when: gate_open, to",
        "when: not (held(gate_open¶, 5 s)), to",
        "a comma ends a text without quotes",
        "",
    ),
    (
        "gate_open: at open",
        "gate_open: at ¶leaf.open",
        "'at' names a place of this part only",
        "say 'at open'",
    ),
    (
        "  - {hold_off: motor_shut, unless: edge_clear, why: closing edge must be clear}",
        "  - hold_off: motor_shut\n    unless: >-\n      edge_clear and\n      ¶nothing_known",
        "unknown name 'nothing_known'",
        "",
    ),
    (
        "unless: edge_clear",
        "unless: 'edge_clear\n      and ¶nothing_known'\n   ",
        "unknown name 'nothing_known'",
        "",
    ),
    # YAML
    (
        "  gate_open: {}",
        "  gate_open: {}\n  ¶gate_open: {}",
        "'gate_open' stands here a second time",
        "line ",
    ),
    ("  gate_open: {}", "  gate_open: ¶!thing {}", "the tag '!thing' has no meaning here", "not thing"),
    ("  gate_open: {}", "  gate_open: ¶*nowhere", "names no anchor before it", ""),
    ("  gate_open: {}", "  gate_open: {", "',' or '}' is expected before this", "opened in line 9"),
    ("  gate_open: {}", "  gate_open: ¶@x", "a text cannot begin with '@'", "quotes"),
    ("  gate_open: {}", "¶\tgate_open: {}", "a tab stands where only spaces may indent", "spaces"),
]


@pytest.mark.parametrize(("old", "new", "message", "hint"), WRONG)
def test_a_wrong_value_is_reported_at_its_place(old: str, new: str, message: str, hint: str) -> None:
    text, place = broken(old, new)
    problems = problems_of(text)
    matching = [p for p in problems if message in p.message and hint in p.hint]
    assert matching, problems
    assert place is None or place in [(p.line, p.column) for p in matching], problems


def test_every_sentence_about_a_shape_is_met_by_the_table() -> None:
    """The table above and the one in ``messages`` cover each other; no pydantic wording leaks."""
    said = {problem.message for old, new, _, _ in WRONG for problem in problems_of(broken(old, new)[0])}
    missing = {
        kind
        for kind, sentence in SENTENCES.items()
        if not any(text.startswith(sentence.removesuffix(" here")) for text in said)
    }
    assert missing == set()
    assert not [
        text for text in said if re.search(r"[Ii]nput should|instance of|dictionary|does not fit here$", text)
    ]


def test_all_independent_problems_are_told_at_once_in_order() -> None:
    """YAML, shape, expression, name and kind: one of each, and none hides another."""
    text = (
        YARD_GATE.replace("scan: 20 ms", "scan: 20")
        .replace("  gate_shut: {}", "  gate_shut: {}\n  gate_shut: {}")
        .replace("when: rising(open_button)", "when: rising(open_buton)")
        .replace("when: gate_open, to", "when: gate_open and, to")
        .replace("hold_off: motor_shut", "hold_off: motor_shot")
        .replace("never: motor_open", "never: rail")
        .replace("from_anywhere: gate.resting", "from_anywhere: gate.rest")
    )
    problems = problems_of(text)
    assert [problem.message.partition(":")[0] for problem in problems] == [
        "20 is a number without a unit",
        "'gate_shut' stands here a second time",
        "unknown name 'open_buton'",
        "the expression ends too early",
        "there is no output 'motor_shot'",
        "'and' needs a truth, and this is a number",
        "the sequence 'gate' has no state 'rest'",
    ]
    assert problems == sorted(problems, key=lambda problem: (problem.line, problem.column))


def test_a_broken_section_does_not_make_its_name_unknown_elsewhere() -> None:
    for old, new in [
        ("gate_open: {}", "gate_open: {contact: nope}"),
        ("takes: 3..5 s", "takes: 5..3 s"),
        ("stops: [shut, open]", "stops: nope"),
        ("kind: travel", "kind: travl"),
        ("motor_open: {}", "motor_open: 5"),
        ("armed: {}", "armed: {start: 0.5}"),
    ]:
        text = YARD_GATE.replace(f" {old}", f" {new}", 1)
        assert len(problems_of(text)) == 1, new


def test_a_message_shows_file_place_line_caret_and_the_nearest_right_thing() -> None:
    text, _ = broken("when: gate_open, to", "when: gate_opne, to")
    with pytest.raises(MachineFileError) as caught:
        read_machine_text(text, "yard_gate.yaml")
    line = next(line for line in text.splitlines() if "gate_opne" in line)
    number = text.splitlines().index(line) + 1
    column = line.index("gate_opne") + 1
    assert str(caught.value) == (
        f"yard_gate.yaml:{number}:{column}: unknown name 'gate_opne'\n"
        f"    {line}\n"
        f"    {' ' * (column - 1)}^^^^^^^^^\n"
        "    did you mean 'gate_open'?"
    )


def test_a_long_line_is_shown_around_the_fault() -> None:
    text, _ = broken("unless: edge_clear", f"unless: {' or '.join(['edge_clear'] * 30)} or edge_claer")
    with pytest.raises(MachineFileError) as caught:
        read_machine_text(text)
    _, shown, caret, hint = str(caught.value).splitlines()
    assert len(shown) <= 4 + 120
    assert shown[caret.index("^") : caret.rindex("^") + 1] == "edge_claer"
    assert hint == "    did you mean 'edge_clear'?"


def test_a_document_holds_machine_source_places_and_warnings(tmp_path: Path) -> None:
    path = tmp_path / "gate.yaml"
    text = YARD_GATE.replace("outputs:", "outputs:\n  horn: {}")
    path.write_bytes(text.encode())
    document = read_machine(path)
    lines = text.splitlines()
    assert document.machine.machine == "yard_gate"
    assert document.path == path
    assert document.source == text.encode()
    line, column = document.place(("requirements", "can_rest"))
    assert lines[line - 1][column - 1 :].startswith("can_rest: ")
    line, column = document.place(("interlocks", 0))
    assert lines[line - 1][column - 1 :].startswith("{hold_off")
    line, column = document.place(("sequences", "gate", "states", "opening", "exits", 1, "after"))
    assert lines[line - 1][column - 1 :].startswith("after: 8 s")
    (warning,) = document.warnings
    shown = document.render(warning)
    assert shown.startswith(f"{path}:{warning.line}:3: warning: nothing drives the output 'horn'")


def test_a_place_that_is_not_in_the_file_is_that_of_its_section() -> None:
    document = read_machine_text(YARD_GATE)
    assert document.place(("check", "nothing", 3)) == document.place(("check",))


def test_a_byte_order_mark_and_windows_line_ends_change_nothing() -> None:
    content = b"\xef\xbb\xbf" + YARD_GATE.replace("\n", "\r\n").encode()
    assert read_machine_bytes(content, "gate.yaml").machine == read_machine_text(YARD_GATE).machine


def test_places_count_characters_also_behind_umlauts() -> None:
    text, place = broken("{to: out, freely: true}", "{note: '\u00fcber \U0001f6a7', to: ¶uot, freely: true}")
    assert [(p.line, p.column) for p in problems_of(text)] == [place]


WHOLE_FILE = [
    (b"\x7fELF\x00\x00", "this is a binary file, not a machine file"),
    (b"\xff\xfea\x00", "the file is saved as UTF-16"),
    (b"machine: caf\xe9\n", "byte 0xE9 is not UTF-8"),
    (b"", "the file is empty"),
    (b"[]", "a machine file begins with keys"),
    (b"hello", "a machine file begins with keys"),
    (b"a: 1\n---\nb: 2\n", "a second document begins here"),
    (b"x" * (LARGEST_FILE + 1), "the largest allowed is 2 MiB"),
]


@pytest.mark.parametrize(("content", "message"), WHOLE_FILE)
def test_what_is_no_machine_file_is_refused_in_one_sentence(content: bytes, message: str) -> None:
    with pytest.raises(MachineFileError) as caught:
        read_machine_bytes(content, "file.yaml")
    assert [problem.message for problem in caught.value.problems if message in problem.message]
    assert str(caught.value).startswith("file.yaml:")


def test_a_large_file_is_refused_by_its_size_before_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "large.yaml"
    with path.open("wb") as stream:
        os.truncate(stream.fileno(), 100_000_000)  # sparse: takes no room, and would take long to parse
    with pytest.raises(MachineFileError, match=r"100\.0 MB"):
        read_machine(path)


def test_a_missing_file_names_the_nearest_that_is_there(tmp_path: Path) -> None:
    (tmp_path / "yard_gate.yaml").write_text(YARD_GATE)
    with pytest.raises(
        MachineFileError, match=r"there is no such file\n.*did you mean '.*yard_gate\.yaml'\?"
    ):
        read_machine(tmp_path / "yard_gat.yaml")
    with pytest.raises(MachineFileError, match="its folder is not there either"):
        read_machine(tmp_path / "nowhere" / "yard_gate.yaml")


def test_a_folder_names_a_machine_file_in_it(tmp_path: Path) -> None:
    with pytest.raises(MachineFileError, match="it holds no YAML file"):
        read_machine(tmp_path)
    (tmp_path / "yard_gate.yaml").write_text(YARD_GATE)
    with pytest.raises(MachineFileError, match=r"this is a folder.*\n.*yard_gate\.yaml"):
        read_machine(tmp_path)


def test_names_no_file_can_have_are_refused() -> None:
    with pytest.raises(MachineFileError, match="cannot be read"):
        read_machine("a\0b")
    with pytest.raises(MachineFileError, match="cannot be read"):
        read_machine("a" * 5000)


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="needs a device file")
def test_an_endless_device_is_not_read() -> None:
    with pytest.raises(MachineFileError, match="not a regular file"):
        read_machine("/dev/zero")


def test_more_problems_than_anyone_reads_are_counted() -> None:
    text = YARD_GATE.replace(
        "inputs:", "inputs:\n" + "\n".join(f"  in_{n}: {{frm: operator}}" for n in range(150))
    )
    problems = problems_of(text)
    assert len(problems) == MOST_PROBLEMS + 1
    assert problems[-1].message == "and 50 more"


def test_where_not_all_problems_were_looked_at_there_are_at_least_so_many() -> None:
    free = "\n".join(f"  in_{n}: {{}}" for n in range(MOST_LOOKED_AT + 5))
    problems = problems_of(YARD_GATE.replace("inputs:", f"inputs:\n{free}"), Severity.WARNING)
    assert problems[-1].message == f"and at least {MOST_LOOKED_AT - MOST_PROBLEMS} more"
    assert problems[-1].severity is Severity.WARNING


def test_reading_ends_with_the_time() -> None:
    over = Effort().within(0)
    with pytest.raises(CapReached, match=r"gate\.yaml: the time was over before the file was read"):
        read_machine_bytes(YARD_GATE.encode(), "gate.yaml", over)


def test_warnings_wait_until_there_are_no_errors() -> None:
    """A misspelt name makes a name unused: that warning would be a consequence, not a fact."""
    text, _ = broken("when: rising(open_button)", "when: rising(open_buton)")
    assert problems_of(text, Severity.WARNING) == []


PIECES = [
    "{",
    "}",
    "[",
    "]",
    ":",
    "-",
    ",",
    "'",
    '"',
    "&a",
    "*a",
    "!x",
    "|",
    ">",
    "#",
    "~",
    "true",
    "20",
    "1.5",
    "and",
    "(",
    ")",
    "held(",
    "é",
    "---",
    "5..3\xa0s",
    "{}",
    "0x10",
    "\\",
    "<<",
]
pieces = st.sampled_from([*PIECES, ": ", "- ", "\n", "  ", "\t", "\r", "\u2028", "---\n"])
edits = st.lists(st.tuples(st.integers(0, len(YARD_GATE)), st.integers(0, 8), pieces), min_size=1, max_size=4)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(edits)
def test_no_damage_to_a_file_raises_anything_but_a_machine_file_error(
    changes: list[tuple[int, int, str]],
) -> None:
    text = YARD_GATE
    for place, length, piece in changes:
        text = text[:place] + piece + text[place + length :]
    try:
        read_machine_text(text)
    except MachineFileError as error:
        assert str(error)
        for problem in error.problems:
            if problem.line:
                assert 1 <= problem.line <= len(error.lines)
                assert 1 <= problem.column <= len(error.lines[problem.line - 1]) + 2


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_no_bytes_raise_anything_but_a_machine_file_error(content: bytes) -> None:
    with pytest.raises(MachineFileError) as caught:
        read_machine_bytes(content, "f")
    assert str(caught.value)


def test_reading_imports_no_optional_library() -> None:
    code = (
        "import sys; import stillgate.controller.reading.reader;"
        "print([m for m in ('rich', 'transitions', 'graphviz', 'numba', 'cyclopts') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"

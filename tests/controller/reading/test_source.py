"""YAML text to nodes: places, values, limits, and YAML's own errors in words."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.controller.reading.source import (
    DEEPEST_NESTING,
    MOST_NODES,
    Mapping,
    Scalar,
    SourceError,
    Text,
    data_of,
    offsets_in,
    plain_value,
    read_source,
)
from stillgate.controller.reading.yaml_errors import FAULTS, YamlFault


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("null", None), ("Null", None), ("NULL", None), ("~", None), ("", None),
        ("true", True), ("True", True), ("TRUE", True), ("false", False), ("FALSE", False),
        ("0", 0), ("-19", -19), ("+12", 12), ("0o7", 7), ("0x3A", 58),
        ("0.", 0.0), ("-0.0", 0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
        ("on", "on"), ("off", "off"), ("yes", "yes"), ("no", "no"), ("y", "y"), ("n", "n"),
        ("1_000", "1_000"), ("12:30", "12:30"), ("3..5 s", "3..5 s"), ("2001-12-14", "2001-12-14"),
    ],
)  # fmt: skip
def test_plain_scalars_follow_the_core_schema(text: str, value: object) -> None:
    """Source: YAML 1.2.2, 10.3.2 (tag resolution) and examples 10.8 and 10.9; infinities are left
    as words, since no key of a machine file takes a fraction."""
    found = plain_value(text)
    assert found == value
    assert type(found) is type(value)


def test_what_yaml_1_1_took_for_truths_stays_a_word() -> None:
    """Source: YAML 1.2.2, 1.2 and 10.3.2: only true and false are booleans."""
    assert data_of(read_source("on: [off, yes, no]").root) == {"on": ["off", "yes", "no"]}


def test_keys_are_the_text_that_stands_there() -> None:
    assert data_of(read_source("true: 1\n20: 2\nnull: 3\n'a b': 4").root) == {
        "true": 1,
        "20": 2,
        "null": 3,
        "a b": 4,
    }


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.message)
def test_every_yaml_error_is_said_in_words_at_its_place(fault: YamlFault) -> None:
    """The table in ``yaml_errors`` is the one the code uses."""
    offset = fault.example.index("¶")
    with pytest.raises(SourceError) as caught:
        read_source(fault.example.replace("¶", ""))
    assert caught.value.offset == offset
    fixed = fault.message.partition("{what}")[0]
    assert caught.value.message.startswith(fixed)
    assert "{" not in caught.value.message.replace("'{'", "")


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("parts:\n  shaft\n    kind: spin", "the key above ends in ':'"),
        ("shaft:\n  kind:spin\n  drive: m", "the key above ends in ':'"),
        ("scan:20 ms\nparts: {}", "with a space"),
        ("interlocks:\n  - {hold_off: a}\n  {hold_off: b}\nparts: {}", "'- ' is missing"),
        ("on: [{why: a: b}]", "holds ': ' or a comma needs quotes"),
    ],
)
def test_what_beginners_leave_out_is_in_the_hint(text: str, hint: str) -> None:
    """YAML notices a colon, a space, a dash or a quote that is missing only further on."""
    with pytest.raises(SourceError) as caught:
        read_source(text)
    assert hint in caught.value.hint


STYLES = """\
plain: not edge_clear or x
folded_plain: not edge_clear
  or x
single: 'it''s x'
double: "a \\t \\u0041 x"
double_folded: "not edge_clear \\
  or x"
block: >-

  # header comment above is text
  not edge_clear
  or x
literal: |2
    indented x
"""


@pytest.mark.parametrize(
    "key", ["plain", "folded_plain", "single", "double", "double_folded", "block", "literal"]
)
def test_every_character_of_a_text_is_found_again_in_the_file(key: str) -> None:
    root = read_source(STYLES).root
    assert isinstance(root, Mapping)
    node = root.values[key]
    assert isinstance(node, Scalar)
    offsets = offsets_in(node, STYLES)
    assert len(offsets) == len(node.text) + 1
    for character, offset in zip(node.text, offsets, strict=False):
        if not character.isspace():
            assert STYLES[offset] in (character, "\\")
    assert STYLES[offsets[node.text.rindex("x")]] == "x"


blank_free = st.text(
    st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Z"]), min_size=1, max_size=8
)


@given(
    st.lists(blank_free, min_size=1, max_size=6), st.sampled_from(["'", '"']), st.sampled_from([" ", "\n  "])
)
def test_offsets_hold_for_any_quoted_text(pieces: list[str], quote: str, gap: str) -> None:
    escaped = [
        p.replace("'", "''") if quote == "'" else p.replace("\\", "\\\\").replace('"', '\\"') for p in pieces
    ]
    text = f"key: {quote}{gap.join(escaped)}{quote}\n"
    try:
        root = read_source(text).root
    except SourceError:  # a byte order mark or the like, which YAML does not allow
        return
    assert isinstance(root, Mapping)
    node = root.values["key"]
    assert isinstance(node, Scalar)
    assert node.text == " ".join(pieces)
    for character, offset in zip(node.text, offsets_in(node, text), strict=False):
        if not character.isspace():
            assert text[offset] == character or text[offset : offset + 2] in ("''", f"\\{character}")


def test_lines_and_columns_count_as_editors_do() -> None:
    text = Text("ab\r\nc\rd\n\ne")
    assert text.lines() == ("ab", "c", "d", "", "e")
    assert [text.place(offset) for offset in (0, 1, 4, 6, 8, 9)] == [
        (1, 1),
        (1, 2),
        (2, 1),
        (3, 1),
        (4, 1),
        (5, 1),
    ]
    assert [text.line_length(line) for line in (1, 2, 3, 4, 5)] == [2, 1, 1, 0, 1]


def test_duplicate_keys_are_told_with_the_first_and_reading_goes_on() -> None:
    source = read_source("a: 1\nb: 2\na: 3\nb: 4\n")
    assert source.problems == [
        (10, "'a' stands here a second time", "the first is in line 1"),
        (15, "'b' stands here a second time", "the first is in line 2"),
    ]
    assert data_of(source.root) == {"a": 1, "b": 2}


@pytest.mark.parametrize(
    "tag", ["!!python/object:os.system", "!!python/object/apply:os.system", "!x", "!!str", "!<x>"]
)
def test_tags_construct_nothing(tag: str) -> None:
    source = read_source(f"a: {tag} b")
    assert data_of(source.root) == {"a": "b"}
    ((offset, message, _),) = source.problems
    assert offset == 3
    assert message.endswith("has no meaning here")


def test_an_alias_stands_for_its_anchor() -> None:
    source = read_source("a: &x {b: 1}\nc: *x\n")
    assert data_of(source.root) == {"a": {"b": 1}, "c": {"b": 1}}
    assert source.problems == []


def test_an_alias_inside_its_own_anchor_is_told() -> None:
    ((offset, message, _),) = read_source("a: &x [*x]").problems
    assert (offset, message) == (7, "the alias '*x' stands inside what it names")


def test_an_unknown_alias_is_told() -> None:
    ((offset, message, _),) = read_source("a: *x").problems
    assert (offset, message) == (3, "the alias '*x' names no anchor before it")


def test_aliases_that_multiply_are_refused_early() -> None:
    """The 'billion laughs' document: nine lists of ten aliases of one another."""
    lines = ["a0: &a0 [x, x, x, x, x, x, x, x, x, x]"]
    lines += [f"a{n}: &a{n} [{', '.join([f'*a{n - 1}'] * 10)}]" for n in range(1, 10)]
    with pytest.raises(SourceError, match=f"more than {MOST_NODES} entries, aliases counted in full"):
        read_source("\n".join(lines))


def test_aliases_that_nest_are_refused() -> None:
    lines = ["- &a0 [x]", *(f"- &a{n} [*a{n - 1}]" for n in range(1, 2000))]
    with pytest.raises(SourceError, match=f"nested more than {DEEPEST_NESTING} deep"):
        read_source("\n".join(lines))


@pytest.mark.parametrize(
    "text", ["[" * 100_000, "{a: " * 100_000, "- " * 100_000, "? " * 100_000, "a: &a [" * 1000]
)
def test_deep_nesting_is_refused_before_anything_overflows(text: str) -> None:
    with pytest.raises(SourceError, match=r"deep|does not fit"):
        read_source(text)


def test_too_many_entries_are_refused() -> None:
    with pytest.raises(SourceError, match=f"more than {MOST_NODES} entries"):
        read_source("[" + "x," * (MOST_NODES + 1) + "]")


@pytest.mark.parametrize("text", ["", "   \n", "# a remark\n", "---\n...\n"])
def test_an_empty_file_is_told(text: str) -> None:
    with pytest.raises(SourceError, match="the file is empty") as caught:
        source = read_source(text)
        if source.root.end == source.root.start:  # '---' holds one empty scalar
            raise SourceError(0, "the file is empty")
    assert caught.value.offset == 0


def test_a_second_document_is_refused() -> None:
    with pytest.raises(SourceError, match="a second document begins here") as caught:
        read_source("a: 1\n---\nb: 2\n")
    assert caught.value.offset == 5


def test_control_characters_are_refused_with_their_code() -> None:
    with pytest.raises(SourceError, match=r"character U\+0007 cannot stand in a text file") as caught:
        read_source("a: b\x07")
    assert caught.value.offset == 4


@given(st.text(max_size=80) | st.text("{}[]:,-'\"&*!|>%?# \n\tab", max_size=60))
def test_no_text_does_anything_but_parse_or_be_refused(text: str) -> None:
    try:
        source = read_source(text)
    except SourceError as error:
        assert 0 <= error.offset <= len(text)
        assert error.message
    else:
        data_of(source.root)

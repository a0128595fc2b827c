"""Which names may be read where, and what is said about the others."""

from __future__ import annotations

import pytest

from machine_texts import YARD_GATE
from stillgate.controller.errors import TextError
from stillgate.controller.machine_file.machine import Memory
from stillgate.controller.reading.reader import read_machine_text
from stillgate.controller.rules.namespace import (
    AskedRef,
    Context,
    InputRef,
    MemoryRef,
    Namespace,
    OutputRef,
    PartTruthRef,
    Reference,
    SeenRef,
    StateRef,
    memory_bounds,
    nearest_hint,
    part_truths,
)

MACHINE = read_machine_text(YARD_GATE).machine
NAMES = Namespace(MACHINE)
ALL = set(Context)
CONTROLLER = {Context.GUARD, Context.INTERLOCK}
LOGICAL = CONTROLLER | {Context.REQUIREMENT, Context.CONDITION}
WHOLE = {Context.REQUIREMENT, Context.CONDITION}

READABLE: list[tuple[str, Reference, set[Context]]] = [
    ("gate_open", InputRef("gate_open"), LOGICAL),
    ("motor_open", OutputRef("motor_open"), ALL - {Context.SENSE}),
    ("rail", MemoryRef("rail"), LOGICAL),
    ("gate.opening", StateRef("gate", "opening"), LOGICAL),
    ("fan.turning", PartTruthRef("fan", "turning"), WHOLE | {Context.PLANT}),
    ("fan.at_speed", PartTruthRef("fan", "at_speed"), WHOLE | {Context.PLANT, Context.DRIVE}),
    ("cars.item", PartTruthRef("cars", "item"), WHOLE | {Context.PLANT, Context.DRIVE}),
    ("bolt.at_home", PartTruthRef("bolt", "at_home"), WHOLE | {Context.PLANT, Context.DRIVE}),
    ("leaf.moving", PartTruthRef("leaf", "moving"), WHOLE | {Context.PLANT, Context.SENSE}),
    ("moving", PartTruthRef("leaf", "moving"), {Context.PLANT, Context.SENSE}),
    ("at_open", PartTruthRef("leaf", "at_open"), {Context.PLANT, Context.SENSE}),
    ("seen.gate_open", SeenRef("gate_open"), WHOLE),
    ("asked.motor_open", AskedRef("motor_open"), WHOLE),
]
"""Each name with its meaning and the contexts that may read it; the part is always ``leaf``."""


@pytest.mark.parametrize("context", Context)
@pytest.mark.parametrize(("path", "reference", "contexts"), READABLE)
def test_a_name_is_readable_exactly_where_the_table_says(
    path: str, reference: Reference, contexts: set[Context], context: Context
) -> None:
    if context in contexts:
        assert NAMES.resolve(path, context, "leaf") == reference
    else:
        with pytest.raises(TextError):
            NAMES.resolve(path, context, "leaf")


@pytest.mark.parametrize("context", Context)
def test_every_name_that_is_offered_can_be_read(context: Context) -> None:
    offered = list(NAMES.known(context, "leaf"))
    assert offered
    for path in offered:
        NAMES.resolve(path, context, "leaf")


def test_parts_offer_their_truths_in_a_fixed_order() -> None:
    assert {name: part_truths(part) for name, part in MACHINE.parts.items()} == {
        "leaf": ("at_shut", "at_open", "moving", "still"),
        "fan": ("turning", "still", "at_speed"),
        "cars": ("item",),
        "bolt": ("at_out", "at_home"),
    }


@pytest.mark.parametrize("context", Context)
def test_at_names_a_place_of_the_part_itself(context: Context) -> None:
    if context in (Context.PLANT, Context.SENSE):
        assert NAMES.resolve_at("open", context, "leaf") == PartTruthRef("leaf", "at_open")
        with pytest.raises(TextError, match="'leaf' has no place 'home'"):
            NAMES.resolve_at("home", context, "leaf")
    else:
        with pytest.raises(TextError, match="'at' cannot stand in"):
            NAMES.resolve_at("open", context, "leaf")


@pytest.mark.parametrize(
    ("path", "context", "message", "hint", "marked"),
    [
        ("gate_opne", Context.GUARD, "unknown name 'gate_opne'", "did you mean 'gate_open'?", "gate_opne"),
        ("GATE_OPEN", Context.GUARD, "unknown name 'GATE_OPEN'", "did you mean 'gate_open'?", "GATE_OPEN"),
        ("opening", Context.GUARD, "unknown name 'opening'", "did you mean 'gate.opening'?", "opening"),
        ("gate", Context.GUARD, "'gate' is a sequence, not a truth", "as in 'gate.resting'", "gate"),
        ("gate.opning", Context.GUARD, "has no state 'opning'", "did you mean 'opening'?", "opning"),
        ("leaf", Context.REQUIREMENT, "'leaf' is a part, not a truth", "as in 'leaf.at_shut'", "leaf"),
        ("leaf.movin", Context.REQUIREMENT, "has no truth 'movin'", "did you mean 'moving'?", "movin"),
        ("leaf.moving", Context.GUARD, "known to the simulation", "'gate_shut', 'gate_open'", "leaf.moving"),
        ("fan.turning", Context.GUARD, "known to the simulation", "give 'fan' a switch", "fan.turning"),
        ("seen.rail", Context.REQUIREMENT, "there is no input 'rail'", "", "rail"),
        ("asked.motor", Context.REQUIREMENT, "there is no output 'motor'", "did you mean", "motor"),
        (
            "seen.gate_open",
            Context.GUARD,
            "may stand in requirements only",
            "say 'gate_open'",
            "seen.gate_open",
        ),
        ("rail.value", Context.GUARD, "'rail' has no '.value'", "say 'rail'", ".value"),
        ("fan.turning", Context.DRIVE, "'fan.turning' is a motion", "'fan.at_speed'", "fan.turning"),
        ("leaf.at_open", Context.DRIVE, "cannot be driven by its own place", "", "leaf.at_open"),
        ("fan.still", Context.SENSE, "senses 'leaf' only, not 'fan'", "", "fan.still"),
        ("rail", Context.PLANT, "belongs to the controller", "depends on outputs", "rail"),
        ("zzz", Context.GUARD, "unknown name 'zzz'", "", "zzz"),
    ],
)
def test_other_names_are_refused_with_the_nearest_right_thing(
    path: str, context: Context, message: str, hint: str, marked: str
) -> None:
    with pytest.raises(TextError) as caught:
        NAMES.resolve(path, context, "leaf")
    assert message in caught.value.message
    assert hint in caught.value.hint
    assert path[caught.value.start : caught.value.end] == marked


@pytest.mark.parametrize(("range_", "bounds"), [(None, (0, 1)), ("0..5", (0, 5)), ("-5..-2", (-5, -2))])
def test_a_memory_has_bounds(range_: str | None, bounds: tuple[int, int]) -> None:
    assert memory_bounds(Memory(range=range_)) == bounds


def test_a_hint_lists_the_choices_when_nothing_is_similar_and_they_are_few() -> None:
    assert nearest_hint("zzz", ["a", "b"]) == "there is 'a', 'b'"
    assert nearest_hint("zzz", [f"name_{n}" for n in range(9)]) == ""


def test_a_hint_among_thousands_of_names_still_finds_what_begins_alike() -> None:
    names = [f"valve_{n}" for n in range(5000)] + ["motor_open"]
    assert nearest_hint("motor_opne", names) == "did you mean 'motor_open'?"

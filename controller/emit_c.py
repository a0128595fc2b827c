"""Writes the controller as plain C99: the file that is deployed and, unchanged, explored.

Only ``<stdint.h>`` is included; nothing is allocated, nothing recurses, no library is
called. The period is one compile-time constant, ``SG_PERIOD_MS``, so the same bytes serve
the real scan and the check's tick. Where the check wants to know or answer something, the
source has a macro that means nothing, or the plain thing, unless defined before:

* ``READ_<input>_<OBSERVATION>(s)``  an observation of an input (default: the sensed cells),
* ``SG_TAKEN(s, n)``   exit n was taken,
* ``SG_BOUNDS(s, n)``  counter n was asked to leave its bounds and kept its value.

Every C name derived from a user's name holds a double underscore or a fixed prefix, which
no C keyword does, so a signal may be called ``int`` or ``while``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from .expression import Operator
from .program import (
    Assign,
    Begin,
    Block,
    Cell,
    Choose,
    Complement,
    Constant,
    ControllerProgram,
    If,
    Lookup,
    Note,
    NoteKind,
    Observation,
    Operation,
    Read,
    Ref,
    Remark,
    Signal,
    Statement,
    Switch,
    Term,
    TimeConstant,
    terms_in,
)

_C_OPERATORS = {
    Operator.AND: "&&",
    Operator.OR: "||",
    Operator.XOR: "^",
    Operator.EQ: "==",
    Operator.NE: "!=",
    Operator.LT: "<",
    Operator.LE: "<=",
    Operator.GT: ">",
    Operator.GE: ">=",
    Operator.ADD: "+",
    Operator.SUB: "-",
}

INDENT = "    "


def c_name(cell: Cell) -> str:
    """Field name of a cell: dots become double underscores, which no user's name holds."""
    return cell.name.replace(".", "__")


def c_type(cell: Cell) -> str:
    """Type of a cell's field. Cells that count time are wide, whatever the period.

    Memory is signed and wide too: a user may compare a counter with 0 or 255, which a compiler
    would warn is always so in a narrow unsigned type.
    """
    counts_time = cell.name.endswith((".run", ".elapsed", ".differs"))
    is_memory = cell.name.endswith((".value", ".next", ".wanted"))
    narrow = cell.low >= 0 and cell.high <= 255 and not counts_time and not is_memory
    return "uint8_t" if narrow else "int32_t"


@dataclass(frozen=True)
class CWriter:
    """Writes terms and statements as C.

    ``place`` gives the C lvalue of a cell; ``choose`` and ``note`` give the C text of a
    choice and of a note; ``constant`` may give a number compared with a cell a name.
    """

    place: Callable[[Cell], str]
    note: Callable[[Note], str]
    choose: Callable[[Choose], str] | None = None
    constant: Callable[[Cell, int], str] = lambda cell, value: str(value)
    read_argument: str = "s"
    table: Callable[[tuple[int, ...]], str] | None = None  # name of a constant table

    def term(self, term: Term) -> str:
        """C expression of a term, of type int or int32_t."""
        match term:
            case Constant(value=value):
                return str(value) if value >= 0 else f"({value})"
            case TimeConstant(milliseconds=milliseconds):
                return f"SG_TICKS({milliseconds})"
            case Ref(cell=cell):
                return self.place(cell)
            case Read(observation=Observation.HELD, signal=signal, milliseconds=milliseconds):
                return f"READ_{signal}_HELD({self.read_argument}, SG_TICKS({milliseconds}))"
            case Read(observation=observation, signal=signal):
                return f"READ_{signal}_{observation.name}({self.read_argument})"
            case Complement(operand=operand):
                return f"!{self._bracketed(operand)}"
            case Lookup(table=table, index=index):
                assert self.table is not None, "a controller looks nothing up"
                return f"{self.table(table)}[{self.term(index)}]"
            case Operation(operator=Operator.EQ, left=Ref(cell=cell), right=Constant(value=value)):
                return f"{self.place(cell)} == {self.constant(cell, value)}"
            case Operation(operator=sign, left=left, right=right):
                return f"{self._side(left, sign)} {_C_OPERATORS[sign]} {self._side(right, sign)}"

    def _side(self, term: Term, sign: Operator) -> str:
        """A side of an operation; ``!a == b`` draws a warning, so '!' gets brackets beside a comparison."""
        if isinstance(term, Complement) and sign not in (Operator.AND, Operator.OR):
            return f"({self.term(term)})"
        return self._bracketed(term)

    def _bracketed(self, term: Term) -> str:
        text = self.term(term)
        return f"({text})" if isinstance(term, Operation) else text

    def block(self, block: Block, depth: int = 1) -> Iterator[str]:
        """Lines of C of a block."""
        for statement in block:
            yield from self._statement(statement, depth)

    def _statement(self, statement: Statement, depth: int) -> Iterator[str]:
        pad = INDENT * depth
        match statement:
            case Assign(cell=cell, value=Constant(value=value)):
                yield f"{pad}{self.place(cell)} = {self.constant(cell, value)};"
            case Assign(cell=cell, value=value):
                yield f"{pad}{self.place(cell)} = ({c_type(cell)})({self.term(value)});"
            case If():
                yield from self._if(statement, depth)
            case Switch(cell=cell, arms=arms):
                yield f"{pad}switch ({self.place(cell)}) {{"
                for number, arm in arms:
                    yield f"{pad}case {self.constant(cell, number)}:"
                    yield from self.block(arm, depth + 1)
                    yield f"{pad}{INDENT}break;"
                yield f"{pad}default:"
                yield f"{pad}{INDENT}break;"
                yield f"{pad}}}"
            case Choose(cell=cell):
                assert self.choose is not None, "a controller makes no choices"
                yield f"{pad}{self.place(cell)} = ({c_type(cell)}){self.choose(statement)};"
            case Begin():
                yield from self._begin(statement, pad)
            case Note():
                yield f"{pad}{self.note(statement)}"
            case Remark(text=text):
                yield f"{pad}/* {text.replace('*/', '* /')} */"

    def _begin(self, statement: Begin, pad: str) -> Iterator[str]:
        assert self.choose is not None, "a controller begins no faults"
        place, kind = self.place(statement.cell), c_type(statement.cell)
        yield f"{pad}{{"
        yield f"{pad}{INDENT}uint16_t option__[{len(statement.options) + 1}];"
        yield f"{pad}{INDENT}unsigned options__ = 1;"
        yield f"{pad}{INDENT}option__[0] = 0;"
        for condition, value in statement.options:
            yield f"{pad}{INDENT}if ({self.term(condition)}) option__[options__++] = {value};"
        chosen = self.choose(Choose(statement.cell, 0)).replace(" 0)", " options__)")
        yield f"{pad}{INDENT}{place} = ({kind})(options__ > 1 ? option__[{chosen}] : 0);"
        yield f"{pad}}}"

    def _if(self, statement: If, depth: int) -> Iterator[str]:
        pad = INDENT * depth
        if not statement.then and statement.otherwise:
            yield f"{pad}if (!{self._bracketed(statement.condition)}) {{"
            yield from self.block(statement.otherwise, depth + 1)
            yield f"{pad}}}"
            return
        yield f"{pad}if ({self.term(statement.condition)}) {{"
        yield from self.block(statement.then, depth + 1)
        rest = statement.otherwise
        while len(rest) == 1 and isinstance(rest[0], If) and rest[0].then:
            yield f"{pad}}} else if ({self.term(rest[0].condition)}) {{"
            yield from self.block(rest[0].then, depth + 1)
            rest = rest[0].otherwise
        if rest:
            yield f"{pad}}} else {{"
            yield from self.block(rest, depth + 1)
        yield f"{pad}}}"


def controller_note(note: Note) -> str:
    """The hook macro of a note."""
    macro = "SG_TAKEN" if note.kind is NoteKind.COVERED else "SG_BOUNDS"
    return f"{macro}(s, {note.index});"


def controller_locals(program: ControllerProgram) -> tuple[Cell, ...]:
    """Cells that live within one scan, in the order they are first written."""
    blocks = [signal.sense for signal in program.signals] + [program.observe, program.decide]
    written = [cell for block in blocks for cell in cells_written(block) if not cell.persistent]
    return tuple(dict.fromkeys(written))


def cells_written(block: Block) -> Iterator[Cell]:
    """Cells a block may write, in order of appearance."""
    for statement in block:
        match statement:
            case Assign(cell=cell) | Choose(cell=cell) | Begin(cell=cell):
                yield cell
            case If(then=then, otherwise=otherwise):
                yield from cells_written(then)
                yield from cells_written(otherwise)
            case Switch(arms=arms):
                for _, arm in arms:
                    yield from cells_written(arm)
            case _:
                pass


def emit_controller(program: ControllerProgram, digest: str = "") -> tuple[str, str]:
    """The texts of ``controller.c`` and ``controller.h``.

    ``digest`` names the machine file the text was made from; no clock time goes in.
    """
    return _source(program, digest), _header(program, digest)


def _title(program: ControllerProgram, digest: str) -> list[str]:
    lines = [f"/* Controller of {program.name}, generated by Stillgate; do not edit."]
    if digest:
        lines.append(f"   Machine file SHA-256 {digest}")
    lines.append(
        "   A check of a model is not a check of a machine: local codes and a competent person decide. */"
    )
    return lines


def _state_constant(program: ControllerProgram, sequence: str, state: str) -> str:
    return f"{program.name}__{sequence}__{state}"


def _header(program: ControllerProgram, digest: str) -> str:
    name = program.name
    lines = _title(program, digest)
    lines += [f"#ifndef STILLGATE_{name}_H", f"#define STILLGATE_{name}_H", "", "#include <stdint.h>", ""]
    lines += [
        "/* Period of the scan in milliseconds. To run at another one define it the same for every file that",
        "   includes this one, and check the machine again at that scan. */",
    ]
    lines += ["#ifndef SG_PERIOD_MS", f"#define SG_PERIOD_MS {program.period}", "#endif", ""]
    for sequence in program.sequences:
        names = [_state_constant(program, sequence.name, state) for state in sequence.states]
        lines += ["enum {", *(f"{INDENT}{item} = {i}," for i, item in enumerate(names))]
        lines += [f"{INDENT}{name}__{sequence.name}____off = {len(names)} /* no state active */", "};", ""]
    lines += ["typedef struct {"]
    for cell in (*program.cells, *controller_locals(program)):
        comment = "" if cell.persistent else " /* within one scan */"
        lines.append(f"{INDENT}{c_type(cell)} {c_name(cell)};{comment}")
    lines += [f"}} {name}__state;", ""]
    lines += [
        "/* Electrical truth at each input terminal, 0 or 1; polarity is undone inside. */",
        "typedef struct {",
    ]
    lines += [f"{INDENT}uint8_t {c_name(signal.pin)};" for signal in program.signals]
    lines += [] if program.signals else [f"{INDENT}uint8_t none__;"]
    lines += [f"}} {name}__inputs;", ""]
    lines += ["/* Electrical level to write to each output terminal, 0 or 1. */", "typedef struct {"]
    lines += [f"{INDENT}uint8_t {output.name}__pin;" for output in program.outputs]
    lines += [] if program.outputs else [f"{INDENT}uint8_t none__;"]
    lines += [f"}} {name}__outputs;", ""]
    lines += [
        "/* Cold start: start states, first values, nothing remembered, so that an input which is on",
        "   already rises in the first scan. Call it before the first scan and after every reset or loss",
        "   of power. It writes no output: hold all of them off until the first scan has written them. */",
        f"void {name}__power_on({name}__state *s);",
        "",
        "/* One scan. Call it once every SG_PERIOD_MS milliseconds, since it counts time by its calls:",
        "   set all inputs before, apply all outputs after. It writes every member of *out every time. */",
    ]
    lines += [f"void {name}__scan({name}__state *s, const {name}__inputs *in, {name}__outputs *out);"]
    lines += ["", "#endif", ""]
    return "\n".join(lines)


def _source(program: ControllerProgram, digest: str) -> str:
    name = program.name
    by_cell = {sequence.active: sequence for sequence in program.sequences}
    by_cell |= {_next_of(program, item.name): item for item in program.sequences}

    def constant(cell: Cell, value: int) -> str:
        sequence = by_cell.get(cell)
        if sequence is None or value >= len(sequence.states):
            return str(value)
        return _state_constant(program, sequence.name, sequence.states[value])

    writer = CWriter(place=lambda cell: f"s->{c_name(cell)}", note=controller_note, constant=constant)
    lines = _title(program, digest)
    lines += ['#include "controller.h"', ""]
    lines += ["#define SG_TICKS(ms) ((int32_t)((ms) / (SG_PERIOD_MS) + ((ms) % (SG_PERIOD_MS) != 0)))", ""]
    lines += ["#ifndef SG_TAKEN", "#define SG_TAKEN(s, exit) ((void)0)", "#endif"]
    lines += ["#ifndef SG_BOUNDS", "#define SG_BOUNDS(s, counter) ((void)0)", "#endif", ""]
    for signal in program.signals:
        lines += read_macros(program, signal)
    lines += [f"void {name}__power_on({name}__state *s)", "{"]
    lines += [f"{INDENT}s->{c_name(cell)} = {constant(cell, cell.start)};" for cell in program.cells]
    lines += [f"{INDENT}s->{c_name(cell)} = {cell.start};" for cell in controller_locals(program)]
    lines += ["}", ""]
    for signal in program.signals:
        pin = c_name(signal.pin)
        sense = CWriter(
            place=lambda cell, pin=signal.pin: "pin" if cell == pin else f"s->{c_name(cell)}",  # type: ignore[misc]
            note=controller_note,
        )
        lines += [f"static void sense_{signal.name}({name}__state *s, uint8_t pin)", "{"]
        lines += [*sense.block(signal.sense), "}", ""]
        del pin
    if program.observe:
        lines += [f"static void observe__({name}__state *s)", "{", *writer.block(program.observe), "}", ""]
    for stage in program.stages:
        lines += [f"static void {stage.name}({name}__state *s)", "{", *writer.block(stage.block), "}", ""]
    lines += _scan(program)
    return "\n".join(lines)


def _next_of(program: ControllerProgram, sequence: str) -> Cell:
    return next(cell for cell in controller_locals(program) if cell.name == f"{sequence}.next_state")


def read_macros(program: ControllerProgram, signal: Signal) -> list[str]:
    """Default answers to the observations of an input that the controller asks for."""
    blocks = (*program.observe, *program.decide)
    used = {
        term.observation for term in terms_in(blocks) if isinstance(term, Read) and term.signal == signal.name
    }
    level = f"((s)->{c_name(signal.level)})"
    was = f"((s)->{c_name(signal.was)})" if signal.was is not None else "0"
    run = f"((s)->{c_name(signal.run)})" if signal.run is not None else "0"
    text = {
        Observation.LEVEL: f"LEVEL(s) {level}",
        Observation.ROSE: f"ROSE(s) ({level} && !{was})",
        Observation.FELL: f"FELL(s) (!{level} && {was})",
        Observation.HELD: f"HELD(s, ticks) ({run} > (ticks))",
    }
    lines = [f"#define READ_{signal.name}_{text[item]}" for item in text if item in used]
    return [f"#ifndef SG_ASK_{signal.name}", *lines, "#endif", ""] if lines else []


def _scan(program: ControllerProgram) -> list[str]:
    name = program.name
    lines = [f"void {name}__scan({name}__state *s, const {name}__inputs *in, {name}__outputs *out)", "{"]
    for signal in program.signals:
        lines.append(f"{INDENT}sense_{signal.name}(s, in->{c_name(signal.pin)});")
    lines += [] if program.signals else [f"{INDENT}(void)in;"]
    lines += [f"{INDENT}observe__(s);"] if program.observe else []
    lines += [f"{INDENT}{stage.name}(s);" for stage in program.stages]
    for output in program.outputs:
        asked = f"s->{c_name(output.asked)}"
        value = f"(uint8_t)!{asked}" if output.active_low else asked
        lines.append(f"{INDENT}out->{output.name}__pin = {value};")
    lines += [] if program.outputs else [f"{INDENT}(void)out;"]
    return [*lines, "}", ""]

"""JSON Schemas of what the commands print with ``--format json``, a sentence a field.

Every object is closed and every field required, so that a document and its schema cannot
drift apart unnoticed: the tests hold one against the other.
"""

from __future__ import annotations

from typing import Any

from stillgate.interlocks.verdict import Cause, FindingKind, Word

Schema = dict[str, Any]

DRAFT = "http://json-schema.org/draft-07/schema#"


def closed(description: str, **fields: Schema) -> Schema:
    """An object with exactly these fields."""
    return {
        "type": "object",
        "description": description,
        "properties": fields,
        "required": list(fields),
        "additionalProperties": False,
    }


def text(description: str, *choices: str) -> Schema:
    """A text, perhaps one of a few."""
    return {"type": "string", "description": description, **({"enum": list(choices)} if choices else {})}


def whole(description: str, minimum: int | None = 0) -> Schema:
    """A whole number."""
    return {"type": "integer", "description": description, **({} if minimum is None else {"minimum": minimum})}


def number(description: str) -> Schema:
    """A number that is not negative."""
    return {"type": "number", "description": description, "minimum": 0}


def truth(description: str) -> Schema:
    """True or false."""
    return {"type": "boolean", "description": description}


def many(description: str, items: Schema) -> Schema:
    """A list."""
    return {"type": "array", "description": description, "items": items}


def table(description: str, values: Schema) -> Schema:
    """An object whose keys are names of the machine file."""
    return {"type": "object", "description": description, "additionalProperties": values}


def perhaps(schema: Schema) -> Schema:
    """The same, or null."""
    return {"anyOf": [schema, {"type": "null"}], "description": schema["description"]}


VERDICT = [word.value for word in Word]

CHANGE = closed(
    "One thing that became different.",
    name=text("Signal, sequence, memory, part or fault."),
    before=text("Value before."),
    after=text("Value after."),
    cause=text("Who made it change.", *(cause.value for cause in Cause)),
)

STORY = closed(
    "The shortest way to a break.",
    headline=text("What is broken, when, and under which fault, in one sentence."),
    fault=perhaps(text("The fault that is present in the end, if any.")),
    ticks=whole("Length of the story in ticks."),
    start=table("Where each part stood at power-on.", text("A place or motion.")),
    steps=many(
        "The ticks in which something changed.",
        closed(
            "One tick.",
            tick=whole("Number of the tick, from 0."),
            time=whole("Milliseconds since power-on."),
            changes=many("What changed, inputs first.", CHANGE),
            states=table("Active state of every sequence, or off.", text("Name of the state.")),
            outputs_on=many("Outputs physically driven in this tick.", text("Name of an output.")),
        ),
    ),
    inputs=many(
        "Circuit level of every input in every tick, to play the story again.",
        table("One tick.", whole("1 while the circuit conducts, else 0.")),
    ),
)

CHECK: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate check --format json",
    **closed(
        "The whole answer of a check; all times are in milliseconds.",
        format=text("Name and number of this format."),
        machine=text("Name of the machine."),
        file=text("Machine file as named on the command line."),
        digest=text("SHA-256 of the machine file."),
        version=text("Version of Stillgate."),
        verdict=text("Broken outranks undecided outranks holds.", *VERDICT),
        tick=whole("Period of the exploration in milliseconds; longer than the scan, it is an approximation.", 1),
        scan=whole("Period of the real controller in milliseconds.", 1),
        faults=whole("Largest number of faults explored."),
        requirements=many(
            "Every requirement, in the order of the file.",
            closed(
                "One requirement.",
                name=text("Its name."),
                verdict=text("Its verdict under the faults it must withstand.", *VERDICT),
                tick=perhaps(whole("Tick in milliseconds at which the verdict was found.", 1)),
                hazard=perhaps(text("The hazard it guards against, if it names one.")),
                faults=whole("How many faults it must withstand."),
                withstands=perhaps(whole("Largest number of faults under which it holds; null if it holds under none.")),
                pattern=text("Its specification pattern."),
                text=text("The requirement in one sentence."),
                formula=text("Its meaning in metric temporal logic."),
                why=text("Reason given in the file, perhaps empty."),
                line=whole("Line in the machine file, from 1.", 1),
                column=whole("Column in the machine file, from 1.", 1),
                judgements=many(
                    "Its verdict for each number of faults, ascending.",
                    closed(
                        "One judgement.",
                        faults=whole("Number of faults allowed to happen."),
                        verdict=text("Verdict under them.", *VERDICT),
                        tick=whole("Tick in milliseconds at which it was found.", 1),
                        depth=perhaps(whole("Ticks to the break, or searched so far if undecided.")),
                        reason=text("Why it is undecided, else empty."),
                    ),
                ),
                story=perhaps(STORY),
            ),
        ),
        assumptions=many("Under what the verdicts were found.", text("One sentence.")),
        exclusions=many(
            "Faults left out (ISO 13849-2 fault exclusion).",
            closed("One exclusion.", fault=text("The fault."), why=text("The reason given in the file.")),
        ),
        findings=many(
            "What was noticed beyond verdicts.",
            closed(
                "One finding.",
                kind=text("What kind of thing.", *(kind.value for kind in FindingKind)),
                subject=text("What it is about."),
                message=text("What was noticed."),
                line=whole("Line in the machine file, from 1."),
                column=whole("Column in the machine file, from 1."),
                breaks=truth("Whether it counts as broken."),
                story=perhaps(STORY),
            ),
        ),
        exploration=many(
            "What each search covered.",
            closed(
                "One search.",
                faults=whole("Number of faults allowed to happen."),
                tick=whole("Its period in milliseconds.", 1),
                exhausted=truth("Whether every reachable situation was visited."),
                stopped_by=text("What ended it early, else empty."),
                states=whole("Distinct situations visited."),
                transitions=whole("Steps computed."),
                depth=whole("Ticks from power-on to the farthest situation."),
                seconds=number("Time taken."),
                key_bits=whole("Bits that tell situations apart."),
                bytes_per_state=number("Memory for each situation."),
                threads=whole("Threads used."),
                initial_states=whole("Situations possible at power-on."),
            ),
        ),
        from_cache=truth("Whether the result was kept from an earlier check of the same file and options."),
        caution=text("What a check is not."),
    ),
}

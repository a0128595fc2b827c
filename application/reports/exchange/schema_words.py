"""JSON Schemas of what the commands print with ``--format json``, a sentence a field.

Every object is closed and every field required, so that a document and its schema cannot
drift apart unnoticed: the tests hold one against the other.
"""

from __future__ import annotations

from typing import Any

from stillgate.interlocks.results.verdict import Cause, FindingKind, Word

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
    return {
        "type": "integer",
        "description": description,
        **({} if minimum is None else {"minimum": minimum}),
    }


def number(description: str) -> Schema:
    """A number that is not negative."""
    return {"type": "number", "description": description, "minimum": 0}


def truth(description: str) -> Schema:
    """True or false."""
    return {"type": "boolean", "description": description}


def many(description: str, items: Schema) -> Schema:
    """A list."""
    return {"type": "array", "description": description, "items": items}


TICK_CAUTION = text("That a tick longer than the scan decides nothing there; empty at the scan.")
"""The field of every output with verdicts."""


def table(description: str, values: Schema) -> Schema:
    """An object whose keys are names of the machine file."""
    return {"type": "object", "description": description, "additionalProperties": values}


def perhaps(schema: Schema) -> Schema:
    """The same, or null."""
    return {"anyOf": [schema, {"type": "null"}], "description": schema["description"]}


VERDICT = [word.value for word in Word if word is not Word.NOT_BROKEN]
"""What is said of a whole check."""

WORD = [word.value for word in Word]
"""What is said of a requirement; 'not broken' is found at a longer tick than the scan."""

CHANGE = closed(
    "One thing that became different.",
    name=text("Signal, sequence, memory, part or fault."),
    before=text("Value before."),
    after=text("Value after."),
    cause=text("Who made it change.", *(cause.value for cause in Cause)),
)

STEP = closed(
    "One tick.",
    tick=whole("Number of the tick, from 0."),
    time=whole("Milliseconds since power-on."),
    changes=many("What changed, inputs first.", CHANGE),
    states=table("Active state of every sequence, or off.", text("Name of the state.")),
    outputs_on=many("Outputs physically driven in this tick.", text("Name of an output.")),
)

STORY = closed(
    "The shortest way to a break.",
    headline=text("What is broken, when, and under which fault, in one sentence."),
    fault=perhaps(text("The fault that is present in the end, if any.")),
    ticks=whole("Length of the story in ticks."),
    start=table("Where each part stood at power-on.", text("A place or motion.")),
    steps=many("The ticks in which something changed.", STEP),
    inputs=many(
        "Circuit level of every input in every tick, to play the story again.",
        table("One tick.", whole("1 while the circuit conducts, else 0.")),
    ),
    window=perhaps(
        many(
            "First and last tick in which the broken requirement was waiting; null where it tells nothing.",
            whole("A tick."),
        )
    ),
    truths=table(
        "What requirements may read of the parts, such as leaf.moving.",
        many("A value for every tick.", truth("Whether it was true.")),
    ),
)

SEARCH: dict[str, Schema] = {
    "faults": whole("Number of faults allowed to happen."),
    "tick": whole("Its period in milliseconds.", 1),
    "exhausted": truth("Whether every reachable situation was visited."),
    "stopped_by": text("What ended it early, else empty."),
    "states": whole("Distinct situations visited."),
    "transitions": whole("Steps computed."),
    "depth": whole("Ticks from power-on to the farthest situation."),
    "seconds": number("Time taken."),
    "key_bits": whole("Bits that tell situations apart."),
    "bytes_per_state": number("Memory for each situation."),
    "threads": whole("Threads used."),
    "initial_states": whole("Situations possible at power-on."),
    "sets": perhaps(
        closed(
            "What a search over sets of times covered; null where there was none.",
            keys=whole("Different situations, clocks and counters left out."),
            sets=whole("Sets of values of clocks and counters."),
            steps=whole("Steps of sets computed."),
            exhausted=truth("Whether every reachable situation is in a set, and nothing is unsure."),
            stopped_by=text("What ended it early, else empty."),
            seconds=number("Time taken."),
            unsure=many("Counters that may or may not leave their bounds.", text("A counter.")),
            points=whole("Points of the stored sets that were stepped in its C."),
        )
    ),
}
"""What one search covered."""

SLICE = closed(
    "The search of a slice: of what can affect some requirements, and nothing else.",
    requirements=many("Requirements that are judged over it.", text("A requirement.")),
    kept=many("Its sequences, parts, inputs, outputs and memory.", text("A name.")),
    left_out=many("Those of the machine that are not in it.", text("A name.")),
    exploration=closed("What its search covered.", **SEARCH),
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
        verdict=text(
            "Broken outranks undecided outranks holds; at a longer tick than the scan nothing holds.",
            *VERDICT,
        ),
        tick=whole(
            "Period of the exploration in milliseconds; longer than the scan, it is an approximation.", 1
        ),
        scan=whole("Period of the real controller in milliseconds.", 1),
        tick_caution=TICK_CAUTION,
        faults=whole("Largest number of faults explored."),
        requirements=many(
            "Every requirement, in the order of the file.",
            closed(
                "One requirement.",
                name=text("Its name."),
                verdict=text(
                    "Its verdict under the faults it must withstand; 'not broken' is found at a longer tick "
                    "than the scan and counts as undecided.",
                    *WORD,
                ),
                tick=perhaps(whole("Tick in milliseconds at which the verdict was found.", 1)),
                hazard=perhaps(text("The hazard it guards against, if it names one.")),
                faults=whole("How many faults it must withstand."),
                withstands=perhaps(
                    whole(
                        "Largest number of faults under which it holds; null if it holds under none. "
                        "'judgements' says how many were tried."
                    )
                ),
                pattern=text("Its specification pattern."),
                text=text("The requirement in one sentence."),
                formula=text("Its meaning in metric temporal logic; named conditions are written out in it."),
                names=table("What each named condition in it stands for.", text("A condition.")),
                why=text("Reason given in the file, perhaps empty."),
                line=whole("Line in the machine file, from 1.", 1),
                column=whole("Column in the machine file, from 1.", 1),
                judgements=many(
                    "Its verdict for each number of faults, ascending.",
                    closed(
                        "One judgement.",
                        faults=whole("Number of faults allowed to happen."),
                        verdict=text("Verdict under them.", *WORD),
                        tick=whole("Tick in milliseconds at which it was found.", 1),
                        depth=perhaps(whole("Ticks to the break, or searched so far if undecided.")),
                        reason=text("Why it is undecided or only not broken, else empty."),
                        left_out=many(
                            "What cannot affect it and was left out of the search that judged it; empty if "
                            "the whole machine was searched.",
                            text("A sequence, part, input, output or memory."),
                        ),
                        method=text(
                            "How it was found, where not by a search: 'proof by induction', or 'way, "
                            "replayed' of a run that z3 found; else empty."
                        ),
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
                **SEARCH,
                slices=many(
                    "Searches of slices, where the whole machine has too many situations; else empty.", SLICE
                ),
            ),
        ),
        from_cache=truth("Whether the result was kept from an earlier check of the same file and options."),
        caution=text("What a check is not."),
    ),
}

CLAUSE: Schema = {"$ref": "#/definitions/clause"}

CLAUSE_TREE = closed(
    "A condition or a part of one, with its truth.",
    text=text("As it stands in the file."),
    holds=truth("Whether it is true."),
    joint=perhaps(text("How its parts make its truth; null in a leaf.", "all of", "any of", "not", "named")),
    note=text("Values behind it, such as 'rail is 3', or empty."),
    parts=many("Its parts.", CLAUSE),
)

EXPLAIN: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate explain --format json",
    **closed(
        "A situation, what is blocked in it, and what can happen next; times are in milliseconds.",
        format=text("Name and number of this format."),
        machine=text("Name of the machine."),
        states=table("Active state of every sequence.", text("Name of the state.")),
        inputs=table("Whether each input's circuit conducts.", truth("True while it conducts.")),
        memory=table("Bits and counters.", {"type": ["boolean", "integer"], "description": "Value."}),
        conditions=table("What each named condition of the controller stands for.", text("A condition.")),
        exits=many(
            "Ways out of the active states, in the order they are looked at.",
            closed(
                "One exit or override.",
                name=text("Its name, as coverage spells it."),
                sequence=text("Its sequence."),
                state=text("The active state."),
                target=text("Where it leads."),
                override=truth("Whether it is an override."),
                open=truth("Whether its condition is true and its time has passed."),
                taken=truth("Whether the next scan would take it."),
                wait=whole("Time still to pass."),
                text=text("The same in a sentence."),
                condition={
                    "anyOf": [CLAUSE, {"type": "null"}],
                    "description": "Its condition; null if it has none.",
                },
            ),
        ),
        outputs=many(
            "Why each output is on or off.",
            closed(
                "One output.",
                name=text("Its name."),
                on=truth("Whether the controller asks for it."),
                text=text("The reason in a sentence."),
                demanded_by=many("Active states that demand it.", text("As sequence.state.")),
                permits=many(
                    "Interlocks on it.",
                    closed(
                        "One interlock.",
                        interlock=whole("Its number in the file, from 1.", 1),
                        why=text("The reason given in the file, perhaps empty."),
                        condition=CLAUSE,
                    ),
                ),
            ),
        ),
        next=many(
            "What a single change would do.",
            closed(
                "One change.",
                **{"if": text("The change, such as 'stop_ok opens (actuated)', or 'nothing changes'.")},
                after=whole("Time from the change to its effect."),
                exits=many("Exits taken.", text("As coverage spells them.")),
                outputs=table("Outputs that change.", truth("Whether it goes on.")),
            ),
        ),
    ),
    "definitions": {"clause": CLAUSE_TREE},
}

RUN: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate run --format json",
    **closed(
        "One simulated run; times are in milliseconds.",
        format=text("Name and number of this format."),
        machine=text("Name of the machine."),
        seed=whole("Seed of everything the parts leave open.", None),
        scan=whole("Period of the controller.", 1),
        time=whole("Time of the last scan."),
        fault=perhaps(text("The fault that is present in the end, if any.")),
        start=table("Where each part stood at the start.", text("A place or motion.")),
        steps=many("The scans in which something changed, and the first.", STEP),
        end=closed(
            "Where everything stands at the end.",
            inputs=table("Whether each input's circuit conducts.", truth("True while it conducts.")),
            states=table("Active state of every sequence, or off.", text("Name of the state.")),
            memory=table("Bits and counters.", {"type": ["boolean", "integer"], "description": "Value."}),
            outputs=table("Outputs as physically driven.", truth("Whether it is on.")),
            parts=table("Where each part stands.", text("A place or motion.")),
        ),
    ),
}

DRAW: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate draw --format json",
    **closed(
        "The pictures that were written.",
        machine=text("Name of the machine."),
        renderer=text("What the diagrams were laid out by, with its version; empty for DOT text."),
        files=many("Each file, with its folder, in the order in which it was written.", text("One file.")),
    ),
}

DOCTOR: Schema = {
    "$schema": DRAFT,
    "title": "Output of stillgate doctor --format json",
    **closed(
        "What is installed.",
        ready=truth("Whether everything that check and draw need is there."),
        items=many(
            "Everything looked for.",
            closed(
                "One thing.",
                name=text("Its name."),
                found=truth("Whether it is there."),
                need=text("Whether it is needed.", "needed", "optional"),
                purpose=text("What it is for."),
                detail=text("Version or place, or how to get it."),
            ),
        ),
    ),
}

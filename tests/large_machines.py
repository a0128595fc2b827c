"""Machines that are large in one way each, beyond any array, mask or counter that once had a fixed size.

Each is so regular that its verdicts are plain; the right ones stand beside it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

Large = tuple[dict[str, Any], dict[str, str]]
"""A machine file's content, and by requirement 'holds' or 'broken'."""


def _machine(**parts: Any) -> dict[str, Any]:
    return {"machine": "large", "scan": "20 ms", "check": {"faults": 0}, **parts}


def _numbered(letter: str, count: int) -> list[str]:
    return [f"{letter}{number}" for number in range(count)]


def _follows(condition: str = "a", on: list[str] | None = None) -> dict[str, Any]:
    """A sequence that is in 'run' in the scan in which the condition is true."""
    states = {
        "off": {"exits": [{"when": condition, "to": "run"}]},
        "run": {"on": on or [], "exits": [{"when": f"not ({condition})", "to": "off"}]},
    }
    return {"start": "off", "states": states}


def buttons_of_one_state() -> Large:
    """150 buttons with an exit each: 'none of them' is one way on with 150 answers."""
    buttons = _numbered("b", 150)
    exits = [{"when": name, "to": "pressed"} for name in buttons]
    states = {"idle": {"exits": exits}, "pressed": {"exits": [{"after": "100 ms", "to": "idle"}]}}
    return _machine(
        inputs={name: {"from": "operator"} for name in buttons},
        sequences={"q": {"start": "idle", "states": states}},
        requirements={"can": {"reach": "q.pressed"}, "unpressed": {"never": "q.pressed"}},
    ), {"can": "holds", "unpressed": "broken"}


def inputs_of_many_sequences() -> Large:
    """70 sequences with an exit each in turn, on an input of their own: inputs beyond the 64th too."""
    states = {
        f"p{n}": {"exits": [{"when": f"i{n} and i{(n + 1) % 70}", "to": f"p{(n + 1) % 70}"}]}
        for n in range(70)
    }
    return _machine(
        inputs={name: {} for name in _numbered("i", 70)},
        outputs={"y": {}},
        sequences={"q": {"start": "p0", "states": states}, "f": _follows("i69", ["y"])},
        requirements={
            "follows": {"never": "y xor i69"},
            "around": {"from_anywhere": "q.p0"},
            "together": {"never": "q.p69 and rising(q.p69) and not i69"},
            "most": {"never": " and ".join(_numbered("i", 64))},
        },
    ), {"follows": "holds", "around": "holds", "together": "holds", "most": "broken"}


def sequences() -> Large:
    """70 sequences that follow one input."""
    return _machine(
        inputs={"a": {}},
        sequences={name: _follows() for name in _numbered("s", 70)},
        requirements={"together": {"never": "s0.run and s69.off"}, "runs": {"from_anywhere": "s69.run"}},
    ), {"together": "holds", "runs": "holds"}


def outputs_of_one_state() -> Large:
    """300 outputs, none of which has a hazard."""
    outputs = _numbered("y", 300)
    return _machine(
        inputs={"a": {}},
        outputs={name: {} for name in outputs},
        sequences={"q": _follows(on=outputs)},
        requirements={"alike": {"never": "y0 xor y299"}, "off": {"never": "y299"}},
    ), {"alike": "holds", "off": "broken"}


def times_of_one_sequence() -> Large:
    """320 states, each left after a time of its own: more times than a byte tells apart.

    p318 is entered from p317 only, 6.36 s after it or later. Six inputs, so that the ways on of
    one state are merged.
    """
    states: dict[str, Any] = {
        f"p{n}": {"exits": [{"when": f"a{n % 6}", "after": f"{20 * (n + 1)} ms", "to": f"p{n + 1}"}]}
        for n in range(319)
    }
    states["p319"] = {"exits": [{"when": "not a0", "to": "p300"}]}
    return _machine(
        inputs={name: {} for name in _numbered("a", 6)},
        sequences={"q": {"start": "p317", "states": states}},
        requirements={
            "early": {"before": "q.p318", "first": "held(q.p317, 6.2 s)"},
            "late": {"before": "q.p318", "first": "held(q.p317, 6.4 s)"},
            "end": {"reach": "q.p319"},
        },
    ), {"early": "holds", "late": "broken", "end": "holds"}


def exits_of_one_state() -> Large:
    """200 exits on a counter; it is one more each time, so it comes to 200 and stays."""
    exits = [{"when": f"a and n = {number}", "do": {"n": "n + 1"}, "to": "x"} for number in range(200)]
    return _machine(
        inputs={"a": {}},
        memory={"n": {"range": "0..201"}},
        sequences={"q": {"start": "x", "states": {"x": {"exits": exits}}}},
        requirements={"end": {"reach": "n = 200"}, "beyond": {"never": "n = 201"}},
    ), {"end": "holds", "beyond": "holds"}


def terms_of_one_condition() -> Large:
    """A guard and a requirement of as many comparisons as one condition may have: true when n is 1 to 59."""
    any_of = " or ".join(f"n = {number}" for number in range(1, 60))
    states = {
        "x": {"exits": [{"when": "a", "do": {"n": "1"}, "to": "y"}]},
        "y": {"exits": [{"when": any_of, "to": "x"}]},
    }
    return _machine(
        inputs={"a": {}},
        memory={"n": {"range": "0..500"}},
        sequences={"q": {"start": "x", "states": states}},
        requirements={"one": {"never": any_of}, "back": {"after": "q.y", "then": "q.x", "within": "100 ms"}},
    ), {"one": "broken", "back": "holds"}


def goals() -> Large:
    """70 possibilities: more than a machine word has bits."""
    states = {f"p{n}": {"exits": [{"when": "a", "to": f"p{(n + 1) % 70}"}]} for n in range(69)}
    states["p69"] = {"exits": []}
    return _machine(
        inputs={"a": {}},
        sequences={"q": {"start": "p0", "states": states}},
        requirements={f"to{n}": {"from_anywhere": f"q.p{n}"} for n in range(70)},
    ), {f"to{n}": "holds" if n == 69 else "broken" for n in range(70)}


def requirements() -> Large:
    """150 requirements, of which the odd ones are broken."""
    rules = {f"r{n}": {"never": f"n = {n} and q.x"} for n in range(150)}
    states = {"x": {"exits": [{"when": "a and n < 149", "do": {"n": "n + 2"}, "to": "x"}]}}
    return _machine(
        inputs={"a": {}},
        memory={"n": {"range": "0..151", "start": 1}},
        sequences={"q": {"start": "x", "states": states}},
        requirements=rules,
    ), {f"r{n}": "broken" if n % 2 else "holds" for n in range(150)}


def bits_of_a_state() -> Large:
    """120 counters of 30 bits: a stored state of 3600 bits."""
    counters = _numbered("n", 120)
    do = {name: f"{name} + 1" for name in counters}
    states = {"x": {"exits": [{"when": "a and n0 < 3", "do": do, "to": "x"}]}}
    return _machine(
        inputs={"a": {}},
        memory={name: {"range": "0..1000000000"} for name in counters},
        sequences={"q": {"start": "x", "states": states}},
        requirements={
            "alike": {"always": "n0 = n119"},
            "three": {"reach": "n119 = 3"},
            "four": {"never": "n60 = 4"},
        },
    ), {"alike": "holds", "three": "holds", "four": "holds"}


def a_long_time() -> Large:
    """A state left after 65636 scans, 100 more than two bytes count, and after 100 with a button."""
    states = {
        "wait": {"exits": [{"when": "a", "after": "2 s", "to": "done"}, {"after": "1312720 ms", "to": "go"}]},
        "go": {"exits": [{"when": "a", "to": "done"}]},
        "done": {},
    }
    return _machine(
        inputs={"a": {}},
        sequences={"q": {"start": "wait", "states": states}},
        requirements={"can": {"reach": "q.go"}, "never": {"never": "q.go"}},
    ), {"can": "holds", "never": "broken"}


def places_to_begin() -> Large:
    """A slide that begins anywhere between two stops 25 min apart: more beginnings than two bytes count."""
    states = {"off": {"exits": [{"when": "there", "to": "end"}]}, "end": {}}
    return _machine(
        inputs={"a": {}, "there": {}},
        outputs={"y": {}, "z": {}},
        parts={
            "slide": {
                "kind": "travel",
                "stops": ["near", "far"],
                "forward": "y",
                "back": "z",
                "takes": "25..26 min",
                "starts": "anywhere",
                "senses": {"there": "at far"},
            }
        },
        sequences={"q": {"start": "off", "states": states}},
        requirements={"end": {"reach": "q.end"}, "moves": {"never": "slide.moving"}},
    ), {"end": "holds", "moves": "holds"}


def parts_that_choose() -> Large:
    """9 parts that may each arrive now or later: 512 ways on of one state, and 9 choices."""
    names = _numbered("t", 9)
    return _machine(
        inputs={"a": {}},
        outputs={"y": {}, "z": {}},
        parts={
            name: {
                "kind": "travel",
                "stops": ["near", "far"],
                "forward": "y",
                "back": "z",
                "takes": "40..60 ms",
                "starts": "near",
            }
            for name in names
        },
        sequences={"q": _follows(on=["y"])},
        requirements={
            "apart": {"never": "t0.at_far and not t8.at_far"},
            "all": {"reach": "t0.at_far and t8.at_far"},
        },
    ), {"apart": "broken", "all": "holds"}


def a_long_hold() -> Large:
    """A button held for 10 s, and what may be done from anywhere: 500 memories of one input, each chosen."""
    return _machine(
        inputs={"a": {}},
        sequences={"q": _follows("held(a, 10 s)")},
        requirements={
            "back": {"from_anywhere": "q.off"},
            "soon": {"before": "q.run", "first": "held(a, 9.9 s)"},
        },
    ), {"back": "holds", "soon": "holds"}


def faults() -> Large:
    """140 inputs with a fault each way: more faults than a byte counts."""
    names = _numbered("i", 140)
    exits = [
        {"when": f"n = 0 and {name}", "do": {"n": f"{number}"}, "to": "x"}
        for number, name in enumerate(names, start=1)
    ]
    return _machine(
        inputs={name: {} for name in names},
        memory={"n": {"range": "0..200"}},
        outputs={"y": {"hazard": "h"}},
        hazards={"h": "a hand"},
        sequences={"q": {"start": "x", "states": {"x": {"exits": exits}}}},
        requirements={"still": {"never": "y", "hazard": "h"}},
        check={"faults": 1},
    ), {"still": "broken"}


LARGE: dict[str, Callable[[], Large]] = {
    item.__name__: item
    for item in (
        buttons_of_one_state,
        inputs_of_many_sequences,
        sequences,
        outputs_of_one_state,
        times_of_one_sequence,
        exits_of_one_state,
        terms_of_one_condition,
        goals,
        requirements,
        bits_of_a_state,
        a_long_time,
        places_to_begin,
        parts_that_choose,
        a_long_hold,
        faults,
    )
}

"""Parts of random machines: ``drawing`` continued.

What a part is called and what truths it has is known before any part is drawn, so parts may read
one another in any order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from .drawing_terms import Drawn

STOPS = ("shut", "half", "open")
STATES = ("free", "caught", "locked")


@dataclass(frozen=True)
class Skeleton:
    """A part before it is drawn: its stops or states, truths about its place and about motion, switches."""

    name: str
    kind: str
    places: tuple[str, ...]
    at: tuple[str, ...]
    motion: tuple[str, ...]
    switches: tuple[str, ...]


def skeleton(drawn: Drawn, name: str, kind: str) -> Skeleton:
    """A part's names; its truths may be read from now on."""
    count = drawn.chance.choice((2, 2, 3))
    places = {"travel": STOPS, "automaton": STATES}.get(kind, ())[:count]
    at = {"spin": ("at_speed",), "flow": ("item",)}.get(kind) or tuple(f"at_{place}" for place in places)
    motion = {"spin": ("turning", "still"), "travel": ("moving", "still")}.get(kind, ())
    switches = tuple(f"{name}_switch{number}" for number in range(drawn.chance.choice((0, 1, 1, 2))))
    drawn.truths += [f"{name}.{word}" for word in (*at, *motion)]
    return Skeleton(name, kind, places, at, motion, switches)


def draw_part(drawn: Drawn, item: Skeleton, plan: list[Skeleton]) -> dict[str, Any]:
    """The section of a part."""
    found: dict[str, Any] = {"kind": item.kind}
    others = [other for other in plan if other is not item]
    places = [f"{other.name}.{word}" for other in others for word in other.at]
    motion = [f"{other.name}.{word}" for other in others for word in other.motion]
    match item.kind:
        case "spin":
            found |= {"drive": _moved_by(drawn, places), "runs_down": drawn.span(3)}
            if not drawn.one_in(4):
                found["runs_up"] = drawn.span(2)
            starts = ("anywhere", "still", "at_speed")
        case "travel":
            found |= {"stops": list(item.places), "takes": drawn.span(3)}
            found |= {"forward": _moved_by(drawn, places), "back": _moved_by(drawn, places)}
            if drawn.one_in(2):
                found["takes_back"] = drawn.span(3)
            starts = ("anywhere", *item.places)
        case "flow":
            found |= {
                "while": _moved_by(drawn, places + motion), "every": drawn.span(3), "lasts": drawn.span(2),
            }  # fmt: skip
            starts = ("anywhere", "empty", "empty")
        case _:
            found["states"] = _states(drawn, item, places + motion)
            starts = ("anywhere", *item.places)
    if item.switches:
        found["senses"] = {name: _sense(drawn, item) for name in item.switches}
    if not drawn.one_in(5):
        clocks = item.kind in ("flow", "automaton")
        found["starts"] = drawn.pick(starts[1:] if clocks and not drawn.one_in(3) else starts)
        if item.kind in ("flow", "automaton") and found["starts"] != "anywhere" and drawn.one_in(2):
            found["just_entered"] = True
    return found


def _moved_by(drawn: Drawn, others: list[str]) -> str:
    """A condition over outputs and truths of other parts."""
    name = drawn.pick(drawn.outputs)
    if others and not drawn.one_in(3):
        name = drawn.pick(others)
    name = f"not {name}" if drawn.one_in(3) else name
    if drawn.one_in(4):
        more = drawn.pick([*drawn.outputs, *others])
        return f"{name} {drawn.pick(('and', 'or', 'xor'))} {'not ' if drawn.one_in(2) else ''}{more}"
    return name


def _sense(drawn: Drawn, item: Skeleton) -> str:
    word = drawn.pick([*item.at, *item.at, *item.motion])
    if word.startswith("at_") and item.kind != "spin":
        word = f"at {word[3:]}"
    return f"not ({word})" if drawn.one_in(4) else word


def _states(drawn: Drawn, item: Skeleton, others: list[str]) -> dict[str, Any]:
    """States with one exit or two, so that several may be open at once."""
    found: dict[str, Any] = {}
    for place, state in enumerate(item.places):
        onward = item.places[(place + 1) % len(item.places)]
        exits = [_exit(drawn, onward, others)]
        if drawn.one_in(2):
            exits.insert(drawn.chance.randint(0, 1), _exit(drawn, drawn.pick(item.places), others))
        if drawn.one_in(8):
            exits = []
        found[state] = {"exits": exits} if exits else {}
    return found


def _exit(drawn: Drawn, to: str, others: list[str]) -> dict[str, Any]:
    found: dict[str, Any] = {"to": to}
    if not drawn.one_in(4):
        found["when"] = _moved_by(drawn, others)
    if not drawn.one_in(3):
        found["takes"] = drawn.span(4, least=drawn.chance.choice((0, 1, 2)))
    if drawn.one_in(3) or len(found) == 1:
        found["freely"] = True
    return found

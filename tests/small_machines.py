"""Small concurrent algorithms written as machines: who moves next is a free input.

Every process is a sequence. In each scan the levels of a few inputs pick one process, and
only its guards can be true; the others stand still, so one scan is one step of the
interleaving. A shared variable that several processes write is a sequence of its own, which
moves in the same scan as the process that writes it: all guards of one scan read the values
at the scan's start, so both see the situation before the step.

Flags and forks need no memory: whether one is up or held follows from where its owner is.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from stillgate.controller.machine_file.machine import Machine

MachineDict = dict[str, Any]


def movers(count: int) -> tuple[MachineDict, list[str]]:
    """Inputs whose levels spell the number of the process that moves, and each one's condition."""
    bits = max(1, (count - 1).bit_length())
    names = [f"who_{bit}" for bit in range(bits)]
    conditions = [
        " and ".join(name if number >> bit & 1 else f"not {name}" for bit, name in enumerate(names))
        for number in range(count)
    ]
    return {name: {} for name in names}, conditions


def _machine(
    name: str, inputs: MachineDict, sequences: MachineDict, requirements: MachineDict
) -> MachineDict:
    first = next(iter(sequences.values()))
    next(iter(first["states"].values()))["on"] = ["lamp"]
    return {
        "machine": name,
        "scan": "10 ms",
        "inputs": inputs,
        "outputs": {"lamp": {}},
        "sequences": sequences,
        "requirements": requirements,
        "check": {"faults": 0},
    }


def _cycle(steps: Sequence[tuple[str, str, str]]) -> MachineDict:
    """A sequence that starts in the first state: (state, condition of its one exit, target)."""
    return {
        "start": steps[0][0],
        "states": {state: {"exits": [{"when": when, "to": to}]} for state, when, to in steps},
    }


EXCLUSIVE: MachineDict = {"exclusive": {"never": "p.critical and q.critical"}}


def semaphore() -> MachineDict:
    """Two processes and one token: the token is free while neither is critical."""
    inputs, moves = movers(2)
    processes = {
        name: _cycle([
            ("away", move, "waiting"),
            ("waiting", f"{move} and not p.critical and not q.critical", "critical"),
            ("critical", move, "away"),
        ])
        for name, move in zip("pq", moves, strict=True)
    }  # fmt: skip
    return _machine("semaphore", inputs, processes, EXCLUSIVE)


def _peterson(
    name: str, entry: Sequence[tuple[str, str]], sets_turn: str, flagged: Sequence[str]
) -> MachineDict:
    """Peterson's algorithm; ``entry`` are the states up to waiting and their successors.

    Args:
        sets_turn: the state whose exit gives the turn away.
        flagged: states in which the flag is up.
    """
    inputs, moves = movers(2)
    processes: MachineDict = {}
    for me, other, move in (("p", "q", moves[0]), ("q", "p", moves[1])):
        no_flag = " and ".join(f"not {other}.{state}" for state in flagged)
        processes[me] = _cycle([
            *((state, move, to) for state, to in entry),
            ("waiting", f"({move}) and (({no_flag}) or turn.of_{me})", "critical"),
            ("critical", move, "away"),
        ])  # fmt: skip
    turn = _cycle([
        ("of_p", f"p.{sets_turn} and {moves[0]}", "of_q"),
        ("of_q", f"q.{sets_turn} and {moves[1]}", "of_p"),
    ])  # fmt: skip
    return _machine(name, inputs, processes | {"turn": turn}, EXCLUSIVE)


def peterson_compact() -> MachineDict:
    """Flag and turn set in one step."""
    return _peterson("peterson", [("away", "waiting")], "away", ["waiting", "critical"])


def peterson() -> MachineDict:
    """Flag, then turn, then wait."""
    entry = [("away", "flagged"), ("flagged", "waiting")]
    return _peterson("peterson", entry, "flagged", ["flagged", "waiting", "critical"])


def peterson_wrong_order() -> MachineDict:
    """Turn first, then flag: both can get in."""
    entry = [("away", "polite"), ("polite", "waiting")]
    return _peterson("peterson", entry, "away", ["waiting", "critical"])


def _philosophers(name: str, count: int, sequences: MachineDict, inputs: MachineDict) -> MachineDict:
    clashes = [f"s{i}.eating and s{(i + 1) % count}.eating" for i in range(count)]
    neighbours = {"neighbours": {"never": " or ".join(f"({item})" for item in clashes)}}
    return _machine(name, inputs, sequences, neighbours)


def _free(fork: int, count: int, holders: dict[int, tuple[list[str], list[str]]]) -> str:
    """Fork ``fork`` lies on the table: left of philosopher ``fork``, right of the one before."""
    after, before = fork % count, (fork - 1) % count
    left = [f"not s{after}.{state}" for state in holders[after][0]]
    right = [f"not s{before}.{state}" for state in holders[before][1]]
    return " and ".join([*left, *right])


def philosophers(count: int, *, last_is_left_handed: bool = False) -> MachineDict:
    """The left fork first, then the right one; both put down together.

    ``last_is_left_handed`` lets the last philosopher take the right fork first.
    """
    inputs, moves = movers(count)
    turned = {count - 1} if last_is_left_handed else set()
    holders = {
        i: (["eating"], ["one_fork", "eating"]) if i in turned else (["one_fork", "eating"], ["eating"])
        for i in range(count)
    }
    sequences = {}
    for i, move in enumerate(moves):
        first, second = (i + 1, i) if i in turned else (i, i + 1)
        sequences[f"s{i}"] = _cycle([
            ("thinking", f"{move} and {_free(first, count, holders)}", "one_fork"),
            ("one_fork", f"{move} and {_free(second, count, holders)}", "eating"),
            ("eating", move, "thinking"),
        ])  # fmt: skip
    return _philosophers("philosophers", count, sequences, inputs)


def philosophers_any_order(count: int) -> MachineDict:
    """Either fork first: one more free input says which."""
    inputs, moves = movers(count)
    inputs["right_first"] = {}
    holders = {i: (["left", "eating"], ["right", "eating"]) for i in range(count)}
    sequences: MachineDict = {}
    for i, move in enumerate(moves):
        left, right = (f"{move} and {_free(fork, count, holders)}" for fork in (i, i + 1))
        sequences[f"s{i}"] = {
            "start": "thinking",
            "states": {
                "thinking": {
                    "exits": [
                        {"when": f"{left} and not right_first", "to": "left"},
                        {"when": f"{right} and right_first", "to": "right"},
                    ]
                },
                "left": {"exits": [{"when": right, "to": "eating"}]},
                "right": {"exits": [{"when": left, "to": "eating"}]},
                "eating": {"exits": [{"when": move, "to": "thinking"}]},
            },
        }
    return _philosophers("philosophers", count, sequences, inputs)


def as_machine(found: MachineDict) -> Machine:
    """The same as a model."""
    return Machine.model_validate(found)

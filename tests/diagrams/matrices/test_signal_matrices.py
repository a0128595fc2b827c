"""Tables of the machine say what the file says."""

from __future__ import annotations

from closed_gate import GATE
from stillgate.commands.new import starter_text
from stillgate.controller.reading.reader import read_machine_text
from stillgate.diagrams.matrices.signal_matrices import (
    cause_and_effect,
    condition_list,
    exit_table,
    interlock_matrix,
    sequence_list,
)

LAMP = """
machine: lamp
scan: 20 ms
inputs: {button: {}}
outputs: {lamp: {}, bell: {}}
memory: {presses: {range: 0..3}}
sequences:
  counting:
    start: idle
    states:
      idle: {exits: [{to: busy, when: rising(button), do: {presses: presses + 1}}]}
      busy: {exits: [{to: idle, when: not button}]}
  lighting:
    start: dark
    states:
      dark: {exits: [{to: bright, when: presses > 1}]}
      bright: {on: [lamp], exits: [{to: dark, when: counting.idle}]}
  ringing:
    start: still
    states:
      still: {exits: [{to: loud, after: 1 s}]}
      loud: {on: [bell], exits: [{to: still, after: 1 s}]}
interlocks:
  - {hold_off: bell, unless: lighting.bright}
"""


def test_a_sequence_looks_at_states_memory_and_what_its_interlocks_read() -> None:
    rows = sequence_list(read_machine_text(LAMP, "lamp.yaml").machine).rows
    assert rows == (
        ("counting", "idle", "idle, busy", "-", "-"),
        ("lighting", "dark", "dark, bright", "lamp", "counting"),
        ("ringing", "still", "still, loud", "bell", "lighting"),
    )


def test_every_sequence_has_its_row() -> None:
    for text in (GATE, starter_text("press")):
        machine = read_machine_text(text, "machine.yaml").machine
        assert [row[0] for row in sequence_list(machine).rows] == list(machine.sequences)


def test_a_cause_is_told_as_what_the_circuit_of_a_normally_closed_contact_does() -> None:
    machine = read_machine_text(starter_text("press"), "press.yaml").machine
    causes = [row[0] for row in cause_and_effect(machine).rows]
    assert {"stop_ok open (actuated)", "guard_shut open (actuated)"} <= set(causes)
    assert not {"stop_ok off", "guard_shut off"} & set(causes)


NAMED = (
    LAMP.replace(
        "sequences:",
        """\
conditions:
  twice: {when: presses > 1, why: once may be a mistake, note: counted}
  quiet: not twice
  spare: button
sequences:""",
    )
    .replace("when: presses > 1}", "when: twice}")
    .replace("lighting.bright}", "quiet}")
)


def test_the_list_of_named_conditions_says_what_they_mean_and_where_they_stand() -> None:
    text = f"{NAMED}requirements: {{r: {{never: bell and not seen.quiet}}, q: {{never: quiet and twice}}}}"
    found = condition_list(read_machine_text(text).machine)
    assert found.rows == (
        ("twice", "presses > 1", "once may be a mistake; counted",
         "sequence lighting, requirement q, condition quiet"),
        ("quiet", "not twice", "-", "interlock 1, requirement r (as seen.), requirement q"),
        ("spare", "button", "-", "nothing"),
    )  # fmt: skip


def test_tables_of_conditions_say_what_their_names_mean() -> None:
    machine = read_machine_text(NAMED).machine
    assert "twice: presses > 1 (once may be a mistake)." in exit_table(machine, "lighting").notes
    assert exit_table(machine, "counting").notes == ("Start state: idle.",)
    assert interlock_matrix(machine).notes[-2:] == (
        "twice: presses > 1 (once may be a mistake).", "quiet: not twice.",
    )  # fmt: skip

"""The demonstration machine with a requirement for every layer is that machine and nothing else."""

from __future__ import annotations

from pathlib import Path

from stillgate.controller.reader import read_machine
from stillgate.interlocks.file_changes import file_changes

MACHINES = Path(__file__).parents[2] / "machines"
OWN = read_machine(MACHINES / "lavender_harvester.yaml")
STRONG = read_machine(MACHINES / "strength" / "lavender_harvester.yaml")


def test_only_requirements_were_added() -> None:
    changes = file_changes(OWN, STRONG)
    assert changes
    assert {item.section for item in changes} == {"requirements"}
    assert all(" added: " in item.text for item in changes)


def test_every_requirement_of_the_demonstration_machine_is_in_it() -> None:
    for name, item in OWN.machine.requirements.items():
        assert STRONG.machine.requirements[name] == item

"""``stillgate new``: a starter that reads well and checks clean, under a name that is allowed."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stillgate.commands.new import starter_text
from stillgate.controller.machine_file.field_types import parse_name
from stillgate.controller.reading.reader import read_machine, read_machine_text
from stillgate.files.machine_names import machine_name

from ..conftest import Command


def test_the_starter_is_read_without_a_warning(stillgate: Command, tmp_path: Path) -> None:
    done = stillgate("new", tmp_path / "My Press 2")
    assert done.status == 0
    assert done.out.endswith(f'Next: stillgate check "{tmp_path / "My Press 2.yaml"}"\n')
    document = read_machine(tmp_path / "My Press 2.yaml")
    assert document.machine.machine == "My_Press_2"
    assert document.warnings == ()


def test_a_machine_whose_file_pytest_collects_is_named_without_that_ending(
    stillgate: Command, tmp_path: Path
) -> None:
    stillgate("new", tmp_path / "press.machine.yaml")
    assert read_machine(tmp_path / "press.machine.yaml").machine.machine == "press"


def test_the_starter_shows_every_section(tmp_path: Path) -> None:
    machine = read_machine_text(starter_text("x")).machine
    for section in ("hazards", "inputs", "outputs", "parts", "sequences", "interlocks", "requirements"):
        assert getattr(machine, section), section


def test_an_existing_file_is_never_overwritten(stillgate: Command, tmp_path: Path) -> None:
    path = tmp_path / "press.yaml"
    path.write_text("mine")
    done = stillgate("new", path)
    assert done.status == 2
    assert path.read_text() == "mine"
    assert stillgate("new", tmp_path / "press").status == 2


def test_a_folder_that_is_not_there_is_an_error(stillgate: Command, tmp_path: Path) -> None:
    done = stillgate("new", tmp_path / "nowhere" / "press.yaml")
    assert done.status == 2
    assert "nowhere" in done.err


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("press", "press"),
        ("2 presses!", "presses"),
        ("größe", "gr_e"),
        ("'; DROP", "DROP"),
        ("", "my_machine"),
        ("and", "and_machine"),
        ("a__b", "a_b"),
        ("日本", "my_machine"),
    ],
)
def test_names_are_made_fit(text: str, name: str) -> None:
    assert machine_name(text) == name


@given(st.text(max_size=200))
def test_any_text_becomes_a_name_that_files_accept(text: str) -> None:
    parse_name(machine_name(text))

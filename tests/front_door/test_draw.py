"""``stillgate draw``: which files it writes, and that it writes all or none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from stillgate.controller.errors import ProgramFault
from stillgate.diagrams.renderer import Renderer

from .conftest import Command


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_picture_for_every_sequence_and_one_for_the_machine(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    done = stillgate("draw", starter, "--to", out)
    assert done.status == 0
    expected = [
        f"press.{name}.{kind}" for name in ("guard_lamp", "main", "signal_flow") for kind in ("png", "svg")
    ]
    assert names(out) == expected
    assert all(str(out / name) in done.out for name in expected)


def test_one_picture_of_one_kind_on_request(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = stillgate("draw", starter, "--to", out, "--only", "main", "--picture", "dot", "--format", "json")
    assert json.loads(done.out) == {
        "machine": "press",
        "renderer": "",
        "files": [str(out / "press.main.dot")],
    }
    assert (out / "press.main.dot").read_text().startswith("digraph")


def test_a_picture_that_fails_leaves_nothing_behind(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(self: Renderer, diagram: object, picture: object) -> bytes:
        raise ProgramFault("the drawing has 1 nodes where the machine has 2")

    monkeypatch.setattr(Renderer, "draw", fail)
    done = stillgate("draw", starter, "--to", tmp_path / "out")
    assert done.status == 3
    assert "where the machine has 2" in done.err
    assert not (tmp_path / "out").exists()


def test_a_folder_that_cannot_be_made_is_a_plain_error(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    (tmp_path / "file").write_text("")
    done = stillgate("draw", starter, "--to", tmp_path / "file" / "out", "--picture", "dot")
    assert done.status == 2
    assert "file" in done.err

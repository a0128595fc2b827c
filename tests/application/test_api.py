"""The public interface: there, and loaded only when used."""

from __future__ import annotations

import subprocess
import sys

import pytest

import stillgate


@pytest.mark.parametrize("name", stillgate.__all__)
def test_every_public_name_is_there_and_explained(name: str) -> None:
    value = getattr(stillgate, name)
    assert value.__doc__


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="has no attribute 'chek'"):
        _ = stillgate.chek  # type: ignore[attr-defined]


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, stillgate;"
        "print([name for name in ('pydantic', 'lark', 'ruamel', 'rich') if name in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout == "[]\n"


def test_the_library_does_in_python_what_the_commands_do() -> None:
    from stillgate.commands.new import starter_text

    document = stillgate.read_machine_text(starter_text("press"))
    executive = stillgate.Executive(document.machine)
    executive.inputs.update({"stop_ok": True, "guard_shut": True, "still": True})
    executive.scan()
    executive.inputs["start"] = True
    executive.scan()
    assert executive.states["main"] == "running"
    assert executive.outputs["motor"] is True
    assert "demanded by main.running" in str(executive.why("motor"))

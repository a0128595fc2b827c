"""The reference of ``stillgate.testing`` names all that is public, and its examples run."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from stillgate import testing
from stillgate.commands.new import starter_text
from stillgate.testing import MachineRules

PAGE = (Path(__file__).parents[2] / "docs" / "reference" / "testing.md").read_text(encoding="utf-8")
SECTIONS = dict(re.findall(r"^## (\w+)\n(.*?)(?=^## |\Z)", PAGE, re.MULTILINE | re.DOTALL))
FEW = """from hypothesis import settings
settings.register_profile("few", max_examples=5, deadline=None, derandomize=True, database=None)
settings.load_profile("few")
"""
EXAMPLE = re.compile(r"^```python\n(.*?)^```", re.MULTILINE | re.DOTALL)


def test_every_public_name_has_a_section_and_an_example_that_uses_it() -> None:
    assert set(SECTIONS) == set(testing.__all__)
    for name, text in SECTIONS.items():
        (example,) = EXAMPLE.findall(text)
        assert re.search(rf"import .*\b{name}\b", example), name


def test_everything_public_of_the_rules_is_in_their_section() -> None:
    """Besides the rules themselves, which nobody calls, and what Hypothesis gives."""
    given = {"teardown", "requirements_hold", "power_on"}
    rules = {name for name, item in vars(MachineRules).items() if hasattr(item, "hypothesis_stateful_rule")}
    own = {name for name in vars(MachineRules) if not name.startswith("_")} - given - rules - {"TestCase"}
    assert own, "nothing to look for"
    for name in own:
        assert re.search(rf"`{name}(\(|`)", SECTIONS["MachineRules"]), name


@pytest.mark.parametrize("name", testing.__all__)
def test_a_docstring_says_what_a_name_is_and_what_it_raises(name: str) -> None:
    item = getattr(testing, name)
    text = item.__doc__ or ""
    assert len(text.split()) >= 8
    takes_times = {"longest", "bounce", "switch_faults"} & set(getattr(item, "__annotations__", {}))
    assert not takes_times or "Raises:" in text


def test_every_example_runs(tmp_path: Path) -> None:
    (tmp_path / "press.machine.yaml").write_text(starter_text("press"), encoding="utf-8")
    (tmp_path / "conftest.py").write_text(FEW, encoding="utf-8")
    for name, text in SECTIONS.items():
        (example,) = EXAMPLE.findall(text)
        (tmp_path / f"test_{name.lower()}_{len(name)}.py").write_text(example, encoding="utf-8")
    command = [sys.executable, "-P", "-m", "pytest", "-q", "-p", "no:cacheprovider"]
    files = [path.name for path in sorted(tmp_path.glob("test_*.py"))]
    done = subprocess.run(
        [*command, *files], cwd=tmp_path, capture_output=True, text=True, check=False, env=dict(os.environ)
    )
    assert done.returncode == 0, done.stdout[-4000:] + done.stderr
    assert f"{len(SECTIONS)} passed" in done.stdout, done.stdout
    assert not (tmp_path / "found").exists()

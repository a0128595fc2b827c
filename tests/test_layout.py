"""The layout: imports point downward and in no circle, folders are small, names are true, documents too."""

from __future__ import annotations

import ast
import importlib
import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from collections import Counter
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path

import networkx as nx
import pytest

from stillgate.reports import reference_pages

ROOT = Path(__file__).parent.parent
ORDER = {
    "controller": ("expressions", "machine_file", "rules", "reading", "program", "execution", "c"),
    "sim_io": ("parts", "faults", "logs", "simulation", "logs/writers", "logs/readers", "scenarios"),
    "interlocks": (
        "results", "requirements", "loop", "slicing", "exploration", "symbolic/step", "symbolic", "proofs",
        "checking", "certificates", "fault_effects", "analyses", "mutation", "simulated_runs", "replay",
        "diagnosis",
    ),
    "diagrams": ("charts", "graphs", "matrices", "pages"),
    "application": (
        "console", "files", "reports/exchange", "reports/check", "reports/analyses", "reports/runs",
        "reports/evidence_report", "reports", "commands", "testing", "testing/plugin",
    ),
}  # fmt: skip
"""Folders of each layer from the lowest up: each may import those before it. What stands in a layer's own
folder is either used by all of it, as its errors are, or uses all of it, as the command line does."""

MOST_MODULES = 12
MANY_FOR_A_REASON = {
    "application/commands": "one file a command",
    "sim_io/logs/readers": "one file a format, and the steps they share",
}

LAYERS = {"controller": 1, "sim_io": 2, "interlocks": 3, "diagrams": 4, "application": 5}
PACKAGES = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
SHOWN = ROOT / "docs" / "how-to" / "why-did-it-stop.md"
"""Its commands are run where what it shows is compared: ``test_the_guide_shows_what_its_commands_print``."""

DOCUMENTS = sorted([*ROOT.glob("*.md"), *ROOT.glob("docs/**/*.md"), ROOT / "tests" / "README.md"])
LONGEST = 400
LONG_FOR_A_REASON = {
    "controller/program/lowering.py": "the meaning of one scan stands in one place",
    "controller/machine_file/machine.py": "the file's sections, one after another, with a sentence a field",
}


def modules() -> list[Path]:
    return [path for layer in LAYERS for path in sorted((ROOT / layer).rglob("*.py"))]


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and not node.level:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


def layer_of(module: str) -> int:
    """Layer of an import name; 0 for what is not ours."""
    head, _, rest = module.partition(".")
    if head != "stillgate":
        return 0
    return LAYERS.get(rest.partition(".")[0], LAYERS["application"])


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_point_downward(path: Path) -> None:
    own = LAYERS[path.relative_to(ROOT).parts[0]]
    for module in imported(path):
        assert layer_of(module) <= own, f"{path} imports {module}"
        if layer_of(module) == own and own < LAYERS["application"]:
            pytest.fail(f"{path} imports {module}; within a package imports are relative")


def dotted(path: Path) -> str:
    """Import name of a module."""
    top, *rest = path.relative_to(ROOT).with_suffix("").parts
    inside = rest[:-1] if rest[-1] == "__init__" else rest
    return ".".join(("stillgate", *(() if top == "application" else (top,)), *inside))


def our_imports(path: Path, names: set[str]) -> Iterator[str]:
    """Modules of ours that a module imports, late ones too."""
    package = dotted(path) if path.name == "__init__.py" else dotted(path).rpartition(".")[0]
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.ImportFrom):
            continue
        base = node.module or ""
        if node.level:
            above = package.split(".")[: len(package.split(".")) - node.level + 1]
            base = ".".join((*above, *([node.module] if node.module else [])))
        for alias in node.names:
            found = next((item for item in (f"{base}.{alias.name}", base) if item in names), None)
            if found is not None and found != dotted(path):
                yield found


def graph() -> dict[str, set[str]]:
    """What imports what; the faces of packages load their names late and are left out."""
    files = {dotted(path): path for path in modules()}
    names = set(files)
    return {name: set(our_imports(path, names)) for name, path in files.items() if path.name != "__init__.py"}


def test_no_modules_import_each_other_in_a_circle() -> None:
    circles = [
        sorted(group) for group in nx.strongly_connected_components(nx.DiGraph(graph())) if len(group) > 1
    ]
    assert circles == []


def place_of(name: str) -> tuple[str, str]:
    """Layer and folder of a module by its import name; the folder is empty in the layer's own."""
    parts = name.split(".")[1:]
    layer = parts[0] if parts and parts[0] in LAYERS else "application"
    inside = parts[1:-1] if layer != "application" else parts[:-1]
    return layer, "/".join(inside)


def test_within_a_layer_folders_import_those_before_them_only() -> None:
    for name, others in graph().items():
        layer, folder = place_of(name)
        for other in others:
            other_layer, other_folder = place_of(other)
            if other_layer == layer and folder and other_folder and folder != other_folder:
                order = ORDER[layer]
                assert order.index(other_folder) < order.index(folder), f"{name} imports {other}"


def test_every_folder_has_its_place_in_the_order() -> None:
    folders = {
        path.parent.relative_to(ROOT) for path in modules() if len(path.parent.relative_to(ROOT).parts) > 1
    }
    assert {str(folder) for folder in folders} == {
        f"{layer}/{folder}" for layer, inside in ORDER.items() for folder in inside
    }


def test_the_page_for_developers_lists_folders_in_that_order() -> None:
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for layer, folders in ORDER.items():
        (row,) = re.findall(rf"^\| `{layer}/` \| (`.*) \|$", page, re.MULTILINE)
        found = re.findall(r"`([\w/]+)`", row)
        assert [name for name in found if name in folders] == list(folders)
        assert set(found) - {"stillgate", f"stillgate.{layer}"} <= set(folders)


def test_a_folder_holds_few_enough_modules_to_be_taken_in_at_a_glance() -> None:
    counts: Counter[str] = Counter(
        str(path.parent.relative_to(ROOT)) for path in modules() if path.name != "__init__.py"
    )
    many = {folder for folder, count in counts.items() if count > MOST_MODULES}
    assert many == set(MANY_FOR_A_REASON)


def test_a_public_class_has_a_name_of_its_own() -> None:
    homes: dict[str, list[str]] = {}
    for path in modules():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                homes.setdefault(node.name, []).append(dotted(path))
    assert {name: found for name, found in homes.items() if len(found) > 1} == {}


@pytest.mark.parametrize(
    "folder", ["interlocks/exploration/engine", "interlocks/symbolic/engine"], ids=lambda name: name
)
def test_c_files_include_each_other_in_no_circle(folder: str) -> None:
    includes = nx.DiGraph()
    for path in (ROOT / folder).iterdir():
        for other in re.findall(r'^#include "(\w+\.[ch])"', path.read_text(encoding="utf-8"), re.MULTILINE):
            includes.add_edge(path.name, other)
    assert nx.is_directed_acyclic_graph(includes)


PARTS_OF_NAMES = {
    "endswith", "startswith", "removesuffix", "removeprefix", "partition", "rpartition", "split", "rsplit",
}  # fmt: skip
NAMED_AS_TEXT = {
    "application/commands/run.py": "the name of a file",
    "interlocks/analyses/version_diff.py": "outputs of two controllers, looked up by their names",
}


def asks_a_name(node: ast.AST) -> bool:
    """Whether a name is taken apart or put together to find out what it belongs to."""
    match node:
        case ast.Call(func=ast.Attribute(value=ast.Attribute(attr="name"), attr=method)):
            return method in PARTS_OF_NAMES
        case ast.Compare(ops=[ast.In() | ast.NotIn()], comparators=[ast.Attribute(attr="name")]):
            return True
        case ast.Compare(
            left=ast.Attribute(attr="name"), ops=[ast.Eq() | ast.NotEq()], comparators=[ast.JoinedStr()]
        ):
            return True
        case (
            ast.Subscript(slice=ast.JoinedStr(values=[*_, ast.Constant(value=str(end))]))
            | ast.Call(
                func=ast.Attribute(attr="get"),
                args=[ast.JoinedStr(values=[*_, ast.Constant(value=str(end))]), *_],
            )
        ):
            return end.startswith(".")
    return False


def test_no_cell_is_known_by_its_name() -> None:
    """What a cell is stands in the cell (``Role``) or beside it (``Clock``, ``memory``, ``events``)."""
    found = {
        str(path.relative_to(ROOT))
        for path in modules()
        if any(asks_a_name(node) for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    }
    assert found == set(NAMED_AS_TEXT)


@pytest.mark.parametrize(
    "text",
    [
        "cell.name.endswith('.run')",
        "timer.soonest.name.replace('.soonest', '.kept').name.removesuffix('.kept')",
        "choice.name.partition('.happens')[0]",
        "'.happens' in choice.name",
        "cell.name == f'{sequence}.next_state'",
        "values[f'{name}.left']",
        "values.get(f'{name}.left', 0)",
    ],
)
def test_the_guard_of_names_sees_each_way_to_ask_one(text: str) -> None:
    assert any(asks_a_name(node) for node in ast.walk(ast.parse(text)))


A_UNIT = re.compile(r" (ms|s|min|h)(?![\w-])")
WRITES_TIMES = "controller/expressions/durations.py"
OTHER_NUMBERS = {
    "controller/machine_file/field_types.py": "a number without a unit, with those it may lack",
    "application/reports/runs/soak_report.py": "hours of a soak, whose minutes say nothing",
}


def test_times_become_text_in_one_module() -> None:
    """A value and a unit after it; what was measured on this computer has its decimals given."""
    found = set()
    for path in modules():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.JoinedStr):
                continue
            for value, unit in pairwise(node.values):
                plain = isinstance(value, ast.FormattedValue) and value.format_spec is None
                if plain and isinstance(unit, ast.Constant) and A_UNIT.match(str(unit.value)):
                    found.add(str(path.relative_to(ROOT)))
    assert found == {WRITES_TIMES, *OTHER_NUMBERS}


NAMED = re.compile(r"``([^`\n]+)``")
MADE_UP = {"OBSERVATION", "ccache", "d_14h_12m_18s", "d5m"}
"""Words of examples: placeholders, literals, another program."""


def test_what_double_backticks_name_exists() -> None:
    """Every word between them is one of the code, of a file it reads or of the documents."""
    everything = [*modules(), *ROOT.glob("interlocks/*/engine/*.[ch]"), *ROOT.glob("tests/**/*.py")]
    texts = {path: path.read_text(encoding="utf-8") for path in everything}
    words = {path.stem for path in everything} | {path.parent.name for path in everything} | MADE_UP
    for text in texts.values():
        words |= set(re.findall(r"\w+", NAMED.sub("", text)))
    for pattern in ("machines/**/*.yaml", "docs/**/*.md", "controller/**/*.lark", "pyproject.toml"):
        for path in ROOT.glob(pattern):
            words |= set(re.findall(r"\w+", path.read_text(encoding="utf-8")))
    stale = {
        f"{path.relative_to(ROOT)}: {name}"
        for path, text in texts.items()
        for name in NAMED.findall(text)
        if not set(re.findall(r"[A-Za-z_]\w*", name)) <= words
    }
    assert stale == set()


NAMED_FOR_A_REASON = {
    "application/commands": "a command's function has the command's name, and so has its file",
}


def test_no_module_is_named_like_a_function_or_class_in_it() -> None:
    """``from .x import x`` would hide the module, and whoever reads ``x`` could mean either."""
    found = set()
    for path in modules():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            named = isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name == path.stem
            if named and str(path.parent.relative_to(ROOT)) not in NAMED_FOR_A_REASON:
                found.add(str(path.relative_to(ROOT)))
    assert found == set()


def test_every_package_is_listed_in_pyproject() -> None:
    folders = {path.parent.relative_to(ROOT) for path in modules() if path.name == "__init__.py"}
    names = {
        ".".join(("stillgate", *folder.parts)).replace("stillgate.application", "stillgate")
        for folder in folders
    }
    assert names == set(PACKAGES)


@pytest.mark.parametrize("name", PACKAGES)
def test_all_and_namespace_agree(name: str) -> None:
    module = importlib.import_module(name)
    assert len(set(module.__all__)) == len(module.__all__)
    for public in module.__all__:
        assert getattr(module, public) is not None, public
    inside = {item.partition(".")[0] for item in PACKAGES} | {
        item.removeprefix(f"{name}.").partition(".")[0] for item in PACKAGES if item.startswith(f"{name}.")
    }
    shown = {item for item in vars(module) if not item.startswith("_")} - {"annotations", "TYPE_CHECKING"}
    values = {item for item in shown if not isinstance(vars(module)[item], type(sys))}
    assert values - inside <= set(module.__all__)


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_every_module_says_what_it_is_and_is_short(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    docstring = ast.get_docstring(ast.parse(text))
    assert docstring
    assert len(docstring) > 20
    long_for_a_reason = str(path.relative_to(ROOT)) in LONG_FOR_A_REASON
    assert (len(text.splitlines()) > LONGEST) == long_for_a_reason


# -- documents -----------------------------------------------------------------------------------


def blocks(document: Path, language: str) -> list[str]:
    return re.findall(
        rf"^```{language}\n(.*?)^```", document.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL
    )


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_link_of_a_document_leads_somewhere(document: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)[^)]*\)", document.read_text(encoding="utf-8")):
        if not target.startswith(("http:", "https:")):
            assert (document.parent / target).exists(), target


PATH = re.compile(r"`((?:[\w.-]+/)+[\w.*-]*|[\w-]+\.(?:md|toml|py))`")
MADE_BY_READERS = {"machine.schema.json", "press.yaml", ".venv/bin", "test_press.py"}
ZONES = {"Europe/Berlin"}  # written like a path, and none
WITHIN_A_LAYER = {folder for folders in ORDER.values() for folder in folders}


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_path_named_in_a_document_exists(document: Path) -> None:
    for name in PATH.findall(document.read_text(encoding="utf-8")):
        places = (ROOT, document.parent, ROOT / "tests")
        known = name in MADE_BY_READERS | ZONES | WITHIN_A_LAYER
        assert known or any(place.joinpath(name).exists() for place in places), name


@pytest.mark.parametrize(
    "document",
    [path for path in DOCUMENTS if path != SHOWN],
    ids=lambda path: str(path.relative_to(ROOT)),
)
def test_every_command_of_a_document_runs(document: Path, tmp_path: Path, unoptimised: str | None) -> None:
    """The commands of a page, one after another, in a folder of their own.

    Those on the demo compile as users do; the others search too little for the optimiser to pay.
    """
    (tmp_path / "machines").symlink_to(ROOT / "machines")
    beside = str(Path(sys.executable).parent)
    environment = {**os.environ, "PATH": beside + os.pathsep + os.environ["PATH"]}
    for block in blocks(document, "sh"):
        for line in block.splitlines():
            if line.startswith(("python3 -m venv", ".venv/bin/pytest")):
                assert_set_up(line)
                continue
            small = {} if "lavender" in line or unoptimised is None else {"CC": unoptimised}
            done = subprocess.run(
                line,
                shell=True,
                cwd=tmp_path,
                env=environment | small,
                capture_output=True,
                text=True,
                check=False,
            )
            assert done.returncode == 0, f"{line}\n{done.stdout[-2000:]}{done.stderr}"


def assert_set_up(line: str) -> None:
    """A line that sets up and runs: its extras, machine files and programs exist."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    for extras in re.findall(r"\.\[([\w,]+)\]", line):
        assert set(extras.split(",")) <= set(project["optional-dependencies"])
    for word in shlex.split(line):
        if word.startswith("machines/"):
            assert (ROOT / word).exists()
        if word.startswith(".venv/bin/"):
            assert word.removeprefix(".venv/bin/") in {"pip", "pytest", "stillgate"}


def test_the_reference_pages_are_what_the_schemas_say() -> None:
    folder = ROOT / "docs" / "reference"
    assert (folder / "machine-file.md").read_text(encoding="utf-8") == reference_pages.machine_file_page()
    assert (folder / "certificate.md").read_text(encoding="utf-8") == reference_pages.certificate_page()
    assert (folder / "column-map.md").read_text(encoding="utf-8") == reference_pages.column_map_page()
    assert (folder / "scenario-file.md").read_text(encoding="utf-8") == reference_pages.scenario_file_page()
    assert (folder / "json-outputs.md").read_text(encoding="utf-8") == reference_pages.outputs_page()


def test_nothing_calls_a_machine_safe_or_certified() -> None:
    """The owner's rule: print what was checked, under which assumptions."""
    printed = [
        *(ROOT / "application").rglob("*.py"),
        *(ROOT / "diagrams").rglob("*.py"),
        *(ROOT / "interlocks").rglob("*.py"),
    ]
    for path in printed:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                assert not re.search(r"\b(is|are) (safe|certified)\b", node.value), f"{path}:{node.lineno}"


@pytest.mark.skipif(shutil.which("git") is None, reason="needs git")
def test_no_path_of_a_workplace_is_in_a_committed_text() -> None:
    workplaces = ["/" + "/".join(parts) for parts in (("work", "main"), ("root", ""))]
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    for name in listed.stdout.splitlines():
        path = ROOT / name
        if path.suffix in {".py", ".md", ".toml", ".yaml", ".txt", ".c", ".h"} and path.exists():
            text = path.read_text(encoding="utf-8")
            assert not any(place in text for place in workplaces), name

"""What is handed on: the sdist is the whole repository, and building says nothing that asks for a look."""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
LEFT_OUT = shutil.ignore_patterns(
    ".git", ".venv*", "build", "dist", "out", "*.egg-info", "__pycache__", ".*_cache", ".hypothesis"
)


def built(kind: str, source: Path, target: Path) -> tuple[Path, str]:
    """A distribution and what its building said."""
    code = f"from setuptools import build_meta as b; b.build_{kind}({str(target)!r})"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=source, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    (found,) = target.glob("*.tar.gz" if kind == "sdist" else "*.whl")
    return found, done.stdout + done.stderr


@pytest.fixture(scope="module")
def sdist(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    setuptools = pytest.importorskip("setuptools")
    if int(setuptools.__version__.split(".")[0]) < 77:
        pytest.skip("setuptools is older than pyproject.toml asks for")
    source = tmp_path_factory.mktemp("source") / "repository"
    shutil.copytree(ROOT, source, ignore=LEFT_OUT)
    return built("sdist", source, tmp_path_factory.mktemp("dist"))


def test_the_sdist_holds_every_file_of_the_repository(sdist: tuple[Path, str]) -> None:
    with tarfile.open(sdist[0]) as packed:
        held = {name.partition("/")[2] for name in packed.getnames()}
    folders = ("application", "controller", "diagrams", "interlocks", "sim_io", "machines", "docs", "tests",
               "benchmarks", ".ci")  # fmt: skip
    files = {
        str(path.relative_to(ROOT))
        for folder in folders
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and "out" not in path.parts
    }
    beside = {"README.md", "CHANGELOG.md", "DEVELOPERS.md", "LICENSE", "pyproject.toml", "constraints.txt"}
    assert (files | beside) - held == set()
    assert "warning: no " not in sdist[1], "a pattern of MANIFEST.in that meets no file"


@pytest.mark.night
def test_a_wheel_is_built_from_the_sdist_without_a_warning_and_holds_every_module(
    sdist: tuple[Path, str], tmp_path: Path
) -> None:
    with tarfile.open(sdist[0]) as packed:
        packed.extractall(tmp_path / "source", filter="data")
    (source,) = (tmp_path / "source").iterdir()
    wheel, said = built("wheel", source, tmp_path)
    for text in (sdist[1], said):
        assert not re.search(r"_?Warning: ", text), text[-3000:]
        assert "would be ignored" not in text
    held = set(zipfile.ZipFile(wheel).namelist())
    table = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    for package, folder in table["package-dir"].items():
        for path in (ROOT / folder).glob("*.py"):
            assert f"{package.replace('.', '/')}/{path.name}" in held
    data = ("*.lark", "*.c", "*.h", "report.*", "py.typed")
    named = {Path(name).name for name in held}
    for folder in ("application", "controller", "diagrams", "interlocks", "sim_io"):
        for pattern in data:
            assert {path.name for path in (ROOT / folder).rglob(pattern)} <= named


def test_every_dependency_has_a_version_that_was_tested() -> None:
    """constraints.txt pins what the dependencies of pyproject.toml only bound from below."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    pinned = dict(line.split("==") for line in lines if line and not line.startswith("#"))
    wanted = [
        *project["dependencies"],
        *(w for extra in project["optional-dependencies"].values() for w in extra),
    ]
    for requirement in wanted:
        name, bound = re.fullmatch(r"([A-Za-z0-9_.-]+)(?:\[[^]]*\])?(?:>=([0-9.]+))?.*", requirement).groups()  # type: ignore[union-attr]
        if name == "stillgate":
            continue
        assert name.lower() in pinned, name
        assert [*map(int, pinned[name.lower()].split(".")[:2])] >= [*map(int, (bound or "0").split(".")[:2])]

"""The evidence report: whole, self-contained, the same every time, and true to the check."""

from __future__ import annotations

import base64
import csv
import dataclasses
import hashlib
import itertools
import os
import re
import sys
from pathlib import Path

import pytest

from stillgate.controller.errors import ToolMissing
from stillgate.controller.reading.reader import read_machine
from stillgate.diagrams.graphs.renderer import find_renderer
from stillgate.diagrams.matrices.table import Table
from stillgate.diagrams.pages import pdf
from stillgate.diagrams.pages.report_page import (
    Figure,
    Page,
    Part,
    Prose,
    Section,
    TableBlock,
    anchors,
    render_page,
)
from stillgate.interlocks.checking.checker import check
from stillgate.reports.evidence_report.report import Evidence, evidence_page
from stillgate.sim_io.faults.fault_list import faults_of

from ..conftest import Command
from ..pages import PageReader
from .test_check import NO_INTERLOCK, NO_OVERRIDE, spoilt

DATE = "2026-03-31"
QUICK = ("--leave-out", "fault-table", "--leave-out", "layers", "--leave-out", "strength")


@pytest.fixture(scope="module")
def broken_page(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """The report of a machine with a broken requirement, and its machine file."""
    from stillgate.cli import run_command
    from stillgate.commands.new import starter_text

    folder = tmp_path_factory.mktemp("report")
    starter = folder / "press.yaml"
    starter.write_text(starter_text("press"), encoding="utf-8")
    file = spoilt(starter, NO_OVERRIDE, NO_INTERLOCK)
    target = folder / "page.html"
    options = ["--output", str(target), "--date", DATE, "--output", str(folder / "csv"), *QUICK]
    assert run_command(["report", str(file), *options]) == 1
    return file, target.read_text(encoding="utf-8")


def test_the_page_is_well_formed_and_fetches_nothing(broken_page: tuple[Path, str]) -> None:
    page = PageReader(broken_page[1])
    assert page.fetched == []
    assert "default-src 'none'" in broken_page[1]
    assert not re.search(r"url\((?!#)", broken_page[1])
    assert not re.search(r"@import|fetch\(|XMLHttpRequest|WebSocket", broken_page[1])


@pytest.mark.parametrize("element", ["script", "style"])
def test_the_pages_own_script_and_style_are_allowed_and_no_others(
    broken_page: tuple[Path, str], element: str
) -> None:
    """Content Security Policy Level 3 (W3C), 8.3: the hash of the text between the two tags."""
    text = broken_page[1]
    (content,) = re.findall(rf"<{element}[^>]*>(.*?)</{element}>", text, re.DOTALL)
    digest = base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()
    (policy,) = re.findall(r'http-equiv="Content-Security-Policy" content="([^"]*)"', text)
    allowed = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert allowed[f"{element}-src"] == f"'sha256-{digest}'"
    assert "unsafe" not in policy


def test_the_page_has_nothing_that_its_policy_would_stop(broken_page: tuple[Path, str]) -> None:
    """Attributes with a style or a script are inline too, and have no hash (the same, 8.3)."""
    markup = re.sub(r"<(script|style)>.*?</\1>", "", broken_page[1], flags=re.DOTALL)
    assert re.findall(r"<[^>]*\s(?:style|on[a-z]+)\s*=[^>]*>", markup) == []
    assert "javascript:" not in markup
    assert "<style" not in markup


def test_a_foot_of_the_page_does_not_end_the_style() -> None:
    footer = 'm "\\ </style><script>alert(1)</script>'
    text = render_page(Page("t", "l", "holds", "s", (), (), (Section("a", "A", ()),), footer))
    assert text.count("<style") == text.count("</style") == text.count("<script") == 1


def test_every_link_leads_to_one_place(broken_page: tuple[Path, str]) -> None:
    page = PageReader(broken_page[1])
    assert len(page.ids) == len(set(page.ids)), [i for i in page.ids if page.ids.count(i) > 1]
    for target in page.targets:
        assert target.startswith("#")
        assert target[1:] in page.ids, target


def test_headings_go_down_by_one_and_tables_have_scopes(broken_page: tuple[Path, str]) -> None:
    page = PageReader(broken_page[1])
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    assert None not in page.scopes
    for landmark in ("<header>", "<main ", "<nav ", "<footer>"):
        assert landmark in broken_page[1]


def test_the_page_names_everything_of_the_machine_and_of_the_check(broken_page: tuple[Path, str]) -> None:
    file, text = broken_page
    document = read_machine(file)
    machine, result = document.machine, check(document)
    page = PageReader(text)
    words = page.text.replace("_ ", "_").replace(". ", ".")
    for name in (
        *machine.inputs,
        *machine.outputs,
        *machine.parts,
        *machine.sequences,
        *machine.requirements,
    ):
        assert name in words, name
    for assumption in result.assumptions:
        assert assumption.replace(". ", ".") in words
    for finding in result.findings:
        assert finding.message in words.replace(":.", ": .") or finding.message in page.text
    for fact in (
        result.digest,
        DATE,
        result.version,
        find_renderer().version,
        "spoilt.yaml",
        "20 ms",
    ):
        assert fact in page.text
    assert "competent person decides" in page.text
    story = next(item.story for item in result.requirements if item.story is not None)
    assert story.headline in page.text


def test_the_verdict_table_says_what_the_check_says(broken_page: tuple[Path, str]) -> None:
    file, text = broken_page
    result = check(read_machine(file))
    tables = PageReader(text).tables
    against = [item for item in result.requirements if item.hazard]
    others = [item for item in result.requirements if not item.hazard]
    assert against
    assert others
    for name, items, first in (("table-verdicts", against, 3), ("table-verdicts_others", others, 2)):
        rows = tables[name][1:]
        assert [row[0].replace("_ ", "_") for row in rows] == [item.name for item in items]
        for row, item in zip(rows, items, strict=True):
            assert (item.verdict.value in row[first]) == (item.verdict is item.judgements[0].word)
    sentence = next(line for line in text.splitlines() if 'class="verdict' in line)
    assert 'class="verdict broken"' in sentence
    assert "broken" in sentence


def test_the_story_of_a_response_says_what_its_limit_comes_to(broken_page: tuple[Path, str]) -> None:
    """200 ms less one scan of 20 ms are nine scans (design, 11: limits round against the machine)."""
    text = PageReader(broken_page[1]).text
    assert "the answer must be there within 180 ms of the trigger. That is what remains of 200 ms" in text


def test_open_points_name_what_is_broken_and_what_was_not_run(broken_page: tuple[Path, str]) -> None:
    text = PageReader(broken_page[1]).text
    opened = text[text.index("Open points", text.index("1 Verdicts")) :]
    assert "guard_stops_motor is broken." in opened
    assert "guard_stops_motor breaks with one fault" not in opened  # that it breaks without says more
    assert "fresh_start breaks with one fault; the file asks it to hold with no fault at all." in opened
    assert "The check used a tick of" not in opened
    assert "'What the requirements notice' was left out of this report on request." in opened
    assert "no check can tell" in opened


def test_the_assumptions_say_that_pairs_of_faults_were_not_looked_at(broken_page: tuple[Path, str]) -> None:
    text = PageReader(broken_page[1]).text
    assumed = text[text.rindex("What was assumed and") : text.rindex("What was explored")]
    assert "Pairs of faults were not looked at in this report" in assumed


def test_pairs_without_a_fault_table_are_refused(stillgate: Command, starter: Path, tmp_path: Path) -> None:
    done = stillgate(
        "report", starter, "--output", tmp_path / "p.html", "--pairs", "--leave-out", "fault-table"
    )
    assert done.status == 2
    assert "--pairs fills the fault table" in done.err
    assert not (tmp_path / "p.html").exists()


def test_the_same_file_and_date_give_the_same_bytes(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    pages = []
    for number, date in enumerate((DATE, DATE, "2025-01-01"), start=1):
        target = tmp_path / f"{number}.html"
        options = ("--date", date, "--no-cache", "--threads", str(number), *QUICK)
        assert stillgate("report", starter, "--output", target, *options).status == 0
        pages.append(target.read_text())
    assert pages[0] == pages[1]
    # The date stands in the style's footer, and so in the style's hash.
    first, other = (re.sub(r"style-src 'sha256-[^']+'", "", page) for page in (pages[0], pages[2]))
    assert other.replace("2025-01-01", DATE) == first


def test_tables_are_written_as_csv_too(broken_page: tuple[Path, str]) -> None:
    file, text = broken_page
    page = PageReader(text)
    folder = file.parent / "csv"
    written = {path.stem for path in folder.iterdir()}
    assert {f"table-{name}" for name in written} == {name for name in page.tables if name != "None"}
    for name in written:
        with (folder / f"{name}.csv").open(encoding="utf-8-sig", newline="") as stream:
            rows = list(csv.reader(stream))
        shown = [[_joined(cell) for cell in row] for row in page.tables[f"table-{name}"]]
        plain = [[_joined(cell.lstrip("'")) for cell in row] for row in rows]
        assert shown == plain, name


def _joined(cell: str) -> str:
    """A cell without the places where a page may break a name."""
    return " ".join(cell.split()).replace("_ ", "_").replace(". ", ".")


def test_texts_of_a_hostile_file_stay_texts(stillgate: Command, tmp_path: Path) -> None:
    file = tmp_path / "hostile.yaml"
    file.write_text(
        """\
machine: hostile
title: "</title><script>alert(1)</script> {{ 7*7 }} \\"quoted\\""
note: "<img src=x onerror=alert(1)>"
scan: 20 ms
hazards: {h: "<b>&amp;"}
inputs: {a: {from: operator, note: "=HYPERLINK(1)"}}
outputs: {digraph: {hazard: h, note: "<script>"}}
sequences:
  graph:
    start: node
    states:
      node: {exits: [{when: a, to: edge}]}
      edge: {on: [digraph], exits: [{when: not a, to: node}]}
interlocks: [{hold_off: digraph, unless: a, why: "</svg><script>"}]
requirements: {r: {never: digraph and a, hazard: h, why: "'\\"><script>alert(2)</script>"}}
check: {faults: 0}
""",
        encoding="utf-8",
    )
    done = stillgate("report", file, "--output", tmp_path / "out.html", "--output", tmp_path / "csv", *QUICK)
    assert done.status == 1, done.err
    text = (tmp_path / "out.html").read_text()
    page = PageReader(text)
    assert text.count("<script>") == 1
    assert "<img" not in text
    assert "{{ 7*7 }}" in page.text
    assert "=HYPERLINK" not in (tmp_path / "csv" / "inputs.csv").read_text().replace("'=HYPERLINK", "")


def test_a_limit_is_named_and_the_verdict_is_undecided(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    done = stillgate(
        "report", starter, "--output", tmp_path / "p.html", "--max-states", "5", "--no-cache", *QUICK
    )
    assert done.status == 4
    text = PageReader((tmp_path / "p.html").read_text()).text
    assert "most situations of a search 5, most memory 6 GiB (default)" in text.replace(
        "\N{NO-BREAK SPACE}", " "
    )
    assert "is undecided" in text


def test_a_place_that_cannot_be_written_is_refused_before_the_work(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("stillgate.interlocks.checking.checker.check_within", None)  # not even asked
    done = stillgate("report", starter, "--output", tmp_path / "nowhere" / "p.html")
    assert done.status == 2
    assert "there is no folder" in done.err
    printed = tmp_path / "folder.pdf"
    printed.mkdir()
    done = stillgate("report", starter, "--output", tmp_path / "p.html", "--output", printed)
    assert done.status == 2
    assert "is a folder; give the name of a file" in done.err
    printed.rmdir()
    done = stillgate("report", starter, "--output", tmp_path / "p.html", "--output", tmp_path / "p.html")
    assert done.status == 2
    assert "p.html' would hold the same, the page; give one" in done.err
    done = stillgate("report", starter, "--output", starter)
    assert done.status == 2
    assert "press.yaml' ends in none of .html, .htm, .pdf, which say what to write" in done.err
    done = stillgate("report", starter, "--output", tmp_path / "one", "--output", tmp_path / "two")
    assert done.status == 2
    assert "are folders of tables; give one" in done.err
    done = stillgate("report", starter, "--output", tmp_path / "p.html", "--output", starter / "tables")
    assert done.status == 2
    assert f"--output: '{starter}' is a file; give the name of a folder" in done.err
    assert sorted(path.name for path in tmp_path.iterdir()) == [starter.name]


@pytest.mark.parametrize("date", ["yesterday", "2026-02-30", "31.3.2026"])
def test_a_date_that_is_none_is_refused(stillgate: Command, starter: Path, date: str) -> None:
    done = stillgate("report", starter, "--date", date)
    assert done.status == 2
    assert "is not a date" in done.err
    assert not Path("press.report.html").exists()


def test_without_a_template_engine_the_message_says_how_to_get_one(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "jinja2", None)
    done = stillgate("report", starter, "--output", tmp_path / "p.html", *QUICK)
    assert done.status == 2
    assert "pip install 'stillgate[report]'" in done.err
    assert not (tmp_path / "p.html").exists()


def test_without_a_browser_the_page_is_there_and_the_message_says_what_to_do(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def none() -> Path:
        raise ToolMissing("no Chromium or Chrome was found to print a PDF with: install one")

    monkeypatch.setattr(pdf, "find_browser", none)
    done = stillgate(
        "report", starter, "--output", tmp_path / "p.html", "--output", tmp_path / "p.pdf", *QUICK
    )
    assert done.status == 2
    assert "no Chromium or Chrome was found" in done.err
    assert (tmp_path / "p.html").exists()
    assert not (tmp_path / "p.pdf").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="needs a script with a first line")
@pytest.mark.parametrize("code", ["import sys; sys.exit(3)", "pass"])
def test_a_browser_that_prints_nothing_is_an_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, code: str
) -> None:
    browser = tmp_path / "browser"
    browser.write_text(f"#!{sys.executable}\n{code}\n")
    browser.chmod(0o755)
    monkeypatch.setenv("PATH", f"{tmp_path}{os.pathsep}{os.environ['PATH']}")
    monkeypatch.setattr(pdf, "BROWSERS", ("browser",))
    with pytest.raises(pdf.ProgramFault, match="printed no PDF"):
        pdf.print_page(b"<p>page</p>")


def test_an_unknown_name_in_the_template_is_an_error() -> None:
    from jinja2 import Environment, StrictUndefined, UndefinedError

    with pytest.raises(UndefinedError):
        Environment(undefined=StrictUndefined).from_string("{{ page.nothing }}").render(page=object())
    page = Page("t", "l", "holds", "s", (), (), (Section("a", "A", (Prose(("p",)),)),), "f")
    assert "StrictUndefined" in Path(render_page.__code__.co_filename).read_text()
    assert list(anchors(page)) == ["a"]


@pytest.mark.parametrize(
    ("width", "height", "shape"),
    [
        (400, 300, ""),  # fits as it is
        (690, 850, ""),  # a little smaller, as an upright page allows
        (1345, 900, "wide"),
        (670, 3100, "tall"),  # thirty states in a row
        (400, 800, ""),  # tall, but legible on one page
    ],
)
def test_a_drawing_is_printed_on_the_paper_that_leaves_it_largest(
    width: int, height: int, shape: str
) -> None:
    svg = f'<svg viewBox="0.00 0.00 {width}.00 {height}.00"></svg>'
    figure = Figure("f", svg, "caption", "said")
    assert figure.shape == shape
    section = Section("s", "S", (Prose(("note",)), figure), (Part("p", "P", (figure,)),))
    heading = "wide" if shape == "wide" else ""
    assert (section.shape, section.parts[0].shape) == (heading, heading)


def test_long_names_may_break_and_numbers_with_their_units_stay_whole() -> None:
    table = Table("t", "T", ("a", "b"), (("harvest.rail_full", "broken after 1.9 s"),))
    text = render_page(Page("t", "l", "holds", "s", (), (), (Section("a", "A", (TableBlock(table),)),), "f"))
    assert "harvest.<wbr>rail_<wbr>full" in text
    assert "broken after 1.9\N{NO-BREAK SPACE}s" in text


@pytest.mark.night
def test_a_report_with_everything_holds_its_sections_and_tables(
    stillgate: Command, starter: Path, tmp_path: Path
) -> None:
    file = spoilt(starter, ("faults: 0   ", "faults: 1   "))
    done = stillgate("report", file, "--output", tmp_path / "p.html", "--output", tmp_path / "csv", "--pairs")
    assert done.status == 1
    page = PageReader((tmp_path / "p.html").read_text())
    document = read_machine(file)
    faults = [row[0].replace("_ ", "_") for row in page.tables["table-faults_single"][1:]]
    assert faults == [item.name for item in faults_of(document.machine)]
    hazardous = [name for name, item in document.machine.requirements.items() if item.hazard]
    assert [row[0].replace("_ ", "_") for row in page.tables["table-layers"][1:]] == hazardous
    tried = sum(int(row[1]) for row in page.tables["table-weakenings"][1:])
    with (tmp_path / "csv" / "all_weakenings.csv").open(encoding="utf-8-sig", newline="") as stream:
        assert len(list(csv.reader(stream))) == tried + 1
    assert "was not asked for (--second-opinion)" in page.text
    assert "Pairs of faults, beside the verdicts: " in page.text
    assert all(target[1:] in page.ids for target in page.targets)
    assert len(page.ids) == len(set(page.ids))


def test_an_interrupt_leaves_a_report_of_what_is_finished(
    stillgate: Command, starter: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*arguments: object, **options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("stillgate.interlocks.mutation.mutation_run.strength", interrupt)
    done = stillgate("report", starter, "--output", tmp_path / "p.html", "--leave-out", "layers")
    assert done.status == 130
    text = PageReader((tmp_path / "p.html").read_text()).text
    assert "'What the requirements notice' was not finished: the work was interrupted." in text
    assert "'A second opinion by another method' was not run: the work was interrupted." in text


def test_what_was_not_run_stands_among_the_open_points(starter: Path) -> None:
    document = read_machine(starter)
    evidence = Evidence(document, check(document), find_renderer(), DATE, "cc 1", not_run=("X was not run.",))
    text = PageReader(render_page(evidence_page(evidence))).text
    assert "X was not run." in text
    without = PageReader(render_page(evidence_page(dataclasses.replace(evidence, not_run=())))).text
    assert "was not run" not in without

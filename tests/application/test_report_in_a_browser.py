"""The report in a real Chromium: accessible, quick to be usable, printed, and its charts work.

At night, where Chromium is installed; accessibility by axe-core (npm), where ``STILLGATE_AXE``
names its ``axe.min.js``.
"""

from __future__ import annotations

import html
import json
import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from stillgate.cli import run_command
from stillgate.commands.new import starter_text
from stillgate.diagrams.pages.pdf import BROWSERS, QUIET, print_page
from stillgate.diagrams.pages.report_page import source_of

from .commands.test_check import NO_INTERLOCK, NO_OVERRIDE, spoilt

BROWSER = next((found for name in BROWSERS if (found := shutil.which(name))), None)
AXE = os.environ.get("STILLGATE_AXE", "")

pytestmark = [
    pytest.mark.night,
    pytest.mark.skipif(BROWSER is None, reason="needs Chromium or Chrome"),
]


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """A report with a broken requirement, so that it has a chart."""
    folder = tmp_path_factory.mktemp("browser")
    starter = folder / "press.yaml"
    starter.write_text(starter_text("press"), encoding="utf-8")
    file = spoilt(starter, NO_OVERRIDE, NO_INTERLOCK)
    assert run_command(["report", str(file), "-o", str(folder / "p.html"), "--leave-out", "strength"]) == 1
    return (folder / "p.html").read_text(encoding="utf-8")


def after(page: str, script: str, folder: Path) -> tuple[Any, str]:
    """What a script returns once the page has loaded, and the page as it is then."""
    probe = (
        "onload=()=>Promise.resolve(probe()).then(found=>{"
        "const p=document.createElement('pre');p.id='probe';p.textContent=JSON.stringify(found);"
        "document.body.append(p)})"
    )
    hook = f"<script>{script}</script><script>{probe}</script></body>"
    allowed = f"script-src {source_of(script)} {source_of(probe)} "  # beside the page's own
    file = folder / "probe.html"
    text = page.replace("</body>", hook).replace("script-src ", allowed, 1)
    file.write_text(text, encoding="utf-8")
    sandbox = ["--no-sandbox"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [str(BROWSER), *QUIET, *sandbox, f"--user-data-dir={folder}/profile", "--virtual-time-budget=60000",
         "--window-size=1280,900", "--dump-dom", file.as_uri()],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    found = re.search(r'<pre id="probe">(.*?)</pre>', done.stdout, re.DOTALL)
    assert found is not None, done.stderr[-2000:]
    return json.loads(html.unescape(found[1])), done.stdout


def test_cursor_zoom_and_readings_of_a_chart_work(page: str, tmp_path: Path) -> None:
    probe = """
    function probe() {
      const figure = document.querySelector("figure.chart");
      const chart = JSON.parse(figure.dataset.chart);
      const find = (name) => figure.querySelector("." + name);
      const slider = find("cursor");
      const said = [];
      for (let instant = 0; instant < chart.length; instant++) {
        slider.value = instant;
        slider.dispatchEvent(new Event("input"));
        said.push([...figure.querySelectorAll(".readings dd")].map((item) => item.textContent));
      }
      slider.value = chart.steps[chart.steps.length - 1];
      slider.dispatchEvent(new Event("input"));
      const plot = figure.querySelector(".plot"), at = () => plot.getAttribute("transform");
      const whole = at();
      find("closer").click(); const near = at();
      find("earlier").click(); const before = at();
      find("whole").click(); const again = at();
      return {lanes: chart.lanes, said, whole, near, before, again, hidden: find("controls").hidden,
              clock: find("clock").textContent};
    }"""
    found, _ = after(page, probe, tmp_path)
    for instant, readings in enumerate(found["said"]):
        expected = [[value for start, value in runs if start <= instant][-1] for _, _, runs in found["lanes"]]
        assert readings == expected
    assert found["hidden"] is False
    assert found["near"].startswith("scale(2 1)")
    assert found["before"] != found["near"]
    assert found["again"].replace("-0", "0") == "scale(1 1) translate(0 0)"
    assert "step" in found["clock"], "at an instant that the story tells"


def test_names_of_boxes_stay_in_view_when_a_chart_is_zoomed(page: str, tmp_path: Path) -> None:
    """Every box of which enough is seen bears its name there, within the plot."""
    probe = """
    function probe() {
      const figure = document.querySelector("figure.chart");
      const chart = JSON.parse(figure.dataset.chart), width = chart.pieces[chart.pieces.length - 1][3];
      const find = (name) => figure.querySelector("." + name), found = [];
      find("cursor").value = chart.length - 1;
      find("cursor").dispatchEvent(new Event("input"));
      for (let times = 0; times < 3; times++) {
        find("closer").click();
        const [zoom, , left] = find("plot").getAttribute("transform").match(/[-\\d.]+/g).map(Number);
        for (const group of figure.querySelectorAll("[data-words]")) {
          const [x] = group.getAttribute("transform").match(/[-\\d.]+/g).map(Number);
          found.push([group.dataset.words, group.textContent, (x + left) * zoom, width]);
        }
      }
      return found;
    }"""
    found, _ = after(page, probe, tmp_path)
    shown = [item for item in found if item[1]]
    assert shown
    for words, text, place, width in shown:
        assert text == words
        assert 0 <= place <= width
    last = [item for item in found[-(len(found) // 3) :] if item[1]]
    assert {item[0] for item in last} >= {"dark", "running up"}  # what is so at the cursor


def test_a_drawing_that_was_made_to_fit_can_be_seen_in_full_size(page: str, tmp_path: Path) -> None:
    probe = """
    function probe() {
      return [...document.querySelectorAll("figure.drawing")].map((figure) => {
        const svg = figure.querySelector("svg"), room = figure.querySelector(".scroll");
        const own = svg.width.baseVal.value, shown = () => svg.getBoundingClientRect().width;
        const fit = shown(), offered = !figure.querySelector(".controls").hidden;
        if (offered) figure.querySelector(".size").click();
        return {room: room.clientWidth, own, fit, offered, full: shown(),
                pressed: figure.querySelector(".size").getAttribute("aria-pressed")};
      });
    }"""
    narrow = page.replace("max-width: 70rem", "max-width: 30rem")  # so narrow that something must shrink
    for text in (page, narrow):
        found, _ = after(text, probe, tmp_path)
        for item in found:
            assert item["fit"] <= item["room"] + 1
            assert item["offered"] == (item["own"] > item["room"])
            assert item["full"] == pytest.approx(item["own"], abs=1)
            assert item["pressed"] == str(item["offered"]).lower()
    assert any(item["offered"] for item in found)


def test_the_page_is_usable_within_two_seconds(page: str, tmp_path: Path) -> None:
    times = []
    for run in range(3):
        folder = tmp_path / str(run)
        folder.mkdir()
        found, _ = after(
            page, "function probe() { return +document.documentElement.dataset.readyAfter }", folder
        )
        times.append(found)
    assert min(times) < 2000, times


@pytest.mark.skipif(not AXE, reason="STILLGATE_AXE names no axe.min.js")
def test_axe_finds_nothing_serious(page: str, tmp_path: Path) -> None:
    script = Path(AXE).read_text(encoding="utf-8")
    probe = (
        "function probe() { return axe.run(document).then((found) =>"
        " found.violations.map((item) => [item.id, item.impact, item.nodes[0].html])) }"
    )
    found, _ = after(page, f"{script}\n{probe}", tmp_path)
    assert [item for item in found if item[1] in ("serious", "critical")] == []


def test_the_page_prints_on_a4(page: str) -> None:
    content = print_page(page.encode())
    sizes = {(float(w), float(h)) for w, h in re.findall(rb"/MediaBox\s*\[0 0 ([\d.]+) ([\d.]+)\]", content)}
    assert sizes
    for size in sizes:  # points; upright or in landscape format
        assert sorted(size) == pytest.approx([595.3, 841.9], abs=1)


def test_the_same_page_prints_the_same_but_for_the_moment_of_printing(page: str) -> None:
    dates = re.compile(rb"/(?:CreationDate|ModDate) \([^)]*\)")
    one, other = (dates.sub(b"", print_page(page.encode())) for _ in range(2))
    assert one == other

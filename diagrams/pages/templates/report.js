// Timing charts: zoom, pan, and a cursor that reads every signal; drawings in full size. Without this script
// the page is complete.
"use strict";
for (const figure of document.querySelectorAll("figure.drawing")) {
  const button = figure.querySelector(".size"), room = figure.querySelector(".scroll");
  if (figure.querySelector("svg").width.baseVal.value <= room.clientWidth) continue; // it is shown in full size
  figure.querySelector(".controls").hidden = false;
  button.onclick = () => button.setAttribute("aria-pressed", String(figure.classList.toggle("full")));
}
for (const figure of document.querySelectorAll("figure.chart")) {
  const chart = JSON.parse(figure.dataset.chart);
  const svg = figure.querySelector("svg");
  const plot = svg.querySelector(".plot");
  const find = (name) => figure.querySelector("." + name);
  const slider = find("cursor"), clock = find("clock"), readings = find("readings");
  const width = chart.pieces[chart.pieces.length - 1][3];
  let zoom = 1, left = 0; // left: place on the axis that stands at the left edge

  const place = (instant) => {
    const piece = chart.pieces.find((item) => instant <= item[1]) || chart.pieces[chart.pieces.length - 1];
    return piece[2] + (instant - piece[0]) / (piece[1] - piece[0]) * (piece[3] - piece[2]);
  };
  const instantAt = (x) => {
    const piece = chart.pieces.find((item) => x <= item[3]) || chart.pieces[chart.pieces.length - 1];
    const instant = piece[0] + (x - piece[2]) / (piece[3] - piece[2]) * (piece[1] - piece[0]);
    return Math.max(0, Math.min(chart.length - 1, Math.floor(instant)));
  };
  const words = (ms) => ms >= 1000 ? String(+(ms / 1000).toFixed(3)) + " s" : ms + " ms";

  const line = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  line.setAttribute("fill", "#000");
  line.setAttribute("fill-opacity", "0.18");
  line.setAttribute("y", "24");
  line.setAttribute("height", String(svg.viewBox.baseVal.height - 58));
  plot.append(line);

  const cells = chart.lanes.map(([name]) => {
    const row = document.createElement("div"), term = document.createElement("dt"), value = document.createElement("dd");
    term.textContent = name;
    row.append(term, value);
    readings.append(row);
    return value;
  });
  const kept = [...plot.querySelectorAll(".keep")].map( // what keeps its form, with its place
    (group) => [group, ...group.getAttribute("transform").match(/[-\d.]+/g).map(Number)]);

  const draw = () => {
    left = Math.max(0, Math.min(width - width / zoom, left));
    plot.setAttribute("transform", `scale(${zoom} 1) translate(${-left} 0)`);
    for (const [group, x, y] of kept) {
      const text = group.dataset.words === undefined ? null : group.querySelector("text");
      let at = x;
      if (text) { // the name of a box stands in the middle of what is seen of it
        const half = group.dataset.room / 2;
        const from = Math.max(x - half, left), to = Math.min(x + half, left + width / zoom);
        if (from < to) at = (from + to) / 2;
        const room = (to - from) * zoom - 2;
        const fits = group.dataset.words.length * 6.1 <= room;
        text.textContent = fits || group.dataset.words.length * 5 <= room ? group.dataset.words : "";
        text.setAttribute("font-size", fits ? "11" : "9");
      }
      group.setAttribute("transform", `translate(${at} ${y}) scale(${1 / zoom} 1)`);
    }
  };
  const read = () => {
    const instant = +slider.value, x = place(instant);
    line.setAttribute("x", x);
    line.setAttribute("width", Math.max(0.5, place(instant + 1) - x));
    const time = words(chart.begins + instant * chart.period);
    const step = chart.steps.indexOf(instant);
    clock.textContent = step < 0 ? time : `${time}, step ${step + 1}`;
    slider.setAttribute("aria-valuetext", clock.textContent);
    chart.lanes.forEach(([, , runs], row) => {
      let value = runs[0][1];
      for (const [start, word] of runs) if (start <= instant) value = word;
      cells[row].textContent = value;
    });
    if (x < left || x > left + width / zoom) left = x - width / zoom / 2; // keep the cursor in view
    draw();
  };
  const magnify = (factor, around) => {
    const fixed = around === undefined ? place(+slider.value) : around;
    const share = (fixed - left) * zoom;
    zoom = Math.max(1, Math.min(64, zoom * factor));
    left = fixed - share / zoom;
    draw();
  };

  find("closer").onclick = () => magnify(2);
  find("farther").onclick = () => magnify(0.5);
  find("earlier").onclick = () => { left -= width / zoom / 2; draw(); };
  find("later").onclick = () => { left += width / zoom / 2; draw(); };
  find("whole").onclick = () => { zoom = 1; left = 0; draw(); };
  slider.oninput = read;

  const axis = (event) => { // where on the axis the pointer is
    const box = svg.getBoundingClientRect(), scale = svg.viewBox.baseVal.width / box.width;
    return left + ((event.clientX - box.left) * scale - 168) / zoom;
  };
  let dragged = null;
  svg.onpointerdown = (event) => { dragged = [axis(event), false]; svg.setPointerCapture(event.pointerId); };
  svg.onpointermove = (event) => {
    if (!dragged) return;
    const moved = dragged[0] - axis(event);
    if (Math.abs(moved) * zoom > 3) dragged[1] = true;
    if (dragged[1]) { left += moved; draw(); }
  };
  svg.onpointerup = (event) => {
    if (dragged && !dragged[1] && axis(event) >= 0) { slider.value = instantAt(axis(event)); read(); }
    dragged = null;
  };
  svg.onpointercancel = () => { dragged = null; };
  svg.addEventListener("wheel", (event) => {
    if (!event.ctrlKey) return; // a plain wheel scrolls the page
    event.preventDefault();
    magnify(event.deltaY < 0 ? 1.25 : 0.8, axis(event));
  }, { passive: false });
  addEventListener("beforeprint", () => { zoom = 1; left = 0; draw(); line.setAttribute("width", "0"); });
  addEventListener("afterprint", read);

  find("controls").hidden = false;
  readings.hidden = false;
  read();
}
document.documentElement.dataset.readyAfter = String(Math.round(performance.now())); // ms, for the benchmark

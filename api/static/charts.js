// Points of a chart by mouse, touch and keyboard. The table behind a chart holds what is said of
// each point (a row, or a cell with its heads); this finds the point and says it, nothing more.
"use strict";

(() => {
  const NEAR = 28; // pixels from a point within which it is meant
  const figures = [...document.querySelectorAll("[data-chart]")].filter((f) => f.querySelector("[data-point]"));
  if (!figures.length) return;
  for (const hint of document.querySelectorAll(".if-chart")) hint.classList.add("ready");

  const said = document.createElement("div");
  said.className = "tip small";
  said.setAttribute("role", "status");
  said.hidden = true;
  document.body.append(said);
  const ring = document.createElementNS("http://www.w3.org/2000/svg", "circle");
  ring.setAttribute("class", "here");
  ring.setAttribute("r", "9");
  let shown = null; // the point that is told
  let leaving = 0;

  // The points of a chart in its own units, line by line, each line from left to right. Read when
  // first asked for: a chart in a closed part of the page has no places yet.
  function lines(chart) {
    if (chart.lines) return chart.lines;
    const points = [...chart.svg.querySelectorAll("[data-point]")].map((mark) => {
      const box = mark.getBBox();
      const row = document.getElementById(mark.dataset.row || `${chart.figure.dataset.chart}-${mark.dataset.point}`);
      const line = Number(mark.dataset.point.split("-")[0]);
      return { chart, mark, row, line, x: box.x + box.width / 2, y: box.y + box.height / 2 };
    }).filter((point) => point.row);
    const numbers = [...new Set(points.map((p) => p.line))].sort((a, b) => a - b);
    chart.lines = numbers.map((n) => points.filter((p) => p.line === n).sort((a, b) => a.x - b.x));
    return chart.lines;
  }

  // A row says all of itself; a cell of a grid is said with the heads of its row and column.
  function parts(row) {
    if (row.tagName === "TR") return [...row.cells];
    if (row.tagName !== "TD") return [row];
    return [row.parentElement.cells[0], row.closest("table").tHead.rows[0].cells[row.cellIndex], row];
  }

  function show(point) {
    clearTimeout(leaving);
    if (shown === point) return;
    shown = point;
    point.chart.last = point;
    const cells = parts(point.row);
    const link = cells.map((cell) => cell.querySelector("a[href]")).filter(Boolean).pop();
    said.replaceChildren();
    for (const cell of cells) {
      const words = cell.textContent.replace(/\s+/g, " ").trim();
      const part = document.createElement(cell.contains(link || null) ? "a" : "span");
      if (part.tagName === "A") part.href = link.href;
      part.textContent = words;
      said.append(said.childNodes.length ? " · " : "", part);
    }
    said.hidden = false;
    ring.setAttribute("cx", point.x);
    ring.setAttribute("cy", point.y);
    point.chart.svg.append(ring);
    place();
  }

  // The strip stands at the foot of the window, and at its head where it would cover the point.
  function place() {
    if (shown) said.classList.toggle("above", shown.mark.getBoundingClientRect().bottom > innerHeight - said.offsetHeight - 32);
  }

  function hide() {
    clearTimeout(leaving);
    shown = null;
    said.hidden = true;
    ring.remove();
  }

  const later = () => { leaving = setTimeout(hide, 800); };

  function nearest(chart, event) {
    const frame = chart.svg.getBoundingClientRect();
    const scale = frame.width / chart.svg.viewBox.baseVal.width;
    const away = (p) => Math.hypot(frame.left + p.x * scale - event.clientX, frame.top + p.y * scale - event.clientY);
    const found = lines(chart).flat().reduce((a, b) => (away(b) < away(a) ? b : a));
    return away(found) <= NEAR ? found : null;
  }

  const first = (chart) => chart.last || lines(chart)[0][0];

  function step(chart, key) {
    const now = shown && shown.chart === chart ? shown : null;
    const moves = ["ArrowLeft", "ArrowRight", "ArrowUp", "ArrowDown", "Home", "End"];
    if (!now) return moves.includes(key) ? first(chart) : null;
    const all = lines(chart);
    const n = all.findIndex((line) => line.includes(now));
    const line = all[n];
    const place = line.indexOf(now);
    if (key === "ArrowLeft") return line[Math.max(place - 1, 0)];
    if (key === "ArrowRight") return line[Math.min(place + 1, line.length - 1)];
    if (key === "Home") return line[0];
    if (key === "End") return line[line.length - 1];
    if (key !== "ArrowUp" && key !== "ArrowDown") return null;
    const other = all[Math.min(Math.max(n + (key === "ArrowDown" ? 1 : -1), 0), all.length - 1)];
    if (other === line) return now;
    return other.reduce((a, b) => (Math.abs(b.x - now.x) < Math.abs(a.x - now.x) ? b : a));
  }

  for (const figure of figures) {
    const svg = figure.querySelector("svg");
    const chart = { figure, svg, lines: null, last: null };
    figure.tabIndex = 0;
    figure.setAttribute("role", "application");
    figure.setAttribute("aria-labelledby", svg.getAttribute("aria-labelledby").split(" ")[0]);
    figure.setAttribute("aria-describedby", "chart-keys");
    figure.addEventListener("focus", () => {
      if (figure.matches(":focus-visible")) show(first(chart));
    });
    figure.addEventListener("blur", (event) => {
      if (!said.contains(event.relatedTarget)) hide();
    });
    figure.addEventListener("keydown", (event) => {
      if (event.target !== figure || event.ctrlKey || event.metaKey || event.altKey) return;
      const link = said.querySelector("a");
      if (event.key === "Enter" && shown && link) link.click();
      const point = step(chart, event.key);
      if (!point) return;
      event.preventDefault();
      show(point);
    });
    svg.addEventListener("pointermove", (event) => {
      if (event.pointerType !== "mouse" || event.buttons) return;
      const point = nearest(chart, event);
      if (point) show(point);
    });
    svg.addEventListener("click", (event) => {
      const point = nearest(chart, event);
      if (point) show(point);
      else hide();
    });
    // Time to reach the strip with its link before it closes.
    svg.addEventListener("pointerleave", (event) => {
      if (event.pointerType === "mouse" && document.activeElement !== figure) later();
    });
  }
  addEventListener("scroll", place, { passive: true });
  said.addEventListener("pointerenter", () => clearTimeout(leaving));
  said.addEventListener("pointerleave", later);
  said.addEventListener("click", hide);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hide();
  });
  document.addEventListener("click", (event) => {
    if (!event.target.closest("[data-chart], .tip")) hide();
  });
})();

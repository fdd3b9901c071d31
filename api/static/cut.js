// Boundaries of the chart as things that can be moved. The form holds what counts: a moved boundary
// writes its time into its field, and the server draws everything anew when the form is sent.
"use strict";

(() => {
  const form = document.querySelector("form.cut");
  if (!form) return;
  // What was typed and not kept, here or in another part of the log, is not left by mistake.
  let waits = !!form.querySelector("[data-carried], .changed") || !!document.getElementById("refused");
  for (const kind of ["input", "change"]) form.addEventListener(kind, (event) => { waits ||= event.target.name !== "who"; });
  form.addEventListener("submit", () => { waits = false; });
  addEventListener("beforeunload", (event) => { if (waits) event.preventDefault(); });
  const fields = new Map();
  for (const field of form.querySelectorAll("[data-end]")) fields.set(field.dataset.end, field);
  const charts = [...document.querySelectorAll(".log svg")].map((svg) => ({
    svg,
    begin: Number(svg.dataset.begin),
    end: Number(svg.dataset.end),
    left: Number(svg.dataset.left),
    right: Number(svg.dataset.right),
    boundaries: [...svg.querySelectorAll(".boundary")].filter((g) => fields.has(g.dataset.boundary)),
  }));
  // A chart of a part of the log draws the boundaries inside it; each has its field by its number.
  if (!charts.length || !charts[0].boundaries.length) return;
  const keys = charts[0].boundaries.map((g) => g.dataset.boundary);
  const first = charts[0].boundaries.map((g) => Number(g.dataset.at));
  const now = [...first];
  const written = keys.map((key) => fields.get(key).dataset.stands);
  const zero = dayseconds(written[0]) === null ? 0 : dayseconds(written[0]) - first[0];

  function dayseconds(text) {
    const found = /^\s*(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?\s*$/.exec(text);
    return found ? Number(found[1]) * 3600 + Number(found[2]) * 60 + Number(found[3] || 0) : null;
  }

  function clock(second) {
    const tenths = Math.round((second + zero) * 10);
    const day = ((tenths % 864000) + 864000) % 864000;
    const two = (n) => String(n).padStart(2, "0");
    const text = [day / 36000, (day % 36000) / 600, (day % 600) / 10].map((n) => two(Math.floor(n))).join(":");
    return day % 10 ? `${text}.${day % 10}` : text;
  }

  function around(n) {
    const low = n > 0 ? now[n - 1] : charts[0].begin;
    const high = n + 1 < now.length ? now[n + 1] : charts[0].end;
    return [low + 1, high - 1];
  }

  function draw(n) {
    for (const chart of charts) {
      const group = chart.boundaries[n];
      const share = (now[n] - chart.begin) / (chart.end - chart.begin);
      const x = chart.left + share * (chart.right - chart.left);
      group.setAttribute("transform", `translate(${x.toFixed(1)} 0)`);
      group.classList.toggle("moved", now[n] !== first[n]);
      const [low, high] = around(n);
      group.setAttribute("aria-valuemin", low.toFixed(1));
      group.setAttribute("aria-valuemax", high.toFixed(1));
      group.setAttribute("aria-valuenow", now[n].toFixed(1));
      group.setAttribute("aria-valuetext", clock(now[n]));
    }
    fields.get(keys[n]).classList.toggle("changed", now[n] !== first[n]);
  }

  function move(n, second) {
    const [low, high] = around(n);
    if (low > high) return;
    now[n] = Math.min(Math.max(Math.round(second * 10) / 10, low), high);
    fields.get(keys[n]).value = now[n] === first[n] ? written[n] : clock(now[n]);
    waits = true;
    draw(n);
  }

  function secondAt(chart, event) {
    const place = new DOMPoint(event.clientX, event.clientY).matrixTransform(chart.svg.getScreenCTM().inverse());
    const share = (place.x - chart.left) / (chart.right - chart.left);
    return chart.begin + share * (chart.end - chart.begin);
  }

  const steps = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 };
  for (const chart of charts) {
    chart.boundaries.forEach((group, n) => {
      const said = group.querySelector("title").textContent;
      group.setAttribute("tabindex", "0");
      group.setAttribute("role", "slider");
      group.setAttribute("aria-label", said.slice(0, said.lastIndexOf(",")));
      group.addEventListener("keydown", (event) => {
        if (event.key === "Escape") move(n, first[n]);
        else if (event.key in steps) move(n, now[n] + steps[event.key] * (event.shiftKey ? 10 : 1));
        else return;
        event.preventDefault();
      });
      let grabbed = null;
      group.addEventListener("pointerdown", (event) => {
        grabbed = now[n] - secondAt(chart, event);
        group.setPointerCapture(event.pointerId);
        event.preventDefault();
        group.focus({ preventScroll: true });
      });
      group.addEventListener("pointermove", (event) => {
        if (grabbed !== null) move(n, Math.round(secondAt(chart, event) + grabbed));
      });
      for (const end of ["pointerup", "pointercancel"]) group.addEventListener(end, () => { grabbed = null; });
    });
  }
  keys.forEach((key, n) => {
    const field = fields.get(key);
    const taken = () => {
      const given = dayseconds(field.value);
      if (given === null) return; // the server says what is wrong with it
      const second = given - zero;
      now[n] = second + Math.round((first[n] - second) / 86400) * 86400;
      draw(n);
    };
    field.addEventListener("change", taken);
    if (field.value !== written[n]) {
      waits = true;
      taken();
    }
  });
  now.forEach((_, n) => draw(n));
  for (const hint of document.querySelectorAll(".if-script")) hint.hidden = false;
})();

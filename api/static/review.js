// Keys for the review list: the links are plain links, and without this script Tab does the same.
"use strict";

(() => {
  const rows = [...document.querySelectorAll("ol.visits a.visit")];
  const help = document.getElementById("keys");
  const search = document.getElementById("text");
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("input, select, textarea")) {
      if (event.key === "Escape") event.target.blur();
      return;
    }
    const now = rows.indexOf(document.activeElement);
    const step = { j: 1, ArrowDown: 1, k: -1, ArrowUp: -1 }[event.key];
    if (step && rows.length) {
      if (event.key.startsWith("Arrow") && now < 0) return; // arrows scroll until a row is chosen
      rows[Math.min(Math.max(now + step, 0), rows.length - 1)].focus();
    } else if (event.key === "/" && search) {
      const more = search.closest("details");
      if (more) more.open = true;
      search.focus();
    } else if (event.key === "?" && help) {
      help.open = !help.open;
      if (help.open) help.querySelector("summary").focus();
    } else return;
    event.preventDefault();
  });
})();

// Keys of the reviewer: the list and each visit work without them, by Tab. Each is one letter, so
// that it can be turned off: a letter that is spoken or hit by chance does then nothing.
"use strict";

(() => {
  const OFF = "fluebook-keys-off";
  const rows = [...document.querySelectorAll("ol.visits a.visit")];
  const help = document.getElementById("keys");
  const search = document.getElementById("text");
  const on = document.getElementById("keys-on");
  let off = false;
  try {
    off = localStorage.getItem(OFF) === "yes";
  } catch { /* a browser that keeps nothing: they work until the page is left */ }
  if (on) {
    on.checked = !off;
    on.addEventListener("change", () => {
      off = !on.checked;
      try {
        if (off) localStorage.setItem(OFF, "yes");
        else localStorage.removeItem(OFF);
      } catch { /* as above */ }
    });
  }

  /** Go to the first field of a form that is still to be filled in, else to its button. */
  function fill(heading) {
    const form = document.getElementById(heading)?.parentElement.querySelector("form");
    if (!form) return false;
    const fields = [...form.querySelectorAll("[required]")];
    const next = fields.find((field) => !field.value) ?? form.querySelector("button");
    form.scrollIntoView({ block: "nearest" });
    next.focus();
    return true;
  }

  const forms = { a: "accept", b: "back" };
  const links = { n: "#next", l: ".office a", e: ".flags a[data-evidence]" };
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.closest("input:not([type=checkbox]), select, textarea")) {
      if (event.key === "Escape") event.target.blur();
      return;
    }
    if (off) return;
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
    } else if (forms[event.key]) {
      if (!fill(forms[event.key])) return;
    } else if (links[event.key]) {
      const link = document.querySelector(links[event.key]);
      if (!link) return;
      link.focus();
      link.click();
      // Where it leads within the page the keys go on from what scrolls there.
      document.querySelector(":target")?.closest("[tabindex]")?.focus({ preventScroll: true });
    } else return;
    event.preventDefault();
  });
})();

// Printing a visit prints its report: asked for when the print begins, and gone when it is over.
// Without a script, or without signal, the page prints as it stands.
"use strict";

(() => {
  const at = document.querySelector("link[data-report]");
  if (!at) return;
  const body = document.body;

  addEventListener("beforeprint", () => {
    if (body.classList.contains("prints-report")) return;
    const asked = new XMLHttpRequest();
    try {
      asked.open("GET", at.dataset.report, false); // the print does not wait for anything else
      asked.send();
    } catch {
      return;
    }
    if (asked.status !== 200) return;
    const report = new DOMParser().parseFromString(asked.responseText, "text/html").body;
    const printed = document.createElement("div");
    printed.className = "report printed";
    printed.lang = report.ownerDocument.documentElement.lang;
    printed.append(...report.children);
    body.append(printed);
    body.classList.add("prints-report");
  });

  addEventListener("afterprint", () => {
    body.classList.remove("prints-report");
    for (const printed of document.querySelectorAll(".printed")) printed.remove();
  });
})();

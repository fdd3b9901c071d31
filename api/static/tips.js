// Says what a dot of a chart stands for, by pointer or by keyboard; the table behind says it too.
"use strict";

(() => {
  const dots = document.querySelectorAll("[data-tip]");
  if (!dots.length) return;
  const said = document.createElement("p");
  said.className = "tip small";
  said.setAttribute("role", "status");
  said.hidden = true;
  document.body.append(said);
  const show = (dot) => {
    said.textContent = dot.dataset.tip || dot.querySelector("title").textContent;
    said.hidden = false;
  };
  const hide = () => {
    said.hidden = true;
  };
  for (const dot of dots) {
    dot.addEventListener("pointerenter", () => show(dot));
    dot.addEventListener("pointerleave", hide);
    dot.addEventListener("focus", () => show(dot));
    dot.addEventListener("blur", hide);
    dot.addEventListener("click", () => show(dot));
  }
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape") hide();
  });
})();

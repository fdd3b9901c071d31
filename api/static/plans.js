// A mistake's line leads to that line of the text; without this script, to the text.
"use strict";

const planText = document.getElementById("text");

// Lines wrap, so that a line's place is measured: by a copy of the text that ends with it.
function heightUntil(end) {
  const copy = planText.cloneNode();
  copy.removeAttribute("id");
  copy.removeAttribute("name");
  copy.setAttribute("aria-hidden", "true");
  copy.style.cssText = "position: absolute; visibility: hidden; height: 0; min-height: 0;";
  copy.style.width = `${planText.offsetWidth}px`;
  copy.value = planText.value.slice(0, end);
  planText.parentNode.append(copy);
  const height = copy.scrollHeight;
  copy.remove();
  return height;
}

function showLine(number) {
  const lines = planText.value.split("\n");
  const start = lines.slice(0, number - 1).join("\n").length + (number > 1 ? 1 : 0);
  const end = start + (lines[number - 1] || "").length;
  planText.focus({ preventScroll: true });
  planText.setSelectionRange(start, end);
  planText.scrollTop = Math.max(0, heightUntil(end) - planText.clientHeight / 2);
  planText.scrollIntoView({ block: "center" });
}

document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-line]");
  if (!link) return;
  event.preventDefault();
  showLine(Number(link.dataset.line));
});

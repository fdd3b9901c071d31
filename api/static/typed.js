// Beside each field stands what is held and what was read at the chosen rate; at a rate that none is
// known for, and without this script, everything. A rate that is chosen need not be said again.
"use strict";

const typedForm = document.querySelector("form[data-draft]");

function atRate() {
  const rate = typedForm.querySelector("input[name=rate]:checked");
  const other = typedForm.querySelector("input[name=other]").value.trim();
  for (const hint of typedForm.querySelectorAll(".hint")) {
    const all = [...hint.querySelectorAll("[data-rate]")];
    const wanted = other || (rate && rate.value);
    const known = new Set(all.filter((one) => one.dataset.rate === wanted).map((one) => one.dataset.rate));
    for (const one of hint.querySelectorAll("[data-off]")) one.removeAttribute("data-off");
    for (const one of all) {
      one.hidden = known.size > 0 && !known.has(one.dataset.rate);
      one.querySelector(".of").hidden = known.size > 0;
    }
  }
}

typedForm.addEventListener("change", atRate);
typedForm.addEventListener("input", atRate);
atRate();

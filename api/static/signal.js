// Forms that wait for signal, the strip that says so, and half-filled forms that are offered again.
"use strict";

import { draft, dropDraft, dropEntry, entries, everyEntry, putDraft, putEntry, sendAll, uuid7 } from "./waiting.js";

const person = document.body.dataset.person;
const strip = document.getElementById("waiting");
const words = strip.dataset;
const list = strip.querySelector("ol");
const states = new Map();
const gone = new Map(); // what went up from this page, whichever of its senders took it along
const LOOKING = "fluebook-looking";
let behind = false; // entries went up that this page does not show yet

function said(tag, text, kind = "") {
  const made = document.createElement(tag);
  made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

const filled = (text, given) => text.replace(/\{(\w+)\}/g, (_, name) => given[name]);
const clock = (at) =>
  new Date(at).toLocaleString(document.documentElement.lang, { dateStyle: "short", timeStyle: "short" });

// What the strip covers at the foot of the window is kept free of what has the focus.
new ResizeObserver(() => {
  const covers = getComputedStyle(strip).position === "sticky" ? strip.offsetHeight : 0;
  document.documentElement.style.setProperty("--strip", `${covers}px`);
}).observe(strip);

// What stands already is left as it is: a screen reader would say it again.
const write = (place, text) => place.textContent === text || (place.textContent = text);

const counted = (number) => (number === 1 ? words.one : filled(words.many, { n: number }));

async function draw() {
  const waiting = await entries(person);
  const copy = document.documentElement.dataset.copy;
  const went = behind && !waiting.length ? words.gone : "";
  const older = went || (copy ? filled(words.copy, { at: clock(copy) }) : "");
  strip.hidden = !waiting.length && !older && !strip.querySelector(".offer");
  const copyLine = strip.querySelector(".copy");
  copyLine.hidden = !older;
  if (older && copyLine.dataset.said !== older) {
    copyLine.dataset.said = older;
    const again = said("a", words.again, "more");
    again.href = location.pathname + location.search;
    copyLine.replaceChildren(older, " ", again);
  }
  words.count = waiting.length;
  const count = strip.querySelector(".count");
  count.hidden = !waiting.length;
  const refused = waiting.filter((entry) => entry.state === "refused").length;
  write(count, counted(waiting.length) + (refused ? ` · ${words.refused}: ${refused}` : ""));
  strip.querySelector("button.send").hidden = !waiting.length;
  const focused = focusIn(list);
  const held = new Set(); // as sendAll holds them back
  list.replaceChildren(
    ...waiting.map((entry) => {
      const row = said("li", "");
      let state = entry.state === "refused" ? "refused" : states.get(entry.id) || "waits";
      if (state === "refused") held.add(entry.visit);
      else if (state === "waits" && held.has(entry.visit)) state = "held";
      const head = said("p", "");
      const name = said("a", `${entry.what}${entry.title ? ` · ${entry.title}` : ""}`);
      name.href = entry.page;
      head.append(name, ` · ${clock(entry.made)} · `, said("b", words[state === "sign-in" ? "signIn" : state]));
      row.append(head);
      row.dataset.state = state;
      row.dataset.entry = entry.id;
      if (state === "refused") {
        if (entry.words) row.append(said("p", entry.words, "small"));
        const look = said("button", words.look, "plain");
        look.addEventListener("click", () => lookAt(entry));
        const drop = said("button", words.drop, "plain");
        drop.addEventListener("click", async () => {
          if (!confirm(words.sure)) return;
          await dropEntry(entry.id);
          await go();
        });
        row.append(look, " ", drop);
      }
      return row;
    }),
  );
  if (focused) focused();
}

// Rows are made anew while somebody is at them: gives what takes the focus back to the same place.
function focusIn(rows) {
  const at = document.activeElement;
  const row = rows.contains(at) && at.closest("li");
  if (!row) return null;
  const place = [...row.querySelectorAll("a, button")].indexOf(at);
  return () => {
    const same = [...rows.children].find((one) => one.dataset.entry === row.dataset.entry);
    const next = (same && same.querySelectorAll("a, button")[place]) || rows.previousElementSibling;
    next.focus({ preventScroll: true });
  };
}

// Sends a refused entry as the browser itself would: the office's answer is shown as a page, with
// what was entered and, where somebody else changed the same, with both versions. The entry stays,
// in its place, until the corrected form takes it over or a person throws it away.
function lookAt(entry) {
  sessionStorage.setItem(LOOKING, entry.id);
  const form = document.createElement("form");
  form.method = "post";
  form.action = entry.action;
  form.enctype = "multipart/form-data";
  form.hidden = true;
  for (const [name, value, file] of entry.fields) {
    const input = document.createElement("input");
    input.name = name;
    if (file === undefined) input.value = value;
    else {
      input.type = "file";
      const held = new DataTransfer();
      if (file) held.items.add(new File([value], file, { type: value.type }));
      input.files = held.files;
    }
    form.append(input);
  }
  document.body.append(form);
  form.submit();
}

async function go(progress = null, unkept = null, own = "") {
  const results = await sendAll(
    person,
    (id, state) => {
      states.set(id, state);
      draw();
    },
    progress,
    unkept,
  );
  for (const [id, result] of results) {
    if (result.state !== "gone") continue;
    gone.set(id, result);
    behind ||= id !== own;
  }
  await draw();
  return results;
}

// What is entered for one visit goes up in order, its beginning first.
const visitOf = (action, begun) =>
  begun ? `/visits/${begun}` : (new URL(action).pathname.match(/\/(?:visits|jobs|boilers)\/[^/]+/) || [""])[0];
const draftKey = (form) => `${person} ${new URL(form.action || location.href).pathname} ${form.dataset.waits}`;

const fieldOf = (entry, name) => (entry && entry.fields.find(([one]) => one === name) || [])[1];

// A visit that is begun keeps its id where its beginning is corrected.
function fieldsOf(form, button, before) {
  for (const input of form.querySelectorAll("[data-now]")) input.value = new Date().toISOString();
  for (const input of form.querySelectorAll("[data-id]")) input.value ||= fieldOf(before, input.name) || uuid7();
  const data = new FormData(form);
  if (button && button.name) data.append(button.name, button.value);
  return [...data].map(([name, value]) =>
    typeof value === "string" ? [name, value] : [name, new Blob([value], { type: value.type }), value.name],
  );
}

// The entry that a form corrects: looked at in this window, and the same form of the same place.
async function corrected(form) {
  const looking = sessionStorage.getItem(LOOKING);
  if (!looking) return undefined;
  const place = new URL(form.action).pathname;
  const same = (one) => one.what === form.dataset.waits && new URL(one.action).pathname === place;
  const found = (await entries(person)).find((one) => one.id === looking && same(one));
  if (found) sessionStorage.removeItem(LOOKING);
  return found;
}

// Asks the worker for the pages of a visit that is begun here; resolves to its address, "" without.
function begunAt(form, visit) {
  const worker = navigator.serviceWorker && navigator.serviceWorker.controller;
  if (!worker || !visit) return "";
  return new Promise((resolve) => {
    const { port1, port2 } = new MessageChannel();
    port1.onmessage = (event) => resolve(event.data);
    setTimeout(() => resolve(""), 3000);
    const boiler = new URL(form.action).pathname.split("/")[2];
    worker.postMessage({ begun: { boiler, visit } }, [port2]);
  });
}

// The time of an entry: a clock that was put back does not change the order of what was done.
async function now() {
  const latest = (await entries(person)).at(-1);
  return Math.max(Date.now(), latest ? latest.made + 1 : 0);
}

async function submitted(form, button) {
  const before = await corrected(form);
  const made = before ? before.made : await now();
  const id = before ? before.id : uuid7(made);
  const fields = fieldsOf(form, button, before);
  const visit = form.dataset.coming !== undefined && fieldOf({ fields }, "id");
  const begun = await begunAt(form, visit);
  const boiler = document.querySelector("h1 [data-of], h1:not(:has([data-of])) b");
  const rate = form.querySelector("input[name=rate]:checked");
  const title = [boiler && boiler.textContent, rate && `${rate.value} %`];
  const entry = {
    id,
    person,
    made,
    what: form.dataset.waits,
    title: title.filter(Boolean).join(" · "),
    visit: visitOf(form.action, visit),
    page: begun || location.pathname + location.search,
    action: form.action,
    fields,
    state: "waits",
  };
  await putEntry(entry).catch(() => (entry.unkept = true)); // the device is full
  for (const old of form.querySelectorAll(".full")) old.remove();
  const bar = document.createElement("progress");
  if (entry.fields.some(([, , file]) => file)) {
    bar.setAttribute("aria-label", words.sending);
    (button || form).after(bar);
  }
  const told = form.dataset.sent ? toldOf(form, id, bar) : null;
  const results = await go((sending, part, whole) => {
    if (sending !== id) return;
    bar.value = part < 1 ? part : null;
    if (part >= 1) bar.removeAttribute("value"); // it is there; the office reads it
    if (told) told.sent(part, whole);
  }, entry.unkept && entry, id);
  bar.remove();
  if (told) told.end();
  const result = results.get(id) || gone.get(id);
  if (result && result.state === "gone") {
    await dropDraft(draftKey(form));
    goOn(new URL(result.address));
  } else if (result && result.state === "refused") {
    lookAt(entry);
  } else if (entry.unkept) {
    const full = said("p", words.full, "told full");
    full.setAttribute("role", "alert");
    (button || form).after(full);
  } else if (begun) {
    await dropDraft(draftKey(form));
    location.assign(begun);
  } else {
    await dropDraft(draftKey(form));
    again(form);
    if ((await entries(person)).every((one) => one.id !== id)) {
      behind = true; // another window took it along
      await draw();
    }
    strip.querySelector("details").open = true;
    strip.tabIndex = -1;
    strip.focus();
  }
}

function plainly(form, button) {
  fieldsOf(form); // its moments and ids
  if (button && button.name) {
    const pressed = document.createElement("input");
    Object.assign(pressed, { type: "hidden", name: button.name, value: button.value });
    form.append(pressed);
  }
  form.submit();
}

// Says in words how far a file has come: what went up, by tenths so that a screen reader keeps up,
// then what the office says of reading it.
function toldOf(form, id, bar) {
  const line = said("p", "", "hint");
  line.setAttribute("role", "status");
  bar.after(line);
  const at = `${new URL(form.action).pathname}/progress/${id}`;
  let tenth = -1;
  let timer = 0;
  const ask = async () => {
    try {
      const answer = await fetch(at, { cache: "no-store" });
      const text = answer.ok ? await answer.text() : "";
      if (timer && text && text !== line.textContent) line.textContent = text;
    } catch {
      // The signal is gone: what was said last stays.
    }
    if (timer) timer = setTimeout(ask, 500);
  };
  return {
    sent(part, whole) {
      if (Math.floor(part * 10) === tenth) return;
      tenth = Math.floor(part * 10);
      const kilo = (bytes) => Math.ceil(bytes / 1000).toLocaleString(document.documentElement.lang);
      const given = { part: kilo(part * whole), whole: kilo(whole) };
      line.textContent = part < 1 ? filled(form.dataset.sent, given) : form.dataset.read;
      if (part >= 1 && !timer) timer = setTimeout(ask, 100);
    },
    end() {
      clearTimeout(timer);
      timer = 0;
      line.remove();
    },
  };
}

// A change of the fragment alone would show the old page.
function goOn(address) {
  const here = location.pathname + location.search;
  location.assign(address.href);
  if (!address.hash || address.pathname + address.search !== here) return;
  history.scrollRestoration = "manual"; // to the fragment, not to where the button was
  location.reload();
}

// A form of single readings is ready for the next one; any other has done its work.
function again(form) {
  const next = form.querySelector("input[name=reading]");
  if (next) {
    next.value = uuid7();
    for (const input of form.querySelectorAll("input[inputmode]")) input.value = "";
    const rates = [...form.querySelectorAll("input[name=rate]")];
    const now = rates.findIndex((r) => r.checked);
    if (rates[now + 1]) rates[now + 1].checked = true;
    form.dispatchEvent(new Event("change"));
    return;
  }
  for (const button of form.querySelectorAll("button")) button.disabled = true;
  form.addEventListener("input", () => form.querySelectorAll("button").forEach((b) => (b.disabled = false)), {
    once: true,
  });
}

function plainFields(form) {
  return [...new FormData(form)].filter(([, value]) => typeof value === "string");
}

// Half-filled forms: kept while typing, offered after a reload, never put in unasked.
async function drafted(form) {
  const key = draftKey(form);
  const first = JSON.stringify(plainFields(form));
  const known = await draft(key);
  if (known && JSON.stringify(known.fields) !== first) {
    const offer = said("p", `${form.dataset.waits}: ${filled(words.draft, { at: clock(known.at) })}`, "offer");
    const back = said("button", words.back, "plain");
    const away = said("button", words.away, "plain");
    back.type = away.type = "button";
    back.addEventListener("click", () => {
      const given = new Map();
      for (const [name, value] of known.fields) given.set(name, [...(given.get(name) || []), value]);
      for (const input of form.elements) {
        if (!input.name || input.type === "file" || input.tagName === "BUTTON") continue;
        const values = given.get(input.name);
        if (input.type === "checkbox" || input.type === "radio") input.checked = !!values && values.includes(input.value);
        else if (values) input.value = values.length > 1 ? values.shift() : values[0];
      }
      offer.remove();
      draw();
    });
    away.addEventListener("click", async () => {
      await dropDraft(key);
      offer.remove();
      draw();
    });
    offer.append(" ", back, " ", away);
    strip.firstElementChild.prepend(offer);
    draw();
  }
  let timer = 0;
  form.addEventListener("submit", () => clearTimeout(timer)); // what is sent is no draft any more
  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(() => putDraft({ key, at: Date.now(), fields: plainFields(form) }).catch(() => {}), 300);
  });
}

function near() {
  const here = document.querySelectorAll('main a[href^="/visits/"], main a[href^="/boilers/"]');
  const paths = [...here].map((a) => new URL(a.href).pathname).filter((p) => !/\/(files|report|evidence)/.test(p));
  return [...new Set(paths)].slice(0, 12);
}

async function begin() {
  // A copy that is opened again would give the next reading the id of one that waits.
  if (document.documentElement.dataset.copy)
    for (const input of document.querySelectorAll("input[name=reading]")) input.value = uuid7();
  for (const form of document.querySelectorAll("form[data-waits]")) {
    if (form.dataset.draft !== undefined) drafted(form);
    form.addEventListener("submit", (event) => {
      const button = event.submitter;
      if (button && button.dataset.looks !== undefined) return; // it only shows something else
      event.preventDefault();
      if (button) button.setAttribute("aria-disabled", "true");
      // Where the browser keeps nothing at all, a form goes as it goes without this script.
      entries(person)
        .then(
          () => submitted(form, button),
          () => plainly(form, button),
        )
        .finally(() => button && button.removeAttribute("aria-disabled"));
    });
  }
  strip.querySelector("button.send").addEventListener("click", () => go());
  addEventListener("online", () => go());
  ready();
  setInterval(() => document.visibilityState === "visible" && sendWhatWaits(), 20000);
  await sendWhatWaits();
  if ("serviceWorker" in navigator) {
    await navigator.serviceWorker.register("/worker.js");
    const ready = await navigator.serviceWorker.ready;
    if (!document.documentElement.dataset.copy && ready.active)
      ready.active.postMessage({ near: [location.pathname + location.search, ...near()] });
  }
}

async function sendWhatWaits() {
  if ((await entries(person)).length) await go();
  else await draw();
}

// From here on nothing that is entered goes by the script; the benchmark reads it.
const ready = () => performance.mark("fluebook-ready");

// Where nobody is signed in it is only said how much waits here, of whomever.
async function others() {
  const number = (await everyEntry()).length;
  strip.hidden = !number;
  strip.querySelector("details").replaceWith(said("p", `${counted(number)}. ${words.others}`, "count"));
}

if (person && window.isSecureContext) begin();
else {
  ready();
  if (window.isSecureContext) others();
}

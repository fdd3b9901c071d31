// What was entered without signal: kept in the browser's own store, in order, until it has gone up.
// An entry is what a form would have sent, and a key under which the office takes it once only.
"use strict";

export function uuid7(now = Date.now()) {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  for (let n = 0; n < 6; n += 1) bytes[n] = Math.floor(now / 256 ** (5 - n)) % 256;
  bytes[6] = 0x70 | (bytes[6] & 0x0f);
  bytes[8] = 0x80 | (bytes[8] & 0x3f);
  const hex = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

let opened = null;

function store() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open("fluebook", 1);
    asked.onupgradeneeded = () => {
      asked.result.createObjectStore("entries", { keyPath: "id" });
      asked.result.createObjectStore("drafts", { keyPath: "key" });
    };
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
  });
  return opened;
}

async function within(name, mode, work) {
  const box = await store();
  return new Promise((resolve, reject) => {
    const change = box.transaction(name, mode, { durability: "strict" });
    const asked = work(change.objectStore(name));
    change.oncomplete = () => resolve(asked && asked.result);
    change.onabort = () => reject(change.error);
    change.onerror = () => reject(change.error);
  });
}

// Ids are made in order of time, so the store's own order is the order in which things were done.
export const everyEntry = () => within("entries", "readonly", (s) => s.getAll());
export const entries = async (person) => (await everyEntry()).filter((e) => e.person === person);
export const putEntry = (entry) => within("entries", "readwrite", (s) => s.put(entry));
export const dropEntry = (id) => within("entries", "readwrite", (s) => s.delete(id));
export const draft = (key) => within("drafts", "readonly", (s) => s.get(key));
export const putDraft = (one) => within("drafts", "readwrite", (s) => s.put(one));
export const dropDraft = (key) => within("drafts", "readwrite", (s) => s.delete(key));

const QUIET = 60000;

// Whether the office says that it still works on an entry that went up; without signal it does not.
async function goesOn(entry) {
  const at = `${new URL(entry.action, location.href).pathname}/progress/${entry.id}`;
  try {
    const answer = await fetch(at, { cache: "no-store", signal: AbortSignal.timeout(10000) });
    return answer.ok && answer.headers.get("Fluebook-Taking") === "going";
  } catch {
    return false;
  }
}

// Resolves to what the office answered, or to null where nothing came back.
function sent(entry, progress) {
  return new Promise((resolve) => {
    const form = new FormData();
    for (const [name, value, file] of entry.fields)
      if (file === undefined) form.append(name, value);
      else form.append(name, value, file);
    const request = new XMLHttpRequest();
    let quiet = 0;
    let done = false;
    const alive = () => {
      clearTimeout(quiet);
      quiet = setTimeout(async () => {
        if (!done && (await goesOn(entry))) alive();
        else request.abort();
      }, QUIET);
    };
    request.open("POST", entry.action);
    request.setRequestHeader("Accept", "text/html");
    request.setRequestHeader("Prefer", "return=minimal"); // a followed redirection loses its fragment
    request.setRequestHeader("Idempotency-Key", entry.id);
    request.upload.onprogress = (event) => {
      alive();
      if (progress && event.lengthComputable) progress(event.loaded / event.total, event.total);
    };
    request.onload = () => {
      done = true;
      clearTimeout(quiet);
      const again = request.getResponseHeader("Idempotency-Replayed") === "true";
      const place = request.getResponseHeader("Location") || request.responseURL;
      const address = new URL(place, request.responseURL).href;
      resolve({ status: request.status, address, text: request.responseText, again });
    };
    request.onerror = request.onabort = () => {
      done = true;
      clearTimeout(quiet);
      resolve(null);
    };
    alive();
    request.send(form);
  });
}

const WAITS = new Set([0, 408, 425, 429, 500, 502, 503, 504]);

// Sends one entry: "gone", "refused", "sign-in" or "waits". Only a sender that holds the lock calls it.
async function sendOne(entry, progress) {
  const answer = await sent(entry, progress);
  if (answer === null || WAITS.has(answer.status)) return { state: "waits" };
  // An earlier try that was given up here is still worked on there.
  if (answer.status === 409 && answer.text.includes('"/problems/in-flight"')) return { state: "waits" };
  if (answer.status === 401 || new URL(answer.address).pathname === "/sign-in") return { state: "sign-in" };
  const done = (answer.status >= 200 && answer.status < 300) || (answer.again && answer.status === 409);
  if (done) {
    await dropEntry(entry.id);
    return { state: "gone", address: answer.address };
  }
  if (!entry.unkept) await putEntry({ ...entry, state: "refused", words: wordsOf(answer.text) });
  return { state: "refused" };
}

function wordsOf(text) {
  const page = new DOMParser().parseFromString(text, "text/html");
  const told = page.querySelector("main .told, main .bad, main .first, main p");
  return told ? told.textContent.trim().slice(0, 300) : "";
}

// Sends what waits, oldest first. What was refused holds back what was entered later for the same
// visit, and nothing else. Other windows of the browser stand behind the lock. What the device has
// no room to keep goes last.
export function sendAll(person, told = () => {}, progress = null, unkept = null) {
  return navigator.locks.request("fluebook-waiting", async () => {
    const results = new Map();
    const held = new Set();
    for (const entry of [...(await entries(person)), ...(unkept ? [unkept] : [])]) {
      if (entry.state === "refused" || held.has(entry.visit)) {
        held.add(entry.visit);
        continue;
      }
      told(entry.id, "sending");
      const result = await sendOne(entry, progress && ((part, whole) => progress(entry.id, part, whole)));
      results.set(entry.id, result);
      told(entry.id, result.state);
      if (result.state === "refused") held.add(entry.visit);
      if (result.state === "waits" || result.state === "sign-in") break;
    }
    return results;
  });
}

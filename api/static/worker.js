// Keeps pages readable without signal: what was opened or is near at hand is given again from here.
// VERSION and ASSETS stand above, written by whoever serves this file.
"use strict";

const FIXED = `fluebook-fixed-${VERSION}`;
const PAGES = "fluebook-pages-";
const WHO = "/who";
const EMPTY = "/no-signal";
const NOT_SENT = "/no-signal?asked=send";
const MOST_PAGES = 60;
const COMING = `${PAGES}coming-`; // pages of visits that nobody has begun, by boiler
const BEGUN = `${PAGES}begun-`; // the same under the id of a visit that was begun here
const NOT_BEGUN = "00000000-0000-0000-0000-000000000000";
const FRESH = 12 * 3600 * 1000;
const WAIT = 8000; // a weak signal may never answer: after so many milliseconds a copy is shown

self.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const fixed = await caches.open(FIXED);
      await fixed.addAll([...ASSETS, EMPTY, NOT_SENT].map((path) => new Request(path, { cache: "reload", credentials: "omit" })));
      await self.skipWaiting();
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) {
        if (!name.startsWith("fluebook-fixed-") || name === FIXED) continue;
        const said = await held(name, WHO); // whose the copies are stays known to a new version
        if (said) await (await caches.open(FIXED)).put(WHO, said);
        await caches.delete(name);
      }
      await self.clients.claim();
    })(),
  );
});

async function who() {
  const said = await (await caches.open(FIXED)).match(WHO);
  return said ? said.text() : "";
}

async function forget() {
  for (const name of await caches.keys()) if (name.startsWith(PAGES)) await caches.delete(name);
  await (await caches.open(FIXED)).delete(WHO);
}

// Looks without opening: opening a store makes it, and one made after signing out would stay.
const held = (cacheName, address, options = {}) => caches.match(address, { ...options, cacheName });

let last = Promise.resolve();
let signedOut = 0; // pages asked for before somebody signed out are not kept after it

// One after another: pages of another person are forgotten before this one's are kept.
function after(work) {
  last = last.then(work).catch(() => {});
  return last;
}

const keep = (address, answer, since, where = PAGES) =>
  after(() => since === signedOut && kept(address, answer, where));

// Copies are thrown away once the office has answered: without signal nobody is signed out.
async function leaving(request) {
  signedOut += 1;
  const answer = await fetch(request);
  signedOut += 1; // nor are those that were asked for while it was on its way
  await after(forget);
  return answer;
}

// A page belongs to the person it was made for, and is shown to nobody else. Resolves to the
// addresses that a page names for a visit that is begun from it.
async function kept(address, answer, where) {
  if (!answer.ok || answer.redirected || !/text\/html/.test(answer.headers.get("content-type"))) return;
  const html = await answer.text();
  const found = html.match(/<body data-person="([^"]*)"/);
  if (!found) return;
  const person = found[1];
  if (!person) return;
  if (person !== (await who())) {
    await forget();
    await (await caches.open(FIXED)).put(WHO, new Response(person));
  }
  const at = new Date().toISOString();
  const headers = { "content-type": "text/html; charset=utf-8", date: at };
  const policy = answer.headers.get("content-security-policy");
  if (policy) headers["content-security-policy"] = policy;
  await put(where + person, address, new Response(html.replace("<html ", `<html data-copy="${at}" `), { headers }));
  if (where === PAGES) await (await caches.open(BEGUN + person)).delete(address);
  return (html.match(/ data-coming="([^"]*)"/) || ["", ""])[1].split(" ").filter(Boolean);
}

async function put(name, address, answer) {
  const pages = await caches.open(name);
  await pages.put(address, answer); // the latest comes last; where there is no room the old copy stays
  const all = await pages.keys();
  for (const old of all.slice(0, Math.max(0, all.length - MOST_PAGES))) await pages.delete(old);
}

// Keeps the pages of a visit that may be begun without signal; those kept lately stay where the
// page that names them was not itself opened.
async function keepComing(paths, since, again) {
  for (const path of paths || []) {
    if (since !== signedOut) return;
    const address = new URL(path, self.location.origin).href;
    const known = await held(COMING + (await who()), address);
    if (known && !again && Date.now() - Date.parse(known.headers.get("date")) < FRESH) continue;
    await keep(address, await fetched(address), since, COMING);
  }
}

// Opens the pages of a visit begun here under its id; resolves to its address, "" where none is kept.
async function opened(boiler, visit) {
  const person = await who();
  if (!person) return "";
  const coming = await caches.open(COMING + person);
  const at = `${self.location.origin}/boilers/${boiler}/visits/coming`;
  let first = "";
  for (const { url } of await coming.keys()) {
    if (!url.startsWith(at)) continue;
    const page = await coming.match(url);
    const address = url.replace(at, `${self.location.origin}/visits/${visit}`);
    const html = (await page.text()).replaceAll(NOT_BEGUN, visit);
    await put(BEGUN + person, address, new Response(html, { headers: page.headers }));
    if (url === at) first = address;
  }
  return first;
}

async function copyOf(address) {
  const person = await who();
  if (person) {
    // The form of one plan does not stand for that of another.
    for (const options of /[?&]plan=/.test(address) ? [{}] : [{}, { ignoreSearch: true }])
      for (const where of [PAGES, BEGUN]) {
        const page = await held(where + person, address, options);
        if (page) return { page, begun: where === BEGUN };
      }
  }
  return null;
}

async function nothing(which = EMPTY) {
  return (await (await caches.open(FIXED)).match(which)) || Response.error();
}

function inTime(request) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), WAIT);
  return fetch(request, { signal: stop.signal }).finally(() => clearTimeout(timer));
}

const fetched = (address) => inTime(new Request(address, { headers: { accept: "text/html" } }));

async function shown(event) {
  const address = event.request.url.split("#")[0];
  const since = signedOut;
  const copy = await copyOf(address);
  try {
    const answer = await (copy ? inTime(event.request) : fetch(event.request));
    // A visit begun here is not yet known where its beginning still waits to go up.
    if (copy && ([502, 503, 504].includes(answer.status) || (copy.begun && answer.status === 404))) return copy.page;
    event.waitUntil(keep(address, answer.clone(), since).then((paths) => keepComing(paths, since, true)).catch(() => {}));
    return answer;
  } catch {
    return copy ? copy.page : nothing();
  }
}

async function asset(request) {
  const found = await (await caches.open(FIXED)).match(request);
  return found || fetch(request);
}

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (url.origin !== self.location.origin) return;
  if (request.method === "POST") {
    const answer = url.pathname === "/sign-out" ? leaving(request) : request.mode === "navigate" && fetch(request);
    if (answer) event.respondWith(answer.catch(() => nothing(NOT_SENT)));
  }
  if (request.method !== "GET") return;
  if (request.mode === "navigate") {
    // Files and reports are not pages: they go as they came.
    if (!/^\/(v1|enter|first|sign-in)(\/|$)/.test(url.pathname)) event.respondWith(shown(event));
  } else if (ASSETS.includes(url.pathname)) event.respondWith(asset(request));
});

async function keepNear(near) {
  const since = signedOut;
  for (const path of near.slice(0, 12)) {
    if (since !== signedOut) return;
    const address = new URL(path, self.location.origin);
    if (address.origin !== self.location.origin) continue;
    await keepComing(await keep(address.href, await fetched(address.href), since), since, false);
  }
}

self.addEventListener("message", (event) => {
  const { near, begun } = event.data || {};
  if (Array.isArray(near)) event.waitUntil(keepNear(near).catch(() => {}));
  if (begun)
    event.waitUntil(
      after(() => opened(begun.boiler, begun.visit)).then((address) => event.ports[0].postMessage(address || "")),
    );
});

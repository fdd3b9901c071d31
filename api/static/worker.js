// Keeps pages readable without signal: what was opened or is near at hand is given again from here.
// VERSION and ASSETS stand above, written by whoever serves this file.
"use strict";

const FIXED = `fluebook-fixed-${VERSION}`;
const PAGES = "fluebook-pages-";
const WHO = "/who";
const EMPTY = "/no-signal";
const MOST_PAGES = 60;
const WAIT = 8000; // a weak signal may never answer: after so many milliseconds a copy is shown

self.addEventListener("install", (event) => {
  event.waitUntil(
    (async () => {
      const fixed = await caches.open(FIXED);
      await fixed.addAll([...ASSETS, EMPTY].map((path) => new Request(path, { cache: "reload", credentials: "omit" })));
      await self.skipWaiting();
    })(),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys())
        if (name.startsWith("fluebook-fixed-") && name !== FIXED) await caches.delete(name);
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

let last = Promise.resolve();
let signedOut = 0; // pages asked for before somebody signed out are not kept after it

// One after another: pages of another person are forgotten before this one's are kept.
function keep(address, answer, since) {
  last = last.then(() => since === signedOut && kept(address, answer)).catch(() => {});
  return last;
}

function leave() {
  signedOut += 1;
  last = last.then(forget).catch(() => {});
  return last;
}

// A page belongs to the person it was made for, and is shown to nobody else.
async function kept(address, answer) {
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
  const pages = await caches.open(PAGES + person);
  const at = new Date().toISOString();
  const headers = { "content-type": "text/html; charset=utf-8" };
  const policy = answer.headers.get("content-security-policy");
  if (policy) headers["content-security-policy"] = policy;
  await pages.put(address, new Response(html.replace("<html ", `<html data-copy="${at}" `), { headers }));
  const all = await pages.keys();
  for (const old of all.slice(0, Math.max(0, all.length - MOST_PAGES))) await pages.delete(old);
}

async function copyOf(address) {
  const person = await who();
  if (person) {
    const pages = await caches.open(PAGES + person);
    const found = (await pages.match(address)) || (await pages.match(address, { ignoreSearch: true }));
    if (found) return found;
  }
  return null;
}

async function nothing() {
  return (await (await caches.open(FIXED)).match(EMPTY)) || Response.error();
}

function inTime(request) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), WAIT);
  return fetch(request, { signal: stop.signal }).finally(() => clearTimeout(timer));
}

async function shown(event) {
  const address = event.request.url.split("#")[0];
  const since = signedOut;
  const copy = await copyOf(address);
  try {
    const answer = await (copy ? inTime(event.request) : fetch(event.request));
    if (copy && [502, 503, 504].includes(answer.status)) return copy;
    event.waitUntil(keep(address, answer.clone(), since));
    return answer;
  } catch {
    return copy || nothing();
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
  if (request.method === "POST" && url.pathname === "/sign-out") event.waitUntil(leave());
  if (request.method !== "GET") return;
  if (request.mode === "navigate") {
    // Files and reports are not pages: they go as they came.
    if (!/^\/(v1|enter|first|sign-in)(\/|$)/.test(url.pathname)) event.respondWith(shown(event));
  } else if (ASSETS.includes(url.pathname)) event.respondWith(asset(request));
});

self.addEventListener("message", (event) => {
  const near = event.data && event.data.near;
  if (!Array.isArray(near)) return;
  event.waitUntil(
    (async () => {
      const since = signedOut;
      for (const path of near.slice(0, 12)) {
        if (since !== signedOut) return;
        const address = new URL(path, self.location.origin);
        if (address.origin !== self.location.origin) continue;
        try {
          const headers = { accept: "text/html" };
          await keep(address.href, await inTime(new Request(address.href, { headers })), since);
        } catch {
          return;
        }
      }
    })(),
  );
});

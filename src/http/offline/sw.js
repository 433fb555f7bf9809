// Keeps the pages that are needed in the grove, so that they open without signal. The network is
// asked first; what it does not give in time comes from what was kept, and says how old it is.
"use strict";

const KEPT = "kept-1";
const FILES = ["/assets/style.css", "/assets/app.js", "/assets/icon.svg", "/manifest.webmanifest"];
const PAGES = /^\/g\/[^/]+\/(today|tomorrow|plan)$/;
const SCREENS = ["today", "tomorrow", "plan"];
const PATIENCE_MS = 3000;
const FRESH_MS = 600000;

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches.open(KEPT).then((kept) => kept.addAll(FILES)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  const old = (names) => names.filter((name) => name !== KEPT);
  event.waitUntil(
    caches.keys()
      .then((names) => Promise.all(old(names).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()));
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== self.location.origin) return;
  if (PAGES.test(url.pathname)) event.respondWith(page(event, url));
  else if (FILES.includes(url.pathname)) event.respondWith(file(event, url));
  else if (request.mode === "navigate") event.respondWith(other(request));
});

self.addEventListener("message", (event) => {
  if (event.data?.forget) event.waitUntil(forget());
  const grove = event.data?.keep;
  if (typeof grove !== "string" || !PAGES.test(`${grove}/today`)) return;
  keeping[grove] ??= keepAll(grove).finally(() => { delete keeping[grove]; });
  event.waitUntil(keeping[grove].then((kept) => event.source.postMessage({ grove, kept })));
});

// Pages of whoever was here before; what was asked for under their name is not kept any more.
let reader = 0;
async function forget() {
  reader += 1;
  const kept = await caches.open(KEPT);
  const pages = (await kept.keys()).filter((one) => PAGES.test(new URL(one.url).pathname));
  await Promise.all(pages.map((one) => kept.delete(one)));
}

// Groves that are fetched now: what is asked for again meanwhile waits for the same.
const keeping = {};

// Today first, the plan last: it takes the longest. Gives the screens that are kept.
async function keepAll(grove) {
  const kept = [];
  for (const screen of SCREENS) {
    const path = `${grove}/${screen}`;
    if (await isFresh(path)) kept.push(screen);
    else if (await keep(path, fetch(path, { headers: { accept: "text/html" } })).then(isKept, () => false)) kept.push(screen);
  }
  return kept;
}

async function isFresh(path) {
  const kept = await (await caches.open(KEPT)).match(path);
  return Boolean(kept) && Date.now() - Date.parse(kept.headers.get("x-kept")) < FRESH_MS;
}

const isKept = (answer) => answer.ok && !answer.redirected;

// A page of another date is not the page that is kept.
function name(url) {
  return url.searchParams.has("date") ? url.pathname + url.search : url.pathname;
}

// Asks the network, and keeps what it gives even where that came too late to be shown.
function ask(event, key) {
  const asked = keep(key, fetch(event.request));
  event.waitUntil(asked.catch(() => undefined));
  return asked;
}

async function keep(key, asked) {
  const asker = reader;
  const answer = await asked;
  const login = answer.redirected || answer.status === 401 || answer.status === 403;
  if (isKept(answer)) {
    const kept = await caches.open(KEPT);
    const headers = new Headers(answer.headers);
    headers.set("x-kept", new Date().toISOString());
    const body = await answer.clone().blob();
    if (asker !== reader) return answer;
    await kept.put(key, new Response(body, { status: 200, headers }));
  } else if (login) {
    // Who is not let in any more must not read on from what was kept.
    await (await caches.open(KEPT)).delete(key);
  }
  return answer;
}

function late() {
  return new Promise((_, give_up) => setTimeout(() => give_up(new Error("late")), PATIENCE_MS));
}

async function file(event, url) {
  const asked = ask(event, url.pathname);
  try {
    return await Promise.race([asked, late()]);
  } catch {
    return (await caches.match(url.pathname)) ?? asked;
  }
}

async function page(event, url) {
  const asked = ask(event, name(url));
  try {
    const answer = await Promise.race([asked, late()]);
    if (answer.status < 500) return answer;
  } catch {
    // From what was kept, below.
  }
  const kept = await caches.match(name(url));
  if (!kept) return asked.catch(() => nothing());
  const since = kept.headers.get("x-kept");
  const text = (await kept.text()).replace("<body ", `<body data-kept="${since}" `);
  return new Response(text, { status: 200, headers: head(kept) });
}

// The bytes are not those that were sent any more.
function head(kept) {
  const headers = new Headers(kept.headers);
  for (const name of ["content-length", "content-encoding", "etag"]) headers.delete(name);
  return headers;
}

// Another page than those that are kept: where there is no signal, lead to one that is.
async function other(request) {
  try {
    return await fetch(request);
  } catch {
    return nothing();
  }
}

async function nothing() {
  const kept = await (await caches.open(KEPT)).keys();
  const links = kept.map((one) => new URL(one.url).pathname).filter((path) => PAGES.test(path));
  const items = [...new Set(links)].map((path) => {
    const words = decodeURIComponent(path.slice(3)).replaceAll("&", "&amp;").replaceAll("<", "&lt;");
    return `<li><a class="button" href="${path.replaceAll('"', "%22")}">${words}</a></li>`;
  });
  const text = `<!DOCTYPE html><html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1"><title>No signal - xylocast</title>
<link rel="stylesheet" href="/assets/style.css"></head><body><main id="main"><h1>No signal</h1>
<p>This page was not kept on this device.</p>
<p><a class="button" href="">Try again</a></p>
${items.length ? `<p>Kept here:</p><ul>${items.join("")}</ul>` : "<p>Nothing else is kept either.</p>"}
</main></body></html>`;
  return new Response(text, { status: 503, headers: { "content-type": "text/html; charset=utf-8" } });
}

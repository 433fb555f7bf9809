// Today moves by itself, and what is typed is kept on this device until the service has it: every
// entry has a key and the time of its typing, so that it counts once however often it is sent.
"use strict";

const base = document.body.dataset.base;
const RETRY_MS = 20000;
// A link that is cut in the middle says nothing: whoever waits on it gives up after so long.
const SILENT_MS = 15000;
const LONG_SILENT_MS = 120000;

// ---- What waits on this device ----

let opened;
function database() {
  opened ??= new Promise((done, failed) => {
    const asked = indexedDB.open("xylocast", 1);
    asked.onupgradeneeded = () =>
      asked.result.createObjectStore("waiting", { keyPath: "number", autoIncrement: true });
    asked.onsuccess = () => done(asked.result);
    asked.onerror = () => failed(asked.error);
  });
  return opened;
}

async function waiting(mode, work) {
  const db = await database();
  return new Promise((done, failed) => {
    const act = db.transaction("waiting", mode, { durability: "strict" });
    const asked = work(act.objectStore("waiting"));
    act.oncomplete = () => done(asked.result);
    act.onabort = act.onerror = () => failed(act.error);
  });
}

const all = () => waiting("readonly", (store) => store.getAll());
const add = (one) => waiting("readwrite", (store) => store.add(one));
const put = (one) => waiting("readwrite", (store) => store.put(one));
const drop = (number) => waiting("readwrite", (store) => store.delete(number));

// ---- Who and when ----

// Who typed it: what one person typed is never sent under another's name.
function person() {
  return document.querySelector('header a[href="/password"]')?.textContent.trim() ?? "";
}

const clockName = `clock ${base}`;
function setClock(now) {
  const offset = Date.parse(now) - Date.now();
  if (Number.isFinite(offset)) localStorage.setItem(clockName, String(offset));
}

// The grove's clock, which may not be this device's.
function groveNow() {
  const offset = Number(localStorage.getItem(clockName) ?? 0);
  return new Date(Date.now() + offset).toISOString();
}

// As the page writes a time: on the grove's clock, the day first.
function clockWords(at) {
  return new Intl.DateTimeFormat("en-GB", {
    day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: zone(),
  }).format(new Date(at)).replace(",", "");
}

function zone() {
  return document.querySelector("[data-zone]")?.dataset.zone;
}

// ---- Sending ----

let trouble = "";

async function send() {
  const locked = navigator.locks ? (work) => navigator.locks.request("send", work) : (work) => work();
  try {
    await locked(sendAll);
  } catch {
    trouble = "No signal: kept on this device, and sent when it is back.";
  }
  await show();
}

async function sendAll() {
  const mine = (one) => one.base === base && !one.refused;
  const entries = (await all()).filter(mine);
  if (!entries.length) return;
  const who = await fetch("/who", { cache: "no-store", signal: AbortSignal.timeout(SILENT_MS) });
  if (!who.ok || who.redirected) {
    trouble = "Log in again, then it is sent.";
    return;
  }
  const { name, csrf } = await who.json();
  const own = entries.filter((one) => one.person === (name ?? ""));
  trouble = own.length < entries.length
    ? "Some of it was typed by somebody else: it is sent when they log in here." : "";
  if (!own.length) return;
  const answer = await fetch(`${base}/log/batch`, {
    method: "POST",
    headers: { "content-type": "application/json", "x-csrf-token": csrf },
    body: JSON.stringify(own.map((one) => one.fields)),
    signal: AbortSignal.timeout(LONG_SILENT_MS),
  });
  if (!answer.ok) {
    trouble = answer.status === 401 || answer.status === 403
      ? "It was not taken: log in as somebody who may log." 
      : "The service cannot take it now; it is sent again by itself.";
    return;
  }
  const outcomes = await answer.json();
  const said = [];
  for (const one of own) {
    const outcome = outcomes.find((told) => told.key === one.fields.key);
    if (!outcome) continue;
    if (outcome.outcome === "refused") await put({ ...one, refused: outcome.says });
    else await drop(one.number);
    if (outcome.outcome !== "refused") said.push(["done", outcome.says]);
    for (const mind of outcome.mind) said.push(["warning", mind]);
  }
  await refresh(true);
  tell(said);
}

// ---- What is shown ----

function element(name, text, className) {
  const made = document.createElement(name);
  if (text) made.textContent = text;
  if (className) made.className = className;
  return made;
}

function tell(said) {
  document.querySelectorAll("main .done, main .said").forEach((old) => old.remove());
  const head = document.querySelector("main h1");
  for (const [kind, words] of said.reverse()) {
    const line = element("p", kind === "done" ? `Noted. ${words}` : words, `${kind} said`);
    line.setAttribute("role", "status");
    head?.after(line);
  }
}

const WORDS = {
  wet: "wet", empty: "empty", left: "left", refill: "filled in", leak: "leak", pause: "clamped shut",
  resume: "opened again", strip: "stripped", start: "hung and started", undo: "undo",
};

function words({ fields, typed, base: of }) {
  const volume = fields.ml ? ` ${fields.ml} ${fields.unit}` : "";
  const tree = fields.tree ?? fields.on ?? "";
  const grove = of === base ? "" : ` (${of.slice(3)})`;
  return `${tree} ${WORDS[fields.kind]}${volume}, ${fields.clock ?? clockWords(fields.at ?? typed)}${grove}`;
}

function control(text, act) {
  const made = element("button", text);
  made.type = "button";
  made.addEventListener("click", act);
  return made;
}

async function show() {
  const box = document.getElementById("waiting");
  if (!box) return;
  const entries = await all();
  const waits = entries.filter((one) => !one.refused);
  const refused = entries.filter((one) => one.refused);
  box.replaceChildren();
  box.hidden = !entries.length;
  if (waits.length) {
    const list = element("ul");
    for (const one of waits) list.append(element("li", words(one)));
    box.append(element("h2", `Waiting to be sent: ${waits.length}`), list);
    if (trouble) box.append(element("p", trouble));
    box.append(control("Send now", send));
  }
  if (refused.length) {
    const list = element("ul");
    for (const one of refused) {
      const line = element("li", `${words(one)}: ${one.refused}`);
      const again = async () => {
        await put({ ...one, refused: undefined });
        await show();
        await send();
      };
      const gone = async () => { await drop(one.number); await show(); };
      line.append(" ", control("Send again", again), " ", control("Drop it", gone));
      list.append(line);
    }
    box.append(element("h2", `Not taken: ${refused.length}`), list);
  }
}

function showAge() {
  const since = document.body.dataset.kept;
  if (!since) return;
  const minutes = Math.max(0, Math.round((Date.now() - Date.parse(since)) / 60000));
  const hours = `${Math.round(minutes / 60)} h`;
  const age = minutes < 1 ? "less than a minute" : minutes < 120 ? `${minutes} min` : hours;
  const text = `No signal, or a slow one. This page is ${age} old.`;
  let line = document.getElementById("aged");
  if (!line) {
    line = element("p", "", "warning");
    line.id = "aged";
    document.querySelector("main").prepend(line);
  }
  line.textContent = text;
  line.hidden = false;
}

// ---- Keeping Today fresh ----

// Nothing is taken from under somebody's fingers.
function isTyping() {
  const at = document.activeElement;
  if (at?.matches("main input, main select, main textarea")) return true;
  return [...document.querySelectorAll("main form.log input[type=text], main form.log input[type=time]")]
    .some((field) => field.value !== field.defaultValue);
}

function here() {
  return Boolean(document.querySelector("[data-live]"));
}

// Answers that were asked for earlier and come later are not shown.
let asked = 0;
let shown = 0;

async function refresh(always) {
  if (!here() || (!always && isTyping())) return;
  const turn = ++asked;
  const answer = await fetch(`${base}/today`, { headers: { accept: "text/html" } });
  if (!answer.ok || answer.redirected) return;
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  const fresh = page.querySelector("main");
  if (!fresh || turn < shown || (!always && isTyping())) return;
  shown = turn;
  const kept = page.body.dataset.kept;
  if (kept && liveAt(fresh) < liveAt(document)) {
    // What was kept is older than what is here.
    document.body.dataset.kept ??= new Date().toISOString();
    showAge();
    return;
  }
  const open = [...document.querySelectorAll("main details")].flatMap(
    (part) => (part.open ? [part.querySelector("summary").textContent + nameOf(part)] : []));
  fresh.querySelectorAll("details").forEach((part) => {
    part.open = open.includes(part.querySelector("summary").textContent + nameOf(part));
  });
  // What was said of an entry stays until the next one.
  fresh.querySelector("h1")?.after(...document.querySelectorAll("main .said"));
  if (kept) document.body.dataset.kept = kept;
  else delete document.body.dataset.kept;
  document.querySelector("main").replaceWith(document.adoptNode(fresh));
  freshKeys();
  if (!kept) setClock(fresh.querySelector("[data-live]").dataset.live);
  showAge();
  await show();
}

// The grove's time at which a page was made.
function liveAt(part) {
  return Date.parse(part.querySelector("[data-live]")?.dataset.live);
}

// Folds of the same words stand on many cards.
function nameOf(part) {
  return part.closest(".card")?.querySelector("h2 a")?.textContent ?? "";
}

function listen() {
  const events = new EventSource(`${base}/events`);
  const moved = (event) => {
    setClock(event.data);
    refresh(false).catch(() => undefined);
  };
  events.addEventListener("change", moved);
  events.addEventListener("minute", moved);
  events.addEventListener("open", () => send());
}

// ---- Logging ----

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (form.matches('form[action="/log-out"], form[action="/log-in"]')) {
    // The next one at this device may neither read on nor type under the name that was kept.
    navigator.serviceWorker?.ready.then(({ active }) => active.postMessage({ forget: true }));
    return;
  }
  if (!form.matches("form.log") || !globalThis.indexedDB || form.dataset.native) return;
  event.preventDefault();
  const sent = new FormData(form, event.submitter);
  const fields = Object.fromEntries([...sent].filter(([, value]) => value !== ""));
  const { csrf, form: _, ...kept } = fields;
  kept.key = `${fields.key}-${fields.kind}`;
  if (kept.at) kept.clock = kept.at;
  // A time of day is of the day on which it was typed.
  kept.at = kept.at ? `${groveDay()}T${kept.at}` : groveNow();
  const same = (one) => one.fields.key === kept.key;
  try {
    if (!(await all()).some(same)) await add({ base, person: person(), typed: new Date().toISOString(), fields: kept });
  } catch {
    // Nothing can be kept here: as without a script.
    form.dataset.native = "yes";
    form.requestSubmit(event.submitter);
    return;
  }
  form.reset();
  freshKeys();
  document.activeElement?.blur();
  await show();
  await send();
});

function groveDay() {
  return new Intl.DateTimeFormat("en-CA", { timeZone: zone() }).format(new Date(groveNow()));
}

// A page that was kept has the keys of its first reading, under which something was typed by now.
function freshKeys() {
  document.querySelectorAll('main input[name="key"]').forEach((field) => { field.value = freshKey(); });
}

function freshKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(12));
  return [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

// ---- Kept for want of signal ----

// The grove that is kept: that of this page, else the last one here, else the first in the list.
function keptGrove() {
  if (base) localStorage.setItem("grove", base);
  const listed = document.querySelector(".groves a[data-own]");
  return base || localStorage.getItem("grove") || listed?.getAttribute("href").replace(/\/[^/]*$/, "");
}

// The worker fetches them by itself: questions of a page end when it is left, and a plan takes long.
async function keep() {
  const grove = keptGrove();
  const worker = (await navigator.serviceWorker.ready).active;
  if (grove && document.body.dataset.kept === undefined) worker.postMessage({ keep: grove });
}

function showKept({ data }) {
  const line = document.getElementById("kept");
  if (!line || data?.grove !== base || !data.kept.length) return;
  line.textContent = `Kept on this device for want of signal: ${data.kept.join(", ")}.`;
  line.hidden = false;
}

async function start() {
  if (!("serviceWorker" in navigator) || !window.isSecureContext) return;
  navigator.serviceWorker.addEventListener("message", showKept);
  await navigator.serviceWorker.register("/sw.js");
  await keep();
  setInterval(keep, RETRY_MS);
}

showAge();
if (here()) {
  if (!document.body.dataset.kept) setClock(document.querySelector("[data-live]").dataset.live);
  freshKeys();
  show();
  send();
  listen();
  setInterval(() => {
    send();
    showAge();
    if (document.body.dataset.kept) refresh(false).catch(() => undefined);
  }, RETRY_MS);
  addEventListener("online", () => { send(); refresh(false).catch(() => undefined); });
}
start().catch(() => undefined);

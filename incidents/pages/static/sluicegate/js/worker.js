// The service worker of one facility's pages. It keeps the last known state of Now, and shows it when the server is
// gone. It records nothing and queues nothing; while the server answers, every page comes from the server.
"use strict";

const HOME = new URL(self.registration.scope).pathname;
const PAGE = `${HOME}last-known/`;
const GONE = `${HOME}gone-since`; // never asked of the server: a note beside the kept page
const STORE = `last known of ${HOME}`;
const PATIENCE_MS = 10_000;
const FRESH_MS = 5_000;
const NO_SERVER = new Set([502, 504]); // said by the proxy before it
const ASSETS = new Set(["style", "script", "font", "image"]);

let keptAt = 0;
let keeping = null;
let assetsKept = false;

const within = (promise) => Promise.race([
  promise,
  new Promise((_, fail) => { setTimeout(() => fail(new Error("no answer")), PATIENCE_MS); }),
]);

async function noteGone() {
  const store = await caches.open(STORE);
  if (!await store.match(GONE)) await store.put(GONE, new Response(String(Date.now())));
}

async function noteBack() {
  await (await caches.open(STORE)).delete(GONE);
}

// However often it is asked for: at once, and then once in a while, the last time included.
function keep() {
  const wait = Math.max(0, keptAt + FRESH_MS - Date.now());
  keeping ??= new Promise((go) => { setTimeout(go, wait); }).then(() => {
    keptAt = Date.now();
    keeping = null;
    return keepNow();
  });
  return keeping;
}

async function keepNow() {
  let answer;
  try {
    answer = await within(fetch(PAGE, { cache: "no-store", redirect: "manual" }));
  } catch {
    return noteGone();
  }
  if (NO_SERVER.has(answer.status)) return noteGone();
  await noteBack();
  if (answer.status === 404) return caches.delete(STORE); // whoever is signed in now has no business here
  if (!answer.ok) return undefined; // signed out: the room's last known state stays
  const text = await answer.text();
  const store = await caches.open(STORE);
  const headers = new Headers(answer.headers);
  headers.set("X-Kept-At", String(Date.now()));
  await store.put(PAGE, new Response(text, { headers }));
  if (!assetsKept) await keepAssets(store, text);
  assetsKept = true;
}

async function keepAssets(store, html) {
  const named = [...html.matchAll(/(?:href|src)="([^"]+\.(?:css|js|svg|woff2))"/g)];
  await Promise.all(named.map(([, url]) => keepAsset(store, new URL(url, self.location))));
}

async function keepAsset(store, url) {
  const answer = await fetch(url);
  if (!answer.ok) return;
  await store.put(url, answer.clone());
  if (!url.pathname.endsWith(".css")) return;
  const named = [...(await answer.text()).matchAll(/url\(["']?([^"')]+\.woff2)["']?\)/g)];
  await Promise.all(named.map(([, font]) => keepAsset(store, new URL(font, url))));
}

async function lastKnown(request) {
  const store = await caches.open(STORE);
  const kept = await store.match(PAGE);
  if (!kept) return null;
  const gone = await store.match(GONE);
  const since = gone ? await gone.text() : String(Date.now());
  const text = (await kept.text())
    .replace('data-kept-at=""', `data-kept-at="${Number(kept.headers.get("X-Kept-At"))}"`)
    .replace('data-gone-since=""', `data-gone-since="${Number(since)}"`)
    .replace('data-unanswered=""', `data-unanswered="${request.method === "GET" || goesBack(request) ? "" : "yes"}"`);
  return new Response(text, { headers: kept.headers });
}

// Going back to what a refusal showed. The browser kept no copy of it and sends nothing twice of its own accord: that
// is no lost server. The nearest page that can be opened shows what stands now.
async function nearest(request) {
  for (let url = new URL(request.url); url.pathname.startsWith(HOME); url = new URL("..", url)) {
    const answer = await within(fetch(url, { redirect: "manual" }));
    if (NO_SERVER.has(answer.status)) return answer;
    if (!answer.ok && answer.type !== "opaqueredirect") continue;
    return url.href === request.url ? answer : Response.redirect(url, 303); // led there, it asks in the same way again
  }
  return Response.redirect(HOME, 303);
}

const goesBack = (request) => request.cache === "only-if-cached";

async function open(event) {
  const asks = goesBack(event.request) ? nearest : fetch;
  let answer = null;
  try {
    answer = await within(asks(event.request));
    if (!NO_SERVER.has(answer.status)) {
      event.waitUntil(noteBack().then(keep));
      return answer;
    }
  } catch {
    // The server is gone, or the way to it.
  }
  await noteGone();
  return (await lastKnown(event.request)) ?? answer ?? Response.error();
}

async function asset(request) {
  try {
    return await fetch(request);
  } catch (failure) {
    const kept = await caches.match(request.url);
    if (kept) return kept;
    throw failure;
  }
}

self.addEventListener("install", (event) => {
  self.skipWaiting();
  event.waitUntil(keep());
});
self.addEventListener("activate", (event) => { event.waitUntil(self.clients.claim()); });
self.addEventListener("message", (event) => { event.waitUntil(self.clients.claim()); });
self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== self.location.origin) return;
  if (event.request.mode === "navigate") event.respondWith(open(event));
  else if (ASSETS.has(event.request.destination)) event.respondWith(asset(event.request));
  else if (url.pathname === HOME) event.waitUntil(keep()); // the panes of Now asked for themselves
});

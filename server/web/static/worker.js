// Keeps the creel round for times without a line: its files, and each list as
// it was read last. A list from here is marked, so that nobody takes it for new.
"use strict";
importScripts("TAPS");
const shell = "SHELL", store = "turnwise-creel", patience = 4000;

self.addEventListener("install", e => {
  e.waitUntil(caches.open(store).then(c => c.addAll(shell)).then(() => self.skipWaiting()));
});

// A new version reads the kept lists again, since they name its files; only
// then the files of the old version go.
self.addEventListener("activate", e => e.waitUntil((async () => {
  await self.clients.claim();
  const c = await caches.open(store), keys = await c.keys();
  const lists = keys.filter(k => new URL(k.url).pathname === "/creel");
  const read = await Promise.allSettled(lists.map(k => fresh(c, k)));
  if (read.some(r => r.status === "rejected")) return;
  for (const k of keys) {
    const path = new URL(k.url).pathname;
    if (path.startsWith("/static/") && !shell.includes(path)) await c.delete(k);
  }
})()));

async function fresh(c, request) {
  const stop = new AbortController(), timer = setTimeout(() => stop.abort(), patience);
  try {
    const answer = await fetch(request.url, {signal: stop.signal, credentials: "same-origin"});
    if (answer.status >= 500) throw new Error("the server answers " + answer.status);
    if (answer.ok && !answer.redirected) await c.put(request.url, answer.clone());
    return answer;
  } finally { clearTimeout(timer); }
}

async function list(request) {
  const c = await caches.open(store);
  try { return await fresh(c, request); } catch {}
  const kept = await c.match(request.url) || await c.match(request.url, {ignoreSearch: true});
  if (!kept) return new Response("No line, and no list was kept yet. Open the creel round once with a line.", {status: 503, headers: {"Content-Type": "text/plain; charset=utf-8"}});
  const html = (await kept.text()).replace("<body ", "<body data-kept ");
  return new Response(html, {headers: kept.headers});
}

// The browser calls when a line is back, also when the page is closed. What is not
// sent then it asks for again by itself. A page that is seen sends by itself, since
// somebody must hear the answers.
self.addEventListener("sync", e => {
  if (e.tag === "taps") e.waitUntil(send());
});

async function send() {
  const pages = await self.clients.matchAll({type: "window"}), seen = pages.find(p => p.visibilityState === "visible");
  if (seen) { seen.postMessage("send"); return; }
  await self.creelTaps.flush((tap, answer) => answer.warning && !answer.refused ? self.creelTaps.warn(tap, answer.warning) : undefined);
}

self.addEventListener("fetch", e => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (e.request.mode === "navigate" && url.pathname === "/creel") e.respondWith(list(e.request));
  else if (url.pathname.startsWith("/static/")) e.respondWith(caches.match(e.request).then(kept => kept || fetch(e.request)));
});

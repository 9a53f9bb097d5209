// Renews parts of a page as the server sends them. Nothing moves while it is
// being read or pressed: an element that holds the focus or an open <details>
// keeps its place, and only its small figures (class "leaf") change. Without
// this script every page reads in full.
(() => {
  "use strict";
  const body = document.body, live = document.getElementById("live");
  const base = body.dataset.stream;
  if (!base || !live || !window.EventSource) return;

  const latest = new Map();   // id -> html as last sent
  const dirty = new Set();    // ids that wait to be shown
  const chosen = new Map();   // id of a row -> open or closed by the reader
  let lists = [], version = body.dataset.version, seen = "";
  let source, wait = 1000, retry, watch, pressedAt = -1e9, down = false, movedAt = -1e9;

  const byId = id => document.getElementById(id);
  const make = html => {
    const t = document.createElement("template");
    t.innerHTML = html;
    return t.content.firstElementChild;
  };
  const pressing = () => down || performance.now() - pressedAt < 700;
  const focused = el => {
    const a = document.activeElement;
    return a && a !== body && a.id !== "main" && el.contains(a);
  };
  const held = el => focused(el) || el.querySelector("details[open]") !== null;

  function put(id) {
    const old = byId(id), html = latest.get(id);
    if (!old || html === undefined) return true;
    const neu = make(html);
    const details = neu.querySelector("details");
    if (details && chosen.has(id)) details.open = chosen.get(id);
    if (old.isEqualNode(neu)) return true;
    if (!held(old)) { old.replaceWith(neu); return true; }
    for (const leaf of neu.querySelectorAll(".leaf[id]")) {
      const was = byId(leaf.id);
      if (was && !was.isEqualNode(leaf) && !focused(was)) was.replaceWith(leaf.cloneNode(true));
    }
    return false;
  }

  // order gives lists their rows; a list in use waits and says so.
  function order() {
    const busy = lists.filter(l => {
      const el = byId(l.id);
      return el && changed(el, l.ids) && (focused(el) || el.matches(":hover") && matchMedia("(hover: hover)").matches ||
        [...chosen].some(([id, open]) => open && el.contains(byId(id))));
    });
    say(busy.length > 0);
    if (busy.length > 0) return;
    const gone = [];
    for (const l of lists) {
      const el = byId(l.id);
      if (!el || !changed(el, l.ids)) continue;
      movedAt = performance.now();
      let at = el.firstElementChild;
      for (const id of l.ids) {
        const row = byId(id) || (latest.has(id) ? make(latest.get(id)) : null);
        if (!row) continue;
        if (row === at) { at = at.nextElementSibling; continue; }
        el.insertBefore(row, at);
      }
      const want = new Set(l.ids);
      for (const c of el.children) if (!want.has(c.id)) gone.push(c);
    }
    for (const c of gone) if (!lists.some(l => c.parentElement && c.parentElement.id === l.id && l.ids.includes(c.id))) c.remove();
  }
  const changed = (el, ids) => el.children.length !== ids.length || ids.some((id, i) => el.children[i].id !== id);

  function say(waiting) {
    const el = byId("waits");
    if (!el || waiting === el.hasChildNodes()) return;
    el.textContent = "";
    if (!waiting) return;
    const a = document.createElement("a");
    a.href = location.href.split("#")[0];
    a.textContent = "The order has changed. Show it";
    el.append(a);
  }

  function show() {
    if (pressing()) { setTimeout(show, 750); return; }
    order();
    for (const id of dirty) if (put(id)) dirty.delete(id);
    document.dispatchEvent(new Event("shown"));
  }

  function mark(state) {
    const text = state === "live" ? "live" : seen ? "not live since " + seen : "not live";
    live.classList.toggle("lost", state !== "live");
    if (live.textContent !== text) live.textContent = text;
    document.dispatchEvent(new CustomEvent("line", {detail: {live: state === "live"}}));
  }

  function open() {
    clearTimeout(retry);
    source = new EventSource(base + "&v=" + encodeURIComponent(version));
    alive();
    source.onmessage = e => {
      alive();
      wait = 1000;
      const u = JSON.parse(e.data);
      version = u.v;
      seen = u.now;
      for (const p of u.parts || []) { latest.set(p.id, p.html); dirty.add(p.id); }
      if (u.lists) lists = u.lists;
      mark("live");
      show();
    };
    source.onerror = lost;
  }
  function alive() {
    clearTimeout(watch);
    watch = setTimeout(lost, 35000); // the server says something every ten seconds
  }
  function lost() {
    clearTimeout(watch);
    source.close();
    mark("lost");
    clearTimeout(retry);
    retry = setTimeout(open, wait * (0.75 + Math.random() / 2));
    wait = Math.min(wait * 2, 30000);
  }

  addEventListener("pointerdown", () => { down = true; }, true);
  for (const t of ["pointerup", "pointercancel"]) addEventListener(t, () => { down = false; pressedAt = performance.now(); }, true);
  addEventListener("focusout", () => setTimeout(show, 0));
  addEventListener("click", e => {
    const summary = e.target.closest && e.target.closest("summary");
    const row = summary && summary.closest("li[id]");
    if (row) { chosen.set(row.id, !summary.parentElement.open); setTimeout(show, 800); }
    // What has just moved under the finger was not meant.
    if (e.target.closest && e.target.closest("button") && performance.now() - movedAt < 600) e.preventDefault();
  }, true);
  addEventListener("submit", e => {
    if (e.target.dataset.sent) { e.preventDefault(); return; }
    e.target.dataset.sent = "1";
    setTimeout(() => { for (const b of e.target.querySelectorAll("button")) b.disabled = true; }, 0);
  });
  addEventListener("pageshow", e => { if (e.persisted) location.reload(); });
  addEventListener("pagehide", () => { clearTimeout(retry); clearTimeout(watch); source.close(); });
  open();
})();

// The creel round under gloves: a tap shows at once, can be taken back for ten
// seconds, and is kept when there is no line. Without this script the same
// buttons are forms.
(() => {
  "use strict";
  const round = document.getElementById("round"), taps = window.creelTaps;
  if (!round || !taps || !window.fetch) return;
  const byId = id => document.getElementById(id);
  const undoFor = 10000, day = 24 * 3600 * 1000;
  const keptPage = document.body.hasAttribute("data-kept");
  const remember = (k, v) => { try { localStorage.setItem("creel." + k, v); } catch {} };
  const recall = k => { try { return localStorage.getItem("creel." + k); } catch { return null; } };

  // The scope of this device: a shared tablet opens with the sets shown last.
  const scope = new URLSearchParams(location.search);
  if (scope.get("set") || scope.get("machines")) remember("scope", location.search);
  else if (recall("scope")) { location.replace(location.pathname + recall("scope")); return; }

  // The mill's clock: that of the device, unless it is plainly wrong. A list
  // that was kept tells the time at which it was read.
  const readAt = Number(round.dataset.now), readClock = round.dataset.clock;
  let ahead = Number(recall("clock")) || 0;
  const settle = theirs => {
    const by = theirs - Date.now();
    if (Math.abs(by - ahead) <= 30000) return; // the way there and back is no error of a clock
    ahead = Math.abs(by) > 30000 ? by : 0;
    remember("clock", String(ahead));
  };
  if (!keptPage) settle(readAt);
  const now = () => Date.now() + ahead;
  const minuteOf = ms => Math.floor(ms / 60000);
  const [hh, mm] = readClock.split(":").map(Number);
  const zone = (hh * 60 + mm - minuteOf(readAt) % 1440 + 1440) % 1440;
  const clock = ms => {
    const m = ((minuteOf(ms) + zone) % 1440 + 1440) % 1440;
    return String(Math.floor(m / 60)).padStart(2, "0") + ":" + String(m % 60).padStart(2, "0");
  };

  const words = {take: "taken", half: "half done", done: "done", out: "done, a cone had run out", undo: "taken back", weigh: "weighed", fixer: "fixer called"};
  const kind = act => act.split(":")[0]; // of a run-out the feed group follows
  const said = text => { const el = byId("said"); if (el.textContent !== text) el.textContent = text; };
  const rows = () => document.querySelectorAll("li.tk-row[data-task]");

  // What is shown of a task: the server's state, then its last answer, then
  // what waits here.
  let waiting = [], refusals = [], calls = new Map();
  const answers = new Map();
  function stateOf(task, base) {
    const a = answers.get(task);
    let state = a && a.until > performance.now() ? a.state : base;
    for (const t of waiting) if (t.task === task) state = t.act === "undo" ? t.was : {take: "taken", half: "half done", done: "done", out: "done", weigh: "done"}[kind(t.act)] || state;
    return state;
  }
  function draw() {
    for (const li of rows()) {
      const box = li.querySelector(".bx");
      if (!box.dataset.base) box.dataset.base = box.dataset.state;
      const state = stateOf(li.dataset.task, box.dataset.base);
      if (box.dataset.state !== state) { box.dataset.state = state; box.querySelector(".bw").textContent = state; }
      const hit = li.querySelector("button.hit");
      if (hit) hit.setAttribute("aria-disabled", String(state === "done"));
      const called = calls.get(li.dataset.task), text = li.querySelector(".tx");
      if (called && !text.querySelector(".fx")) {
        const el = document.createElement("span");
        el.className = "fx";
        el.textContent = "Fixer called " + called;
        text.append(" ", el);
      }
    }
    for (const li of document.querySelectorAll("li.wr")) {
      const told = stateOf(li.dataset.task, "due") === "done";
      if (li.hidden === told) continue;
      if (told && li.contains(document.activeElement)) home();
      li.hidden = told;
    }
    drawLine();
    drawRefusals();
  }

  // The line: what is known of it comes from sending and from the live stream. A
  // server that answers and cannot take a tap is no matter of the line.
  let lost = keptPage, sick = false, live = false, since = keptPage ? readClock : "";
  function drawLine() {
    const el = byId("line"), parts = [];
    if (lost) parts.push((sick ? "The server cannot take taps since " : "No line since ") + (since || readClock) + ".");
    if (waiting.length > 0 && (lost || waiting.some(t => now() - t.at > 2000))) parts.push(waiting.length === 1 ? "1 tap kept." : waiting.length + " taps kept.");
    if (lost && now() - readAt > day && keptPage) parts.push("The list is older than a day: look at the creels.");
    const text = parts.join(" ");
    if (el.textContent !== text) el.textContent = text;
    el.hidden = text === "";
    document.body.classList.toggle("stale", lost);
  }
  function setLost(is, ill = false) {
    sick = is && ill;
    if (is && !lost) { lost = true; since = clock(now()); }
    if (!is) { lost = false; since = ""; }
    drawLine();
  }
  function drawRefusals() {
    const el = byId("refused");
    const shown = [...el.children].map(c => c.dataset.n).join();
    if (shown === refusals.map(r => String(r.n)).join()) return;
    el.textContent = "";
    for (const r of refusals) {
      const strip = document.createElement("div"), text = document.createElement("p"), head = document.createElement("b"), seen = document.createElement("button");
      strip.className = "strip no";
      strip.dataset.n = r.n;
      const lots = r.refused.want ? " On the cones: " + r.refused.have + ". The machine takes: " + r.refused.want + "." : "";
      head.textContent = r.refused.head.includes(r.name) ? r.refused.head : r.refused.head + " at " + r.name;
      text.append(head, ", " + words[kind(r.act)] + " " + clock(r.at) + "." + lots + " " + r.refused.text);
      seen.type = "button";
      seen.textContent = "Seen";
      seen.addEventListener("click", async () => { await taps.drop("refused", r.n); await load(); byId("main").focus(); });
      strip.append(text, seen);
      el.append(strip);
    }
    el.hidden = refusals.length === 0;
  }
  async function load() {
    [waiting, refusals] = await Promise.all([taps.all("taps"), taps.all("refused")]);
    draw();
  }

  // Sending, in order, again and again until it is answered.
  let busy = false, again = false, timer = 0, pause = 2000;
  async function flush() {
    if (busy) { again = true; return; }
    busy = true;
    clearTimeout(timer);
    try {
      do {
        again = false;
        if ((await taps.all("taps")).length === 0 && (lost || !live)) await taps.probe();
        await taps.flush(heard);
      } while (again);
      pause = 2000;
      setLost(false);
    } catch (why) {
      setLost(true, why.status >= 500);
      if (waiting.length > 0) callLater();
    } finally { busy = false; }
    await load();
    if (lost || again) { timer = setTimeout(flush, pause); pause = Math.min(pause * 2, 30000); }
  }
  // Where the browser can, it sends what is kept when the line is back, even if the
  // page is closed by then.
  const canSync = !!navigator.serviceWorker && "SyncManager" in window;
  function callLater() {
    if (canSync) navigator.serviceWorker.ready.then(r => r.sync.register("taps")).catch(() => {}); // refused: the page sends
  }
  if (canSync) navigator.serviceWorker.addEventListener("message", e => { if (e.data === "send") flush(); });

  async function heard(tap, answer) {
    settle(answer.now);
    if (answer.refused) {
      if (last && last.id === tap.id) hideBar();
      said(answer.refused.head + ". " + answer.refused.text);
      if (answer.refused.want) stop(answer.refused, null);
    } else {
      if (answer.warning) { await taps.warn(tap, answer.warning); said("Look at the lot. " + answer.warning); }
      answers.set(tap.task, {state: answer.state, until: performance.now() + 5000});
      if (answer.fixer) calls.set(tap.task, answer.fixer);
      else if (tap.act === "undo") calls.delete(tap.task);
    }
    await load();
  }

  // A wrong lot stops everything until it was seen.
  function stop(why, keep) {
    const d = byId("stop");
    byId("stop-head").textContent = why.head;
    byId("stop-have").textContent = why.have;
    byId("stop-want").textContent = why.want;
    byId("stop-text").textContent = why.text;
    byId("stop-keep").hidden = !keep;
    byId("stop-keep").onclick = () => { d.close(); keep(); };
    if (!d.open) d.showModal();
  }
  if (byId("stop")) byId("stop-seen").addEventListener("click", () => byId("stop").close());

  // Pressing.
  let last = null, left = 0, newest = 0;
  async function press(tap) {
    tap = {id: taps.id(), at: Math.max(now(), newest), ...tap}; // a clock that is set back does not turn their order
    newest = tap.at;
    await taps.add(tap);
    await load();
    showBar(tap);
    said(tap.name + " " + words[kind(tap.act)] + (tap.cones ? ", " + tap.cones + " cones" : "") + (tap.kg ? ", " + tap.kg + " kg" : "") + (!lost ? "." : sick ? ". Kept until the server takes it." : ". Kept until the line is back."));
    flush();
    return tap;
  }
  function ofForm(form, act) {
    const li = form.closest("li"), field = form.elements;
    const box = li.querySelector(".bx"), tap = {task: li.dataset.task, name: li.dataset.name, act, was: box ? box.dataset.state : "due"};
    if (act === "weigh") {
      tap.kg = Number(field.kg.value.trim().replace(",", "."));
      if (!(tap.kg > 0 && tap.kg < 2000)) { said("The weight must be kilos above 0, for example 25.3."); field.kg.focus(); return null; }
    }
    const lot = field.lot ? field.lot.value.trim() : "", named = li.dataset.lot || "";
    if (lot && act !== "take" && act !== "fixer") tap.lot = lot.toUpperCase() === named.toUpperCase() ? named : lot;
    const whole = Number(li.dataset.cones || 0);
    if (act === "done") tap.shown = whole;
    if (act === "half") {
      tap.cones = field.cones ? Math.round(Number(field.cones.value)) : Math.floor(whole / 2);
      if (!(tap.cones >= 1 && tap.cones <= whole)) { said("Cones must be 1 to " + whole + "."); field.cones.focus(); return null; }
    }
    return {tap, li, wrong: tap.lot && named && tap.lot !== named ? {head: "Wrong lot at " + tap.name, have: tap.lot, want: named, text: "Do not start. Take these cones off and fetch lot " + named + "."} : null};
  }
  document.addEventListener("submit", e => {
    const form = e.target;
    if (!form.matches("form.tap")) return;
    e.preventDefault();
    e.stopImmediatePropagation();
    const act = e.submitter && e.submitter.value || "done", asked = ofForm(form, act);
    if (!asked) return;
    const {tap, li, wrong} = asked;
    if (tap.was === "done" && act !== "fixer") { said(tap.name + " is done already."); return; }
    if (act === "fixer" && (calls.has(tap.task) || waiting.some(t => t.task === tap.task && t.act === "fixer"))) { said("The fixer was called."); return; }
    const go = () => { const more = li.querySelector("details.more"); if (more && act !== "take") more.open = false; return press(tap); };
    if (wrong && lost) stop(wrong, go); // the server cannot say whether the lot was released
    else go();
  }, true);
  document.addEventListener("click", e => {
    const step = e.target.closest && e.target.closest("[data-step]");
    if (!step) return;
    const field = step.form.elements.cones;
    field.value = Math.min(Number(field.dataset.most), Math.max(1, Math.round(Number(field.value) || 0) + Number(step.dataset.step)));
  });

  // The strip: ten seconds to take back, or to say that it was only half.
  const bar = byId("bar");
  function showBar(tap) {
    if (!bar) return;
    for (const f of bar.querySelectorAll(".untap")) f.remove(); // the one without script
    const focused = bar.contains(document.activeElement);
    last = tap.act === "undo" ? null : tap;
    const n = tap.cones || tap.shown;
    byId("bar-text").textContent = tap.name + " " + words[kind(tap.act)] + (n ? ", " + n + (n === 1 ? " cone" : " cones") : "") + (tap.kg ? ", " + tap.kg + " kg" : "");
    byId("bar-undo").hidden = !last;
    byId("bar-half").hidden = !(tap.act === "done" && tap.shown > 1 && tap.was !== "half done");
    bar.hidden = false;
    if (focused && !last) home(tap.task);
    left = performance.now() + (last ? undoFor : 4000);
    tick();
  }
  function hideBar() {
    if (!bar || bar.hidden) return;
    const focused = bar.contains(document.activeElement), task = last && last.task;
    bar.hidden = true;
    last = null;
    if (focused) home(task);
  }
  // home is where the focus goes when what held it is gone.
  function home(task) {
    const li = [...rows()].find(r => r.dataset.task === task);
    (li && li.querySelector("button.hit") || byId("main")).focus({preventScroll: true});
  }
  function tick() {
    const s = Math.ceil((left - performance.now()) / 1000);
    if (bar.hidden) return;
    if (s <= 0) { hideBar(); return; }
    byId("bar-left").textContent = "0:" + String(s).padStart(2, "0");
    setTimeout(tick, 200);
  }
  // A strip that can be seen is in time, however slow the line is.
  const takeBack = tap => press({task: tap.task, name: tap.name, act: "undo", of: tap.id, was: tap.was, at: Math.min(now(), tap.at + undoFor)});
  if (bar) {
    byId("bar-undo").addEventListener("click", () => { if (last) takeBack(last); });
    byId("bar-half").addEventListener("click", async () => {
      const tap = last;
      if (!tap) return;
      await takeBack(tap);
      await press({task: tap.task, name: tap.name, act: "half", was: tap.was, cones: Math.floor(tap.shown / 2), lot: tap.lot});
    });
  }

  // New calls: for those who switched it on, since the hall is loud and
  // nobody may be rung for what was seen.
  const known = new Set();
  let first = true, sound = null;
  function ring() {
    if (navigator.vibrate) navigator.vibrate([300, 150, 300]);
    if (!sound) return;
    for (const at of [0, 0.3]) {
      const tone = sound.createOscillator(), loud = sound.createGain();
      tone.frequency.value = 880;
      loud.gain.setValueAtTime(0.4, sound.currentTime + at);
      loud.gain.exponentialRampToValueAtTime(0.001, sound.currentTime + at + 0.25);
      tone.connect(loud).connect(sound.destination);
      tone.start(sound.currentTime + at);
      tone.stop(sound.currentTime + at + 0.25);
    }
  }
  const bell = byId("bell");
  function look() {
    const fresh = [];
    for (const li of rows()) {
      if (li.querySelector(".mn").textContent !== "now" || known.has(li.dataset.task)) continue;
      known.add(li.dataset.task);
      fresh.push(li);
      // A walk is one call: what it has now was told with it.
      if (li.dataset.walk) for (const o of rows()) if (o.dataset.walk === li.dataset.walk) known.add(o.dataset.task);
    }
    if (!first && fresh.length > 0) {
      said("New: " + fresh[0].dataset.name + ", " + fresh[0].querySelector(".tx b").textContent + ".");
      if (bell && bell.getAttribute("aria-pressed") === "true") { round.dataset.rang = String(Number(round.dataset.rang || 0) + 1); ring(); }
    }
    first = false;
  }
  function setBell(on) {
    bell.setAttribute("aria-pressed", String(on));
    bell.querySelector("b").textContent = on ? "on" : "off";
    remember("bell", on ? "on" : "");
    const Sound = window.AudioContext || window.webkitAudioContext;
    if (on && !sound && Sound) sound = new Sound();
    if (sound && on) sound.resume();
  }
  if (bell) {
    byId("helps").hidden = false;
    bell.addEventListener("click", () => { setBell(bell.getAttribute("aria-pressed") !== "true"); ring(); });
    if (recall("bell")) addEventListener("pointerdown", () => setBell(true), {once: true}); // a browser plays nothing before a touch
  }

  // Minutes go on when nobody sends them.
  function pass() {
    if (!lost) return;
    for (const li of rows()) {
      if (li.dataset.kind === "stop" || li.querySelector(".mn").textContent === "look") continue;
      const m = Math.floor((Number(li.dataset.due) - now()) / 60000), big = li.querySelector(".mn"), small = li.querySelector(".mu");
      const [a, b] = m < 1 ? ["now", ""] : m < 100 ? [m, "min"] : [Math.floor(m / 60) + " h", m % 60 + " min"];
      if (big.textContent !== String(a)) { big.textContent = a; big.classList.toggle("now", String(a).length > 2); }
      if (!small.textContent.startsWith(b) || b === "") small.textContent = b;
      const later = li.closest("details.later");
      if (later && m < 60) later.open = true; // nobody else brings it to the front now
    }
    look();
    drawLine();
  }
  setInterval(pass, 10000);

  // The list as it is now is kept for times without a line.
  let keptLast = 0;
  const cannot = !isSecureContext ? "This address has no TLS: without a line the page cannot be opened anew. Open it as localhost or over TLS." :
    !("serviceWorker" in navigator) || !window.caches ? "This browser cannot keep the page for times without a line." : "";
  async function keep() {
    if (cannot || !live || Date.now() - keptLast < 60000) return;
    keptLast = Date.now();
    try {
      const url = new URL(location.href);
      url.searchParams.delete("told");
      url.hash = "";
      const answer = await fetch(url, {cache: "no-store"});
      if (answer.ok) await (await caches.open("turnwise-creel")).put(url.href, answer);
      await navigator.serviceWorker.ready; // without the worker nobody opens what is kept
      round.dataset.keeps = "yes";
    } catch { keptLast = 0; }
  }
  async function explain() {
    const el = byId("lacks");
    if (!el) return;
    const lasting = await taps.lasting();
    el.textContent = [cannot || "Works 24 hours without a line: list and taps stay on this device.",
      !lasting ? "This browser keeps taps only while the page is open." :
        cannot || !canSync ? "Taps are kept on this device and sent when the page is open with a line." : "They are sent as soon as there is a line, also with the page closed."].filter(Boolean).join(" ");
  }
  if (!cannot) navigator.serviceWorker.register("/worker.js", {scope: "/creel"}).then(() => navigator.serviceWorker.ready).then(keep, () => {
    byId("lacks") && (byId("lacks").textContent = "The browser refused to keep the page for times without a line.");
  });

  document.addEventListener("line", e => {
    live = e.detail.live;
    if (live) { keep(); if (lost || waiting.length > 0) flush(); } else flush();
    drawLine();
  });
  document.addEventListener("shown", () => { draw(); look(); keep(); });
  addEventListener("online", flush);
  addEventListener("offline", () => setLost(true));
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) load().then(flush); // the worker may have sent meanwhile
    else if (waiting.length > 0) callLater();
  });
  explain();
  look();
  load().then(() => { pass(); if (keptPage || waiting.length > 0) flush(); });
})();

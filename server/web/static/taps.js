// The taps of the creel round that the server has not answered yet. They are
// kept on the device in the order in which they were made, each with a request
// id, and sent one after the other: the server counts a repeated id once, so
// an answer that was lost does no harm. Without IndexedDB they are kept while
// the page is open. The page and its worker share this file.
(() => {
  "use strict";
  const places = ["taps", "refused"];
  let db = null;
  const inMemory = {taps: [], refused: []};
  let number = 0;

  const done = request => new Promise((yes, no) => {
    request.onsuccess = () => yes(request.result);
    request.onerror = () => no(request.error);
  });
  const opened = (async () => {
    try {
      const request = indexedDB.open("turnwise-creel", 1);
      request.onupgradeneeded = () => { for (const p of places) request.result.createObjectStore(p, {keyPath: "n", autoIncrement: true}); };
      db = await done(request);
      db.onversionchange = () => db.close();
    } catch { db = null; }
  })();

  // What the device did not take, because it is full, stays in memory behind it.
  async function all(place) {
    await opened;
    const kept = db ? await done(db.transaction(place).objectStore(place).getAll()) : [];
    return kept.concat(inMemory[place]);
  }
  async function add(place, what) {
    await opened;
    if (db && inMemory[place].length === 0) {
      try { await done(db.transaction(place, "readwrite").objectStore(place).add(what)); return; } catch {}
    }
    inMemory[place].push({...what, n: "memory " + ++number});
  }
  async function drop(place, n) {
    await opened;
    if (typeof n === "string") inMemory[place] = inMemory[place].filter(t => t.n !== n);
    else await done(db.transaction(place, "readwrite").objectStore(place).delete(n));
  }

  // A request id has the form of a UUID. randomUUID is there only over TLS or
  // on this computer, random numbers everywhere.
  function id() {
    if (crypto.randomUUID) return crypto.randomUUID();
    const b = crypto.getRandomValues(new Uint8Array(16));
    b[6] = b[6] & 0x0f | 0x40;
    b[8] = b[8] & 0x3f | 0x80;
    const hex = [...b].map(x => x.toString(16).padStart(2, "0")).join("");
    return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
  }

  // post asks the server; it throws when nobody answered who knows the tap. An
  // error with a status is a server that was reached and could not take it.
  async function post(tap) {
    const body = new URLSearchParams({task: tap.task, act: tap.act, at: String(Math.round(tap.at)), request: tap.id});
    if (tap.lot) body.set("lot", tap.lot);
    if (tap.cones) body.set("cones", String(tap.cones));
    if (tap.kg) body.set("kg", String(tap.kg));
    if (tap.of) body.set("of", tap.of);
    const answer = await ask("/creel/tap", {method: "POST", headers: {Accept: "application/json"}, body});
    const said = (answer.headers.get("Content-Type") || "").includes("json") ? await answer.json() : {};
    if (said.request !== tap.id || !said.state && !said.refused) throw failed("no answer to this tap", answer.status);
    return said;
  }
  const failed = (what, status) => Object.assign(new Error(what + ": " + status), status >= 500 ? {status} : {});
  async function ask(url, options) {
    const stop = new AbortController(), timer = setTimeout(() => stop.abort(), 10000);
    try {
      return await fetch(url, {cache: "no-store", credentials: "same-origin", signal: stop.signal, ...options});
    } finally { clearTimeout(timer); }
  }

  // Two pages of one device must not send at the same time, or the order is lost.
  const alone = work => navigator.locks ? navigator.locks.request("turnwise-taps", work) : work();

  // flush sends what is kept. heard(tap, answer) is called for each; it throws
  // at the first that nobody answered, and that one stays the first.
  const flush = heard => alone(async () => {
    for (let list = await all("taps"); list.length > 0; list = await all("taps")) {
      const tap = list[0], answer = await post(tap);
      if (answer.refused) {
        const {n, ...rest} = tap;
        await add("refused", {...rest, refused: answer.refused});
        for (const t of list) if (t.of === tap.id) await drop("taps", t.n); // nothing to take back
      }
      await drop("taps", tap.n);
      await heard(tap, answer);
    }
  });

  self.creelTaps = {
    id, flush, all, drop,
    add: tap => add("taps", tap),
    // A warning stays like a refusal until it was seen, but the tap counts.
    warn: (tap, text) => { const {n, ...rest} = tap; return add("refused", {...rest, refused: {head: "Look at the lot", text}}); },
    probe: async () => { const a = await ask("/healthz", {}); if (!a.ok) throw failed("the server is not well", a.status); },
    lasting: async () => { await opened; return db !== null && inMemory.taps.length === 0; },
  };
})();

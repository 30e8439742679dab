// Photos on their way to the computer: kept in the phone's own store until the computer has them
// whole, so that neither a lost connection nor a closed page loses one. What is shown is page.js'.
"use strict";

const Sending = (() => {
  const PIECE = 1 << 20;
  const WAIT_MS = [500, 1000, 2000, 4000, 8000];
  const waiting = new Map(); // token -> {token, shoot, name, size, file, sent, state, sentence}
  const listeners = new Set();
  let busy = false;
  let wake = () => {};

  const tell = () => listeners.forEach((f) => f());
  const pause = (ms) => new Promise((resolve) => {
    const timer = setTimeout(resolve, ms);
    wake = () => { clearTimeout(timer); resolve(); };
  });

  const store = new Promise((resolve) => {
    let ask;
    try { ask = indexedDB.open("fitscan-sending", 1); } catch (error) { resolve(null); return; }
    ask.onupgradeneeded = () => ask.result.createObjectStore("photos", { keyPath: "token" });
    ask.onsuccess = () => resolve(ask.result);
    ask.onerror = () => resolve(null); // A private window keeps nothing: send from memory alone.
  });
  const inStore = async (mode, act) => {
    const base = await store;
    if (!base) return undefined;
    return new Promise((resolve) => {
      const turn = base.transaction("photos", mode);
      const asked = act(turn.objectStore("photos"));
      turn.oncomplete = () => resolve(asked.result);
      turn.onabort = turn.onerror = () => resolve(undefined);
    });
  };

  async function call(method, url, body, headers) {
    const answer = await fetch(url, {
      method, body, headers: { "X-Fitscan": "1", ...(headers || {}) }, credentials: "same-origin",
    });
    const said = await answer.json().catch(() => ({}));
    if (!answer.ok) {
      const error = new Error(said.error || "The computer did not understand.");
      error.status = answer.status;
      throw error;
    }
    return said;
  }

  async function send(photo) {
    const asked = JSON.stringify({ shoot: photo.shoot, name: photo.name, size: photo.size, token: photo.token });
    const opened = await call("POST", "/api/photos", asked, { "Content-Type": "application/json" });
    photo.sent = opened.arrived;
    for (;;) {
      const piece = photo.file.slice(photo.sent, photo.sent + PIECE);
      let said;
      try {
        said = await call("PATCH", `/api/photos/${opened.ticket}`, piece, { "Upload-Offset": String(photo.sent) });
      } catch (error) {
        if (error.status !== 409) throw error;
        photo.sent = (await call("GET", `/api/photos/${opened.ticket}`)).arrived;
        continue;
      }
      photo.sent = said.arrived;
      tell();
      if (said.photo) return said.photo;
    }
  }

  async function run() {
    if (busy) return;
    busy = true;
    let failures = 0;
    for (;;) {
      const photo = [...waiting.values()].find((p) => p.state === "waiting");
      if (!photo) break;
      try {
        const seen = await send(photo);
        Object.assign(photo, { state: seen.mark, sentence: seen.sentence, sent: photo.size, file: null });
        await inStore("readwrite", (s) => s.delete(photo.token));
        failures = 0;
      } catch (error) {
        if (error.status && error.status < 500 && error.status !== 401 && error.status !== 429) {
          Object.assign(photo, { state: "bad", sentence: error.message, file: null });
          await inStore("readwrite", (s) => s.delete(photo.token));
        } else {
          photo.sentence = error.status ? error.message : "No connection: it goes on by itself.";
          tell();
          await pause(WAIT_MS[Math.min(failures++, WAIT_MS.length - 1)]);
        }
      }
      tell();
    }
    busy = false;
  }

  async function add(shoot, files) {
    for (const file of files) {
      const token = `${shoot}|${file.name}|${file.size}|${file.lastModified}`.slice(-100);
      const photo = { token, shoot, name: file.name, size: file.size, file, sent: 0, state: "waiting", sentence: "" };
      waiting.set(token, photo);
      await inStore("readwrite", (s) => s.put({ token, shoot, name: file.name, size: file.size, file }));
    }
    tell();
    run();
  }

  async function resume() {
    for (const kept of (await inStore("readonly", (s) => s.getAll())) || []) {
      if (!waiting.has(kept.token)) waiting.set(kept.token, { ...kept, sent: 0, state: "waiting", sentence: "" });
    }
    tell();
    run();
  }

  window.addEventListener("online", () => wake());
  window.addEventListener("beforeunload", (event) => {
    if ([...waiting.values()].some((p) => p.state === "waiting")) event.preventDefault();
  });
  return {
    add, call, resume,
    of: (shoot) => [...waiting.values()].filter((p) => p.shoot === shoot),
    left: () => [...waiting.values()].filter((p) => p.state === "waiting").length,
    watch: (f) => listeners.add(f),
    forget: (f) => listeners.delete(f),
  };
})();

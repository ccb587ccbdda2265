/* The only file that speaks with the server: keys, questions, steps, and one stream of events a browser. */
"use strict";
const deskWire = (() => {
  const STORE = "meshplan-desk",
    VERSION = 1,
    AGAIN_MS = 1500,
    GIVE_UP_MS = 20000;
  const listeners = [];
  let session = sessionStorage.getItem(STORE) || "",
    last = "";

  class Refused extends Error {
    constructor(status, told) {
      super(told.words || `refused (${status})`);
      this.status = status;
      this.faults = told.faults || [];
      this.choices = told.choices || [];
    }
  }

  async function speak(method, path, message) {
    const headers = { "meshplan-key": session };
    if (message) headers["Content-Type"] = "application/json";
    const answer = await fetch(path, { method, headers, body: message ? JSON.stringify({ v: VERSION, ...message }) : undefined });
    const told = (answer.headers.get("content-type") || "").startsWith("application/json")
      ? await answer.json()
      : { words: await answer.text() };
    if (!answer.ok) throw new Refused(answer.status, told);
    return told;
  }

  /* The key behind # is good once: exchanged at the start, and gone from the address. */
  async function enter() {
    const key = location.hash.startsWith("#key=") ? location.hash.slice(5) : "";
    if (!key) return;
    history.replaceState(null, "", location.pathname);
    const told = await speak("POST", "/enter", { key });
    session = told.desk;
    sessionStorage.setItem(STORE, session);
  }

  const pass = (kind, data) => listeners.forEach((act) => act(kind, data));

  /* Events by fetch: the session key goes along, which an EventSource cannot send. */
  async function read(share) {
    const headers = { "meshplan-key": session };
    if (last) headers["Last-Event-ID"] = last;
    const answer = await fetch("/events", { headers });
    if (!answer.ok) throw new Refused(answer.status, { words: await answer.text() });
    const reader = answer.body.pipeThrough(new TextDecoderStream()).getReader();
    let text = "";
    for (;;) {
      const { value, done } = await reader.read();
      if (done) return false;
      text += value;
      for (let end = text.indexOf("\n\n"); end >= 0; end = text.indexOf("\n\n")) {
        const event = { kind: "", data: {} };
        for (const line of text.slice(0, end).split("\n")) {
          if (line.startsWith("id: ")) last = line.slice(4);
          if (line.startsWith("event: ")) event.kind = line.slice(7);
          if (line.startsWith("data: ")) event.data = JSON.parse(line.slice(6));
        }
        text = text.slice(end + 2);
        if (event.kind === "bye") return true;
        if (event.kind) share(event);
      }
    }
  }

  /* One window of a browser holds the stream and passes events on to the others. */
  function listen(act) {
    listeners.push(act);
    if (listeners.length > 1) return;
    const channel = new BroadcastChannel(`${STORE}-${location.port}`);
    channel.onmessage = ({ data }) => pass(data.kind, data.data);
    const share = (event) => {
      channel.postMessage(event);
      pass(event.kind, event.data);
    };
    navigator.locks.request(STORE, async () => {
      for (let lostAt = 0; ;) {
        try {
          if (await read(share)) return;
          lostAt = lostAt || Date.now();
        } catch (error) {
          if (error instanceof Refused) {
            share({ kind: "shut", data: { words: error.message } });
            return;
          }
          lostAt = lostAt || Date.now();
        }
        if (Date.now() - lostAt > GIVE_UP_MS) {
          share({ kind: "shut", data: { words: "" } });
          return;
        }
        share({ kind: "waiting", data: {} });
        await new Promise((done) => setTimeout(done, AGAIN_MS));
        if (await alive()) lostAt = 0;
      }
    });
  }

  async function alive() {
    try {
      return (await fetch("/paper/desk.css")).ok;
    } catch {
      return false;
    }
  }

  /* A file goes up as it is; its name stands in the address. */
  async function send(path, name, file) {
    const headers = { "meshplan-key": session, "Content-Type": "application/octet-stream" };
    const answer = await fetch(`${path}?name=${encodeURIComponent(name)}`, { method: "POST", headers, body: file });
    const told = (answer.headers.get("content-type") || "").startsWith("application/json")
      ? await answer.json()
      : { words: await answer.text() };
    if (!answer.ok) throw new Refused(answer.status, told);
    return told;
  }

  /* A picture or a written file comes with the session key, which an address alone does not carry. */
  async function blobAndScale(path) {
    const answer = await fetch(path, { headers: { "meshplan-key": session } });
    if (!answer.ok) throw new Refused(answer.status, { words: await answer.text() });
    return { address: URL.createObjectURL(await answer.blob()), scale: Number(answer.headers.get("meshplan-pixels")) || 1 };
  }

  return {
    enter,
    send,
    blobAndScale,
    blob: async (path) => (await blobAndScale(path)).address,
    listen,
    ask: (path) => speak("GET", path),
    tell: (path, message) => speak("POST", path, message || {}),
  };
})();

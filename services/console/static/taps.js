"use strict";
// A tap is kept in this browser's own storage, with its time, until it is known to be done. It is
// sent in the order in which it was made; sent twice, it makes one fact, because its mark stays.
// Words and ids only are kept: no password, and no proof of a form.

(() => {
  const frame = document.querySelector("[data-board]");
  if (!frame) return;
  const PREFIX = "gomphosis.tap.";
  // The lengths are invented.
  const RETRY_MS = 3000;
  const FORGET_DONE_MS = 60 * 1000;
  // A second tap of a double one, or one on a board that changed under the finger, does nothing.
  const STEADY_MS = 700;
  const body = document.body;
  const here = document.getElementById("taps");
  const list = here.querySelector("[data-taps-list]");
  const words = here.querySelector("[data-taps-words]");
  const person = frame.dataset.person;
  // What the server's clock is ahead of this device's, so that a tap's time is the server's.
  const ahead = Date.parse(frame.dataset.now) - Date.now();
  const STATES = {
    waiting: "waits for the connection",
    sending: "being sent",
    sent: "sent, waiting for the result",
    done: "done",
    refused: "not done",
  };
  let busy = false;
  let timer = 0;
  let lookTimer = 0;
  let tappedAt = 0;
  let tappedId = "";
  let aims = new Map();
  const movedAt = new Map();
  let storage = null;
  try {
    storage = window.localStorage;
    storage.setItem(`${PREFIX}try`, "1");
    storage.removeItem(`${PREFIX}try`);
  } catch {
    storage = null;
  }

  const all = () => {
    const found = [];
    for (let n = 0; storage && n < storage.length; n += 1) {
      const key = storage.key(n);
      if (key.startsWith(PREFIX)) {
        try {
          found.push(JSON.parse(storage.getItem(key)));
        } catch {
          storage.removeItem(key);
        }
      }
    }
    return found.sort((a, b) => a.number - b.number || (a.tap < b.tap ? -1 : 1));
  };
  const write = (one) => storage.setItem(PREFIX + one.tap, JSON.stringify(one));
  const forget = (one) => storage.removeItem(PREFIX + one.tap);
  const change = (one, values) => {
    const stored = storage.getItem(PREFIX + one.tap);
    if (stored) write({ ...JSON.parse(stored), ...values });
    show();
  };
  const pathOf = (form) => new URL(form.action).pathname;
  const ours = () => all().filter((one) => one.person === person);

  // Keeps one tap and begins to send. False: it cannot be kept, and the form goes as a form does.
  function take(form) {
    if (!storage) return false;
    const fields = Object.fromEntries(new FormData(form));
    const at = Date.now() + ahead;
    delete fields.csrf;
    if (form.dataset.ready) joinReady(fields, form);
    if (storage.getItem(PREFIX + fields.tap)) return true;
    const known = all();
    const number = known.length ? known[known.length - 1].number + 1 : 1;
    try {
      write({
        tap: fields.tap, number, person, title: frame.dataset.title, at, state: "waiting",
        action: pathOf(form), fields, words: form.dataset.tap,
      });
    } catch {
      return false;
    }
    show();
    send();
    return true;
  }

  // A readiness check tells all three at once: what waits in this browser is part of it.
  function joinReady(fields, form) {
    const own = form.dataset.ready;
    const pending = ours().filter(
      (one) => one.fields.what === "ready" && one.action === pathOf(form)
        && ["waiting", "sending", "sent"].includes(one.state),
    );
    const last = pending[pending.length - 1];
    if (!last) return;
    for (const name of ["plane", "people", "cover"]) {
      if (name !== own) fields[name] = last.fields[name];
    }
  }

  async function send() {
    if (busy || !storage) return;
    busy = true;
    clearTimeout(timer);
    try {
      for (const one of ours()) {
        if (one.state === "sending") one.state = "waiting";
        if (one.state === "waiting" && !(await sendOne(one))) break;
      }
    } finally {
      busy = false;
      show();
    }
    if (ours().some((one) => one.state === "waiting")) {
      timer = setTimeout(send, RETRY_MS);
    }
  }

  // True: go on with the next. A lost line, a busy server or an ended session: try again later.
  async function sendOne(one) {
    change(one, { state: "sending" });
    const content = new URLSearchParams({
      ...one.fields, tapped_at: new Date(one.at).toISOString(),
    });
    let answer;
    try {
      answer = await fetch(one.action, {
        method: "POST", body: content,
        headers: {
          "X-CSRF-Token": document.querySelector("meta[name=csrf]").content, "HX-Request": "true",
        },
      });
    } catch {
      change(one, { state: "waiting", why: "" });
      htmx.trigger(body, "htmx:sendError");
      return false;
    }
    if (answer.ok) {
      const told = await answer.json();
      change(one, { state: "sent", key: told.key, known: told.known, why: "" });
      settle();
      return true;
    }
    if (answer.status === 401) {
      change(one, { state: "waiting", why: "sign in again to send it" });
      htmx.trigger(body, "htmx:sendError");
      return false;
    }
    const why = await reason(answer);
    if (answer.status === 429 || answer.status >= 500) {
      change(one, { state: "waiting", why });
      return false;
    }
    change(one, { state: "refused", why });
    return true;
  }

  async function reason(answer) {
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const told = page.querySelector(".notice");
    return told ? told.textContent.replace(/\s+/g, " ").trim() : `answer ${answer.status}`;
  }

  // What was sent is done once the board of its patient rests on it.
  function settle() {
    settleBy(document);
    clearTimeout(lookTimer);
    const elsewhere = all().filter((one) => one.state === "sent" && !isHere(one));
    if (elsewhere.length) lookTimer = setTimeout(() => lookAt(elsewhere[0]), RETRY_MS);
  }
  const isHere = (one) => one.action === frame.dataset.tapsAt;
  async function lookAt(one) {
    try {
      const answer = await fetch(one.action.replace(/taps$/, "now"), { headers: { "HX-Request": "true" } });
      if (answer.ok) settleBy(new DOMParser().parseFromString(await answer.text(), "text/html"));
    } catch {
      htmx.trigger(body, "htmx:sendError"); // it is asked for again, as long as it is not settled
    }
    settle();
  }
  function settleBy(page) {
    const part = page.querySelector("[data-settled]");
    const settled = new Set(part ? part.dataset.settled.split("\n") : []);
    for (const one of all()) {
      if (one.state === "sent" && settled.has(one.key)) {
        change(one, { state: "done", done: Date.now() });
      } else if (one.state === "done" && Date.now() - one.done > FORGET_DONE_MS) {
        forget(one);
      }
    }
    show();
  }

  function show() {
    const known = all();
    here.hidden = known.length === 0;
    const waiting = known.filter((one) => ["waiting", "sending"].includes(one.state)).length;
    const refused = known.filter((one) => one.state === "refused").length;
    const said = [];
    if (waiting) said.push(`${waiting} ${waiting === 1 ? "tap is" : "taps are"} kept here and not sent yet`);
    if (refused) said.push(`${refused} not done: look below`);
    const text = said.length ? `${said.join("; ")}.` : "Your taps:";
    if (words.textContent !== text) words.textContent = text;
    list.replaceChildren(...known.map(row));
  }

  function row(one) {
    const item = document.createElement("li");
    item.dataset.state = one.state;
    const time = new Date(one.at - ahead).toLocaleTimeString([], { hour12: false });
    const mark = { done: "✓", refused: "!", sent: "…", waiting: "○", sending: "…" }[one.state];
    const said = document.createElement("p");
    const whose = one.person === person ? "" : ` (of ${one.title}, who has to sign in to send it)`;
    said.textContent = `${mark} ${time} ${one.words}: ${STATES[one.state]}${whose}${one.why ? `. ${one.why}` : ""}`;
    item.append(said);
    if (one.state === "refused") item.append(button("Send again", () => {
      change(one, { state: "waiting", why: "" });
      location.reload();
    }));
    if (one.state === "waiting" && !busy) item.append(button("Remove, do not send", () => { forget(one); show(); }));
    if (["refused", "done"].includes(one.state)) item.append(button("Put away", () => { forget(one); show(); }));
    return item;
  }

  function button(text, act) {
    const made = document.createElement("button");
    made.type = "button";
    made.className = "plain";
    made.textContent = text;
    made.addEventListener("click", act);
    return made;
  }

  // What each button of the board is about. One that is about something else than a moment ago
  // waits a moment, lest a finger on its way hits what it did not aim at.
  const targets = () => new Map(
    [...document.querySelectorAll("#board form[data-tap]")]
      .filter((form) => form.elements.image || form.elements.key)
      .map((form) => [form.querySelector("button").id, form]),
  );
  const aim = (form) => (form.elements.image || form.elements.key).value;
  const holdMoved = () => {
    const now = targets();
    for (const [id, form] of now) {
      if (aims.has(id) && aims.get(id) !== aim(form)) movedAt.set(id, Date.now());
      // Also where the board is renewed once more meanwhile, with new buttons.
      const left = STEADY_MS - (Date.now() - movedAt.get(id));
      if (!(left > 0)) continue;
      form.dataset.moved = "yes";
      setTimeout(() => { delete form.dataset.moved; }, left);
    }
    aims = new Map([...now].map(([id, form]) => [id, aim(form)]));
  };
  const isSteady = (form) => {
    const again = form.querySelector("button").id === tappedId && Date.now() - tappedAt < STEADY_MS;
    return !again && !form.dataset.moved;
  };
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-tap]");
    if (!form) return;
    if (!isSteady(form)) {
      event.preventDefault();
      return;
    }
    if (!take(form)) return;
    event.preventDefault();
    tappedAt = Date.now();
    tappedId = form.querySelector("button").id;
    form.dispatchEvent(new CustomEvent("tap:taken", { bubbles: true }));
  });
  body.addEventListener("htmx:afterSwap", holdMoved); // not a moment later: it can be hit from now on
  body.addEventListener("htmx:afterSettle", settle);
  body.addEventListener("console:back", send);
  window.addEventListener("online", send);
  window.addEventListener("storage", show);
  holdMoved();
  settle();
  send();
})();

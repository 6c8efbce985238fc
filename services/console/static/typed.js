"use strict";
// What somebody is typing outlasts the end of their session: typing counts as a tap, and where the
// session ends all the same, the words are put back for the same person in the same tab.
// Never a password, and nothing once it was sent. Forms with data-note-form keep their own words.

(() => {
  const KEY = "gomphosis.typed";
  // Both lengths are invented.
  const KEEP_MS = 12 * 3600 * 1000;
  const STAY_EVERY_MS = 20000;
  const body = document.body;
  const person = body.dataset.signedIn;
  const here = location.pathname;
  const notice = document.querySelector("[data-typed-notice]");
  const read = () => {
    try {
      const kept = JSON.parse(sessionStorage.getItem(KEY));
      return kept && Date.now() - kept.at < KEEP_MS ? kept : null;
    } catch {
      return null;
    }
  };
  const write = (kept) => {
    try {
      sessionStorage.setItem(KEY, JSON.stringify(kept));
    } catch {
      notice.hidden = true; // this browser keeps nothing, so nothing is promised
    }
  };
  const forget = () => sessionStorage.removeItem(KEY);

  if (!person) {
    // The form to sign in, or the word that nobody is signed in: what was sent last was not done.
    const kept = read();
    if (kept) write({ ...kept, ended: true });
    return;
  }

  const isWords = (field) =>
    field.matches("textarea, input[type=text], input[type=number], input:not([type])") &&
    field.name && field.form && field.form.method === "post" && !("noteForm" in field.form.dataset);
  const nameOf = (field) => {
    const same = [...document.getElementsByName(field.name)].filter(
      (one) => one.form && one.form.action === field.form.action);
    return `${new URL(field.form.action).pathname} ${field.name} ${same.indexOf(field)}`;
  };

  // Words of somebody else, of another page, or of a form that was sent, are not put back.
  const kept = read();
  const isMine = kept && kept.person === person && kept.ended;
  if (kept && !isMine) forget();
  const putBack = () => {
    const now = read();
    if (!isMine || !now || now.path !== here) return;
    for (const field of document.querySelectorAll("textarea, input")) {
      const words = isWords(field) ? now.words[nameOf(field)] : undefined;
      if (words === undefined || field.value !== field.defaultValue || field.value === words) continue;
      field.value = words;
      const fold = field.closest("details");
      if (fold) fold.open = true;
      notice.hidden = false;
    }
  };
  putBack();
  body.addEventListener("htmx:afterSettle", putBack);

  let stayedAt = 0;
  body.addEventListener("input", (event) => {
    const field = event.target;
    if (field.matches("textarea, input") && Date.now() - stayedAt > STAY_EVERY_MS) {
      stayedAt = Date.now();
      body.dispatchEvent(new CustomEvent("console:typing"));
    }
    if (!isWords(field)) return;
    const old = read();
    const words = old && old.path === here ? old.words : {};
    write({ person, path: here, at: Date.now(), words: { ...words, [nameOf(field)]: field.value } });
  });
  // Who goes takes their words along: the tablet is handed on.
  document.addEventListener("submit", (event) => {
    if (/^\/(sign-out|switch)/.test(new URL(event.target.action).pathname)) forget();
  });
})();

"use strict";
// The notes desk: words are saved in this browser while they are typed, a note that changed is
// shown anew unless somebody is typing, and nobody signs beside words that are not kept.

(() => {
  const root = document.querySelector("[data-notes-person]");
  const printer = document.querySelector("[data-note-print]");
  if (printer) printer.addEventListener("click", () => window.print());
  const study = root && root.dataset.notesStudy;
  if (!study) return;

  // The length is invented.
  const KEEP_MS = 24 * 3600 * 1000;
  const PREFIX = `note-words:${root.dataset.notesPerson}:`;
  const keyOf = (form) => `${PREFIX}${study}:${form.dataset.noteForm}`;
  const areaOf = (form) => form.querySelector("textarea");
  const forms = () => document.querySelectorAll("#note form[data-note-form]");
  const isTyped = (form) => areaOf(form).value !== areaOf(form).defaultValue;
  const stored = (key) => {
    try {
      return JSON.parse(localStorage.getItem(key));
    } catch {
      return null;
    }
  };

  // Words of others who used this browser stay theirs; old ones go.
  for (const key of Object.keys(localStorage)) {
    if (!key.startsWith("note-words:")) continue;
    const kept = stored(key);
    if (!kept || Date.now() - kept.at > KEEP_MS) localStorage.removeItem(key);
  }

  function tell(form, words) {
    const place = form.querySelector("[data-note-told]");
    if (place) {
      place.hidden = !words;
      place.textContent = words;
    }
    const discard = form.querySelector("[data-note-discard]");
    if (discard) discard.hidden = !words;
  }
  function restore() {
    for (const form of forms()) {
      const kept = stored(keyOf(form));
      if (!kept) continue;
      if (kept.text === areaOf(form).defaultValue) {
        localStorage.removeItem(keyOf(form));
        continue;
      }
      areaOf(form).value = kept.text;
      const fold = form.closest("details");
      if (fold) fold.open = true;
      tell(form, "Found again in this browser, not kept in the note yet.");
    }
  }
  restore();

  document.addEventListener("input", (event) => {
    const form = event.target.closest("#note form[data-note-form]");
    if (!form || event.target !== areaOf(form)) return;
    if (isTyped(form)) {
      localStorage.setItem(keyOf(form), JSON.stringify({ at: Date.now(), text: areaOf(form).value }));
      tell(form, "Saved in this browser, not kept in the note yet.");
    } else {
      localStorage.removeItem(keyOf(form));
      tell(form, "");
    }
  });
  document.addEventListener("click", (event) => {
    const discard = event.target.closest("[data-note-discard]");
    if (discard) {
      const form = discard.closest("form");
      areaOf(form).value = areaOf(form).defaultValue;
      localStorage.removeItem(keyOf(form));
      tell(form, "");
      areaOf(form).focus();
      look();
    }
    if (event.target.closest("[data-note-fresh]")) htmx.trigger(document.body, "note:fresh");
  });
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (form.dataset.sending) return event.preventDefault();
    if (form.matches("[data-note-sign]")) {
      const unkept = [...forms()].find((one) => one.dataset.noteForm !== "addendum" && isTyped(one));
      form.querySelector("[data-note-unkept]").hidden = !unkept;
      if (unkept) {
        event.preventDefault();
        const fold = unkept.closest("details");
        if (fold) fold.open = true;
        return areaOf(unkept).focus();
      }
    }
    if (form.closest("#note")) form.dataset.sending = "yes";
  });
  // Come back by the browser's own button: forms may be sent again.
  window.addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sending]")) delete form.dataset.sending;
  });

  const isWriting = () => document.activeElement?.matches("#note textarea, #note input") ?? false;
  const isBusy = () => isWriting() || [...forms()].some(isTyped);
  // The page shows one state of the note; what it is by now is told beside it.
  function look() {
    const now = document.getElementById("standing");
    const shown = document.querySelector("#note [data-stamp]");
    const notice = document.querySelector("[data-note-changed]");
    if (!now || !shown) return;
    const isOld = now.dataset.stamp !== shown.dataset.stamp;
    notice.hidden = !(isOld && isBusy());
    if (isOld && !isBusy()) htmx.trigger(document.body, "note:fresh");
  }
  // Somebody may have begun to type, or opened a section, while the note was fetched.
  let opened = [];
  document.body.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.target.id !== "note") return;
    if (isWriting()) {
      event.detail.shouldSwap = false;
      look();
    }
    opened = [...document.querySelectorAll("#note section > details.edit[open]")].map((one) => one.parentElement.id);
  });
  // At once: another answer may come before this one has settled.
  document.body.addEventListener("htmx:afterSwap", (event) => {
    if (!event.detail.target.closest("#note")) return;
    for (const id of opened) {
      const fold = document.querySelector(`#${CSS.escape(id)} > details.edit`);
      if (fold) fold.open = true;
    }
    opened = [];
    restore();
  });
  document.body.addEventListener("htmx:afterSettle", look);
  // Keys with Alt alone: what one types is never taken for one (WCAG 2.1.4; from memory).
  document.addEventListener("keydown", (event) => {
    if (!event.altKey || event.ctrlKey || event.metaKey || event.shiftKey) return;
    const key = event.code.startsWith("Key") ? event.code.slice(3).toLowerCase() : "";
    const meant = key && document.querySelector(`main [data-key="${key}"]`);
    if (!meant) return;
    event.preventDefault();
    meant.focus();
    meant.scrollIntoView({ block: "center" });
    if (meant.matches("a")) meant.click();
  });
  document.addEventListener("focusout", () => setTimeout(look, 0));
})();

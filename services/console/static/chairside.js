"use strict";
// The board beside the patient: what opens over it, what it says aloud, and how it shows its age.

(() => {
  const board = document.getElementById("board");
  if (!document.querySelector("[data-board]")) return;
  const body = document.body;
  // Both lengths are invented.
  const AGAIN_MS = 3000;
  const STEADY_MS = 700;

  // A mark of a new tap, as the server makes them. Also where a page comes over plain http.
  const newTap = () => Array.from(
    crypto.getRandomValues(new Uint8Array(16)), (one) => one.toString(16).padStart(2, "0"),
  ).join("");

  function open(button) {
    const dialog = document.getElementById(`dialog-${button.dataset.open}`);
    const words = dialog.querySelector("[data-words]");
    if (words) words.textContent = button.dataset.words;
    for (const form of dialog.querySelectorAll("form[data-tap]")) {
      form.elements.tap.value = newTap();
      for (const name of ["image", "view"]) {
        const named = form.elements[name];
        if (named && button.dataset[name]) named.value = button.dataset[name];
      }
      form.dataset.label ||= form.dataset.tap;
      form.dataset.tap = button.dataset.words ? `${button.dataset.words}. ${form.dataset.label}` : form.dataset.label;
    }
    // The second tap of a double one must not hit what has just opened under the finger.
    const choices = [...dialog.querySelectorAll("form[data-tap] button")];
    const able = (is) => { for (const one of choices) one.disabled = !is; };
    able(false);
    dialog.showModal();
    setTimeout(() => able(true), STEADY_MS);
  }

  document.addEventListener("click", (event) => {
    const opener = event.target.closest("[data-open]");
    if (opener) open(opener);
    const closer = event.target.closest("[data-close]");
    if (closer) closer.closest("dialog").close();
  });
  document.addEventListener("tap:taken", (event) => {
    const form = event.target;
    const dialog = form.closest("dialog");
    if (dialog) dialog.close();
    const button = form.querySelector("button");
    if (!dialog && button) button.setAttribute("aria-busy", "true");
    const other = form.elements.other;
    if (other) other.value = "";
  });

  // A board that cannot be renewed stays as it is, says that it is old, and asks again.
  const old = (is) => { body.dataset.old = is ? "yes" : ""; };
  body.addEventListener("console:lost", () => old(true));
  body.addEventListener("htmx:beforeSwap", (event) => {
    if (event.detail.target !== board || event.detail.xhr.status < 400) return;
    event.detail.shouldSwap = false;
    old(true);
    setTimeout(() => htmx.trigger(body, "console:back"), AGAIN_MS);
  });

  // The newest exposure or image is said to who listens; the rest of a renewed board is not.
  const said = document.querySelector("[data-said]");
  let last = "";
  const say = () => {
    const newest = board.querySelector("#newest-title");
    const text = newest ? newest.textContent : "";
    if (last && text !== last) said.textContent = text;
    last = text;
  };
  body.addEventListener("htmx:afterSettle", (event) => {
    if (event.detail.target !== board) return;
    old(false);
    say();
  });
  say();
})();

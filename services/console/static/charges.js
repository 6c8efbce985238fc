"use strict";
// The list of exceptions by keyboard, and all ticks at once. The page works without it.

(() => {
  const form = document.querySelector("[data-picks]");
  if (!form) return;
  const ticks = () => [...form.querySelectorAll("[data-line] input[type=checkbox]")];
  const hint = form.querySelector("[data-hint]");
  const all = form.querySelector("[data-all]");
  hint.hidden = false;
  all.hidden = false;
  all.querySelector("input").addEventListener("change", (event) => {
    ticks().forEach((tick) => { tick.checked = event.target.checked; });
  });
  form.addEventListener("keydown", (event) => {
    const own = ticks();
    const place = own.indexOf(event.target);
    if (place < 0) return;
    const to = { ArrowDown: place + 1, ArrowUp: place - 1, Home: 0, End: own.length - 1 }[event.key];
    if (to !== undefined) {
      event.preventDefault();
      own[Math.max(0, Math.min(own.length - 1, to))].focus();
    } else if (event.key === "Enter") {
      event.preventDefault();
      event.target.closest("[data-line]").querySelector("a.evidence").click();
    }
  });
})();

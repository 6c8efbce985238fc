"use strict";
// What every page does in the browser: theme, lost connection, and the end of a session.
// Pages work without it, but for what goes on by itself.

(() => {
  const body = document.body;
  const part = (name) => document.querySelector(`[data-${name}]`);
  const csrf = () => document.querySelector("meta[name=csrf]").content;

  // Theme: as the device, dark, light, and round again. The server reads the cookie.
  const THEMES = ["", "dark", "light"];
  const WORDS = { "": "as the device", dark: "dark", light: "light" };
  const themeButton = part("theme-button");
  const showTheme = () => {
    themeButton.textContent = `Theme: ${WORDS[document.documentElement.dataset.theme || ""]}`;
  };
  themeButton.addEventListener("click", () => {
    const now = document.documentElement.dataset.theme || "";
    const next = THEMES[(THEMES.indexOf(now) + 1) % THEMES.length];
    if (next) document.documentElement.dataset.theme = next;
    else delete document.documentElement.dataset.theme;
    const age = next ? 31536000 : 0;
    document.cookie = `theme=${next}; path=/; max-age=${age}; samesite=lax`;
    showTheme();
  });
  showTheme();

  if (!body.dataset.signedIn) return;

  // The length is invented.
  const LOOK_MS = 2000;
  const WARN_S = 60;
  const offlineNotice = part("offline-notice");
  const sessionNotice = part("session-notice");
  const sessionLeft = part("session-left");
  let timer = 0;
  let endsAt = Infinity;

  // Once: a second call would break off the first.
  let leaving = false;
  const toSignIn = () => {
    if (leaving) return;
    leaving = true;
    const here = encodeURIComponent(location.pathname + location.search);
    location.assign(`/sign-in?why=ended&next=${here}`);
  };
  const lookAgainIn = (ms) => {
    clearTimeout(timer);
    timer = setTimeout(look, ms);
  };
  const connection = (isThere) => {
    const wasThere = offlineNotice.hidden;
    offlineNotice.hidden = isThere;
    // Parts of a page that may be old have hx-trigger="... , console:back from:body".
    if (isThere && !wasThere) htmx.trigger(body, "console:back");
    if (!isThere && wasThere) htmx.trigger(body, "console:lost");
  };

  // Asks how long the session goes on: seldom, and often once it ends soon or the line is lost.
  async function look() {
    try {
      const answer = await fetch("/session", { headers: { "HX-Request": "true" } });
      if (answer.status === 401) return toSignIn();
      if (!answer.ok) throw new Error("not now");
      const left = (await answer.json()).left_s;
      endsAt = Date.now() + left * 1000;
      connection(true);
      showEnd();
      lookAgainIn(left <= WARN_S ? LOOK_MS : Math.max(LOOK_MS, Math.min(30000, (left - WARN_S) * 1000)));
    } catch {
      connection(false);
      lookAgainIn(LOOK_MS);
    }
  }
  function showEnd() {
    const left = Math.max(0, Math.round((endsAt - Date.now()) / 1000));
    if (left <= WARN_S) sessionLeft.textContent = String(left);
    sessionNotice.hidden = left > WARN_S;
  }
  const stay = async () => {
    try {
      await fetch("/session/stay", { method: "POST", headers: { "X-CSRF-Token": csrf() }, body: "" });
    } catch {
      connection(false);
    }
    look();
  };
  part("session-stay").addEventListener("click", stay);
  body.addEventListener("console:typing", stay); // whoever types is there

  window.addEventListener("offline", () => { connection(false); lookAgainIn(LOOK_MS); });
  window.addEventListener("online", look);
  window.addEventListener("pageshow", (event) => {
    if (!event.persisted) return; // back again, as it was left
    leaving = false;
    look();
  });
  body.addEventListener("htmx:beforeOnLoad", (event) => {
    if (event.detail.xhr.status !== 401) return;
    event.preventDefault(); // its own redirect would be a second one
    toSignIn();
  });
  body.addEventListener("htmx:sendError", look);
  body.addEventListener("htmx:sseError", look);
  body.addEventListener("htmx:sseOpen", (event) => {
    const source = event.detail.source;
    source.addEventListener("ended", toSignIn);
    source.addEventListener("reload", () => location.reload());
  });
  look();
})();

"use strict";
// Keeps the page current. The page can be read without it.
// A picture that may be old must never pass for a fresh one: as soon as the box
// cannot be heard, the page says so in words and fades.
(() => {
  const link = document.getElementById("link");
  let since = null; // when the box was last heard; null while it is
  let busy = false; // a fetch is under way
  let again = false; // something changed meanwhile

  const lost = () => {
    if (since === null) since = new Date();
    link.textContent = "The box cannot be heard since " + since.toLocaleTimeString() +
      ". What is shown may be old: go by the lights.";
    link.hidden = false;
    document.body.classList.add("old");
  };

  const heard = () => {
    since = null;
    link.hidden = true;
    link.textContent = "";
    document.body.classList.remove("old");
  };

  const show = (text) => {
    const fresh = new DOMParser().parseFromString(text, "text/html");
    const next = fresh.querySelector("main");
    const now = document.querySelector("main");
    if (next === null || now === null) throw new Error("not the page");
    for (const d of now.querySelectorAll("details[open]")) {
      const same = d.id && next.querySelector("#" + CSS.escape(d.id));
      if (same) same.open = true;
    }
    now.replaceWith(document.adoptNode(next));
    document.title = fresh.title;
  };

  const refresh = async () => {
    if (busy) { again = true; return; }
    busy = true;
    again = false;
    try {
      const answer = await fetch("/", { cache: "no-store", signal: AbortSignal.timeout(8000) });
      if (!answer.ok) throw new Error("status " + answer.status);
      show(await answer.text());
      heard();
    } catch {
      lost();
    }
    busy = false;
    if (again) setTimeout(refresh, 500);
  };

  const listen = () => {
    const events = new EventSource("/v1/events");
    events.addEventListener("state", refresh);
    events.addEventListener("error", () => {
      lost();
      if (events.readyState === EventSource.CLOSED) setTimeout(listen, 5000);
    });
  };

  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible") refresh();
  });
  listen();
})();

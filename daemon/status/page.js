"use strict";
// Keeps the page current. The page can be read without it.
// A picture that may be old must never pass for a fresh one: as soon as the box
// cannot be heard, the page says so in words and fades.
(() => {
  const link = document.getElementById("link");
  let since = null; // when the box was last heard; null while it is
  let busy = false; // a fetch is under way
  let again = false; // something changed meanwhile
  let last = Date.now(); // when the box last said anything
  let due = 0; // the timer that ends a silence
  // The box says something every 15 s at least. A link that is cut without a word is no
  // error to a browser, and looks like a quiet box; so silence is one.
  const silence = 40000;

  const lost = () => {
    if (since === null) since = new Date();
    link.textContent = "The box cannot be heard since " + since.toLocaleTimeString() +
      ". What is shown may be old: go by the lights.";
    link.hidden = false;
    document.body.classList.add("old");
    document.getElementById("news").textContent = "";
  };

  const heard = () => {
    since = null;
    link.hidden = true;
    link.textContent = "";
    document.body.classList.remove("old");
  };

  // The answer on each card, as a list of sentences.
  const answers = (main) => Array.from(main.querySelectorAll(".hut"), (hut) =>
    hut.querySelector("h3").textContent + ": " + hut.querySelector("strong").textContent + ", " + hut.querySelector(".advice").textContent);

  // Makes a node as another is, and leaves what is the same: a reader keeps the
  // place, the keyboard its focus, a list stays open.
  const alike = (a, b) => a.nodeName === b.nodeName && a.id === b.id && a.classList?.[0] === b.classList?.[0];
  const follow = (now, next) => {
    if (now.nodeType !== Node.ELEMENT_NODE) {
      if (now.data !== next.data) now.data = next.data;
      return;
    }
    for (const { name } of Array.from(now.attributes)) {
      if (name !== "open" && !next.hasAttribute(name)) now.removeAttribute(name);
    }
    for (const { name, value } of Array.from(next.attributes)) {
      if (name !== "open" && now.getAttribute(name) !== value) now.setAttribute(name, value);
    }
    let at = now.firstChild;
    for (const child of Array.from(next.childNodes)) {
      let same = at;
      // An element may have lost those before it; text is nothing to look for.
      while (same && child.nodeType === Node.ELEMENT_NODE && !alike(same, child)) same = same.nextSibling;
      if (!same || !alike(same, child)) {
        now.insertBefore(child, at);
        continue;
      }
      while (at !== same) {
        at = at.nextSibling;
        at.previousSibling.remove();
      }
      follow(same, child);
      at = same.nextSibling;
    }
    while (at) {
      const gone = at;
      at = at.nextSibling;
      gone.remove();
    }
  };

  const show = (text) => {
    const fresh = new DOMParser().parseFromString(text, "text/html");
    const next = fresh.querySelector("main");
    const now = document.querySelector("main");
    if (next === null || now === null) throw new Error("not the page");
    // DOMParser runs no script, and so fills what stands for those who have none.
    for (const unscripted of next.querySelectorAll("noscript")) unscripted.textContent = "";
    const before = answers(now);
    const after = answers(next);
    follow(now, document.adoptNode(next));
    // What was told and holds no more is not left to be read.
    if (after.join() !== before.join()) document.getElementById("news").textContent = after.filter((answer) => !before.includes(answer)).join(". ");
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
    const spoke = () => {
      last = Date.now();
      clearTimeout(due);
      due = setTimeout(() => { events.close(); lost(); listen(); }, silence);
    };
    events.addEventListener("state", () => { spoke(); refresh(); });
    events.addEventListener("beat", spoke);
    events.addEventListener("error", () => {
      lost();
      if (events.readyState !== EventSource.CLOSED) return;
      clearTimeout(due);
      due = setTimeout(listen, 5000);
    });
    spoke();
  };

  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState !== "visible") return;
    if (Date.now() - last > silence) lost(); // it slept, and its timers with it
    refresh();
  });
  document.body.classList.add("live"); // from here on it is told whether the picture is old
  listen();
})();

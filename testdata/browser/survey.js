// Lists what is wrong with how the page lies: what a reader could not read or reach.
(() => {
  const faults = [];
  const wide = document.documentElement.clientWidth;
  const said = (node) => node.textContent.trim().replace(/\s+/g, " ").slice(0, 60);
  const fault = (what, node) => faults.push(what + ": " + node.nodeName.toLowerCase() + "." + (node.className.baseVal ?? node.className) + " " + said(node));
  // For listeners only: cut to nothing on purpose.
  const unseen = (e) => e.checkVisibility({ visibilityProperty: true }) === false || [...ancestors(e)].some((a) => getComputedStyle(a).clipPath === "inset(50%)");
  function* ancestors(e) { for (; e; e = e.parentElement) yield e; }

  if (document.documentElement.scrollWidth > wide) faults.push("scrolls sideways: " + document.documentElement.scrollWidth + " of " + wide);

  const words = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  let lines = 0;
  while (words.nextNode()) {
    const e = words.currentNode.parentElement;
    if (!words.currentNode.data.trim() || e.closest("noscript, script") && unseen(e) || unseen(e)) continue;
    const range = document.createRange();
    range.selectNodeContents(words.currentNode);
    for (const r of range.getClientRects()) {
      lines++;
      if (r.left < -0.5 || r.right > wide + 0.5 || r.top + scrollY < -0.5) fault("off the page", e);
      for (const a of ancestors(e)) {
        const style = getComputedStyle(a), box = a.getBoundingClientRect();
        if (style.overflow !== "visible" && a !== document.documentElement && (r.bottom > box.bottom + 1 || r.right > box.right + 1)) fault("cut off", e);
        // A roof cuts the corners above the wall.
        const wall = style.clipPath.startsWith("polygon") ? box.top + parseFloat(getComputedStyle(document.documentElement).fontSize) * 1.6 : -Infinity;
        if (r.top < wall - 1) fault("under the roof", e);
        if (!style.display.startsWith("inline") && (r.right > box.right + 0.5 || r.left < box.left - 0.5)) fault("out of its box", e);
      }
    }
  }
  if (lines === 0) faults.push("no word is to be seen");

  for (const word of document.querySelectorAll(".verdict strong")) {
    const range = document.createRange();
    range.selectNodeContents(word);
    if (range.getClientRects().length !== 1) fault("a broken word", word);
  }

  const parts = [...document.querySelectorAll("h1, h2, h3, p, li > small, summary, svg, progress, input, button, label, dt, dd, td, caption")]
    .filter((e) => !unseen(e) && e.getBoundingClientRect().width > 0 && getComputedStyle(e).display !== "inline");
  parts.forEach((a, i) => {
    const x = a.getBoundingClientRect();
    for (const b of parts.slice(i + 1)) {
      if (a.contains(b) || b.contains(a)) continue;
      const y = b.getBoundingClientRect();
      if (Math.min(x.right, y.right) - Math.max(x.left, y.left) > 1 && Math.min(x.bottom, y.bottom) - Math.max(x.top, y.top) > 1) fault("covers " + b.nodeName + " " + said(b), a);
    }
  });

  // WCAG 2.5.8. A link within a sentence is as high as its line.
  for (const e of document.querySelectorAll("a, button, input, summary")) {
    const r = e.getBoundingClientRect();
    const inSentence = e.nodeName === "A" && e.parentElement.textContent.trim() !== e.textContent.trim();
    if (!unseen(e) && !inSentence && (r.width < 24 || r.height < 24)) fault("small to hit, " + r.width + " by " + r.height, e);
  }

  for (const a of document.getAnimations()) {
    const t = a.effect.getComputedTiming();
    if (t.iterations !== 1 || t.duration !== 0) faults.push("moves: " + a.animationName);
  }
  return faults;
})()

// Package browser shows the box's pages to a real browser, Debian's Chromium without
// a window, and judges what comes out: the status page, the page of what was found,
// the report of a day.
//
// It guarantees that what a person sees holds at the widths of a phone and of a desk,
// in the dark and in the light, with script and without: verdicts first, then drives,
// then history; nothing cut off or covered; a verdict in words and in a shape; news
// without reloading, and words when there is none to be had; nothing asked of any other
// host. axe-core judges by the rules of WCAG 2.2 AA. The server is the real one and the
// States that it shows are invented.
//
// Chromium is spoken to over its own debugging pipe. The package holds tests only,
// needs no root, and beyond the loopback asks the npm registry for axe-core, once.
package browser

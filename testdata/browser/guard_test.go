package browser

import (
	"strings"
	"testing"
)

// The Content-Security-Policy as Chromium keeps it: what is ours runs (each test sees no
// complaint), and what somebody brought into the page does not.
func TestGuard_injected(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, ordinary())
	p := c.open(t, b.url("/"), glass{Width: 360})
	p.becomes(`document.body.classList.contains("live")`)
	p.sound(b)
	var hit []string
	p.eval(`(async () => {
		const hit = [];
		window.hit = (what) => hit.push(what);
		const add = (name, set) => { const e = document.createElement(name); set(e); document.body.append(e); return e; };
		add("script", (e) => { e.textContent = "hit('inline script')"; });
		add("a", (e) => { e.setAttribute("onclick", "hit('handler')"); }).click();
		add("style", (e) => { e.textContent = "h1 { color: rgb(1, 2, 3) }"; });
		if (getComputedStyle(document.querySelector("h1")).color === "rgb(1, 2, 3)") hit.push("style");
		for (const away of ["http://127.0.0.1:9/", "http://127.0.0.1:9/x.js"]) {
			await new Promise((next) => add("script", (e) => { e.src = away; e.onload = () => { hit.push("script from elsewhere"); next(); }; e.onerror = next; }));
		}
		await fetch("http://127.0.0.1:9/").then(() => hit.push("fetch"), () => {});
		await new Promise((next) => add("img", (e) => { e.src = "/page.css"; e.onload = () => { hit.push("image"); next(); }; e.onerror = next; }));
		return hit;
	})()`, &hit)
	if len(hit) > 0 {
		t.Errorf("these had their way: %q", hit)
	}
	blocked := 0
	for _, issue := range p.told("Audits.issueAdded") {
		if strings.Contains(string(issue), `"code":"ContentSecurityPolicyIssue"`) {
			blocked++
		}
	}
	if blocked < 7 {
		t.Errorf("the policy blocked %d things of 7", blocked)
	}
	for _, url := range p.asked() {
		if !strings.HasPrefix(url, b.url("/")) && len(p.told("Network.loadingFailed")) == 0 {
			t.Errorf("%s was asked for", url)
		}
	}
}

// Whatever a medium calls itself, it is text.
func TestGuard_hostileNames(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, hostile())
	for _, g := range []glass{{Width: 360}, {Width: 1280, NoScript: true}} {
		for _, path := range []string{"/", "/find?name=" + "%3Cscript%3Ealert(1)%3C/script%3E"} {
			p := c.open(t, b.url(path), g)
			if path == "/" && !g.NoScript {
				b.states.Publish(hostile()) // by way of the script, too
				p.becomes(`document.body.classList.contains("live")`)
			}
			var odd []string
			p.eval(`Array.from(document.querySelectorAll("script:not([src='/page.js']), img, iframe, style, object, form:not(.find), [onclick], [onerror], [onmouseover], [style], base, meta[http-equiv]"), (e) => e.outerHTML)`, &odd)
			if len(odd) > 0 {
				t.Errorf("%v %s: names became %q", g, path, odd)
			}
			if n := len(p.told("Page.javascriptDialogOpening")); n > 0 {
				t.Errorf("%v %s: %d alerts", g, path, n)
			}
			p.sound(b)
		}
	}
}

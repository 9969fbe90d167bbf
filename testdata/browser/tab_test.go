package browser

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"
)

// glass is what a page is looked at through.
type glass struct {
	Width    int
	Dark     bool
	NoScript bool
	Still    bool    // prefers-reduced-motion
	Forced   bool    // forced-colors
	Text     float64 // size of text, of the usual one; 0 is 1
}

// height of the window: that of a small phone.
const height = 640

func (g glass) String() string {
	words := []string{fmt.Sprintf("%dpx", g.Width), "light"}
	if g.Dark {
		words[1] = "dark"
	}
	if g.NoScript {
		words = append(words, "noscript")
	}
	if g.Still {
		words = append(words, "still")
	}
	if g.Forced {
		words = append(words, "forced")
	}
	if g.Text > 1 {
		words = append(words, fmt.Sprintf("text%.0f", g.Text*100))
	}
	return strings.Join(words, "-")
}

// script says whether there is any.
func (g glass) script() string {
	if g.NoScript {
		return "noscript"
	}
	return "script"
}

// tab is one page that is open, with all that the browser told of it.
type tab struct {
	t       *testing.T
	c       *chromium
	session string

	mu      sync.Mutex
	events  []message     // guarded by mu
	changed chan struct{} // guarded by mu; closed when there are more
}

// open shows url through g, in a profile of its own.
func (c *chromium) open(t *testing.T, url string, g glass) *tab {
	t.Helper()
	p := &tab{t: t, c: c, changed: make(chan struct{})}
	var made struct{ BrowserContextID, TargetID, SessionID string }
	ask := func(method string, params map[string]any) {
		t.Helper()
		if err := c.call(t.Context(), "", method, params, &made); err != nil {
			t.Fatal(err)
		}
	}
	ask("Target.createBrowserContext", nil)
	ask("Target.createTarget", map[string]any{"url": "about:blank", "browserContextId": made.BrowserContextID})
	ask("Target.attachToTarget", map[string]any{"targetId": made.TargetID, "flatten": true})
	p.session = made.SessionID
	t.Cleanup(func() {
		_ = c.call(context.Background(), "", "Target.disposeBrowserContext", map[string]any{"browserContextId": made.BrowserContextID}, nil) // the browser ends soon
	})
	c.mu.Lock()
	c.tabs[p.session] = p
	c.mu.Unlock()
	for _, domain := range []string{"Page", "Runtime", "Network", "Log", "Audits"} {
		p.do(domain+".enable", nil)
	}
	p.through(g)
	p.visit(url)
	return p
}

// through changes what the page is looked at through. Script is allowed or not from
// the next visit on.
func (p *tab) through(g glass) {
	p.t.Helper()
	p.size(g.Width, height)
	feature := func(name, plain, special string, is bool) map[string]string {
		if is {
			plain = special
		}
		return map[string]string{"name": name, "value": plain}
	}
	p.do("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{
		feature("prefers-color-scheme", "light", "dark", g.Dark),
		feature("prefers-reduced-motion", "no-preference", "reduce", g.Still),
		feature("forced-colors", "none", "active", g.Forced),
	}})
	p.do("Emulation.setScriptExecutionDisabled", map[string]any{"value": g.NoScript})
	p.do("Page.setFontSizes", map[string]any{"fontSizes": map[string]any{"standard": 16 * max(1, g.Text), "fixed": 13 * max(1, g.Text)}})
}

// do asks for method, without which the test has no sense.
func (p *tab) do(method string, params map[string]any) json.RawMessage {
	p.t.Helper()
	var result json.RawMessage
	if err := p.c.call(p.t.Context(), p.session, method, params, &result); err != nil {
		p.t.Fatal(err)
	}
	return result
}

// note keeps an event.
func (p *tab) note(m message) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.events = append(p.events, m)
	close(p.changed)
	p.changed = make(chan struct{})
}

// told is what the browser told under a name, so far.
func (p *tab) told(method string) []json.RawMessage {
	p.mu.Lock()
	defer p.mu.Unlock()
	var out []json.RawMessage
	for _, m := range p.events {
		if m.Method == method {
			out = append(out, m.Params)
		}
	}
	return out
}

// hears waits until the browser has told more than n times under a name.
func (p *tab) hears(method string, n int) {
	p.t.Helper()
	late := time.NewTimer(patience)
	defer late.Stop()
	for {
		p.mu.Lock()
		changed := p.changed
		p.mu.Unlock()
		if len(p.told(method)) > n {
			return
		}
		select {
		case <-changed:
		case <-p.c.gone:
			p.t.Fatalf("no %s: the browser is gone", method)
		case <-late.C:
			p.t.Fatalf("no %s", method)
		}
	}
}

// visit goes to url and waits until all of it is there.
func (p *tab) visit(url string) {
	p.t.Helper()
	before := len(p.told("Page.loadEventFired"))
	var went struct{ ErrorText string }
	if err := p.c.call(p.t.Context(), p.session, "Page.navigate", map[string]any{"url": url}, &went); err != nil || went.ErrorText != "" {
		p.t.Fatalf("visit %s: %s %v", url, went.ErrorText, err)
	}
	p.hears("Page.loadEventFired", before)
}

// reload does what the browser's own button does.
func (p *tab) reload() {
	p.t.Helper()
	before := len(p.told("Page.loadEventFired"))
	p.do("Page.reload", nil)
	p.hears("Page.loadEventFired", before)
}

// eval works out an expression in the page, also where the page itself may run no
// script. A promise is waited for.
func (p *tab) eval(expression string, into any) {
	p.t.Helper()
	var out struct {
		Result struct {
			Value       json.RawMessage
			Description string
		}
		ExceptionDetails *struct {
			Text      string
			Exception struct{ Description string }
		}
	}
	err := p.c.call(p.t.Context(), p.session, "Runtime.evaluate", map[string]any{"expression": expression, "returnByValue": true, "awaitPromise": true}, &out)
	if err != nil {
		p.t.Fatalf("in the page: %v: %.400s", err, expression)
	}
	if e := out.ExceptionDetails; e != nil {
		p.t.Fatalf("in the page: %s %s", e.Text, e.Exception.Description)
	}
	if into == nil {
		return
	}
	if err := json.Unmarshal(out.Result.Value, into); err != nil {
		p.t.Fatalf("in the page: %v: %s", err, out.Result.Value)
	}
}

// becomes waits until a condition holds, and looks whenever the document changes.
func (p *tab) becomes(condition string) {
	p.t.Helper()
	p.eval(`new Promise((yes) => {
		const look = () => { if (`+condition+`) { watch.disconnect(); yes(); } };
		const watch = new MutationObserver(look);
		watch.observe(document, {subtree: true, childList: true, attributes: true, characterData: true});
		look();
	})`, nil)
}

// size sets the window's.
func (p *tab) size(width, height int) {
	p.t.Helper()
	p.do("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 1000})
}

// picture is what is in the window, as PNG.
func (p *tab) picture() []byte {
	p.t.Helper()
	var out struct{ Data string }
	if err := json.Unmarshal(p.do("Page.captureScreenshot", map[string]any{"format": "png"}), &out); err != nil {
		p.t.Fatal(err)
	}
	data, err := base64.StdEncoding.DecodeString(out.Data)
	if err != nil {
		p.t.Fatal(err)
	}
	return data
}

// complaints are what a browser's console would show in red: errors of script, what a
// policy blocked, what could not be loaded.
func (p *tab) complaints() []string {
	var out []string
	for _, method := range []string{"Runtime.exceptionThrown", "Log.entryAdded", "Audits.issueAdded", "Network.loadingFailed"} {
		for _, params := range p.told(method) {
			out = append(out, method+" "+string(params))
		}
	}
	for _, params := range p.told("Runtime.consoleAPICalled") {
		out = append(out, "console "+string(params))
	}
	return out
}

// asked are the addresses that the page asked for.
func (p *tab) asked() []string {
	var out []string
	for _, params := range p.told("Network.requestWillBeSent") {
		var e struct{ Request struct{ URL string } }
		if err := json.Unmarshal(params, &e); err != nil {
			p.t.Fatal(err)
		}
		out = append(out, e.Request.URL)
	}
	return out
}

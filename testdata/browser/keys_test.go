package browser

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

// reachable tells of everything that can be acted on, in order.
const reachable = `Array.from(document.querySelectorAll("a[href], button, input, summary")).filter((e) => e.checkVisibility({visibilityProperty: true}))`

// The keyboard reaches all that a finger does, in the order of the page, and it is to be
// seen where it is (WCAG 2.1.1, 2.4.3, 2.4.7, 2.4.11).
func TestKeys(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, everything())
	for _, path := range []string{"/", "/find?name=*.JPG"} {
		for _, g := range []glass{{Width: 360}, {Width: 1280, Dark: true, NoScript: true}, {Width: 360, Forced: true}} {
			t.Run(path+g.String(), func(t *testing.T) {
				p := c.open(t, b.url(path), g)
				p.do("Emulation.setFocusEmulationEnabled", map[string]any{"enabled": true})
				var want, got []string
				p.eval(reachable+`.map((e) => e.nodeName + " " + e.textContent.trim())`, &want)
				if len(want) < 3 {
					t.Fatalf("only %q can be reached", want)
				}
				for range want {
					got = append(got, p.tabKey())
				}
				if diff := cmp.Diff(want, got); diff != "" {
					t.Errorf("by keyboard (-want +got):\n%s", diff)
				}
			})
		}
	}
}

// tabKey goes one on and tells where that is; it must be to be seen.
func (p *tab) tabKey() string {
	p.t.Helper()
	for _, kind := range []string{"rawKeyDown", "keyUp"} {
		p.do("Input.dispatchKeyEvent", map[string]any{"type": kind, "key": "Tab", "code": "Tab", "windowsVirtualKeyCode": 9})
	}
	var at struct {
		Name, Style string
		Width       float64
		Inside      bool
	}
	p.eval(`(() => {
		const e = document.activeElement, s = getComputedStyle(e), r = e.getBoundingClientRect();
		return {Name: e.nodeName + " " + e.textContent.trim(), Style: s.outlineStyle, Width: parseFloat(s.outlineWidth), Inside: r.top > -1 && r.bottom < innerHeight + 1};
	})()`, &at)
	if at.Style != "solid" || at.Width < 2 || !at.Inside {
		p.t.Errorf("the focus is not to be seen: %+v", at)
	}
	return at.Name
}

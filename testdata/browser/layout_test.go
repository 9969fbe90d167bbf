package browser

import (
	_ "embed"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/state"
)

//go:embed survey.js
var survey string

// glasses are those through which nothing may get lost: a phone and a desk in both
// themes, without script, without motion, in the reader's own colours, at the width of
// WCAG 1.4.10 (reflow) and with text twice as large (1.4.4). Those of one list differ in
// nothing that a page is loaded anew for.
var glasses = [][]glass{
	{
		{Width: 360}, {Width: 360, Dark: true}, {Width: 1280}, {Width: 1280, Dark: true}, {Width: 320}, {Width: 360, Still: true},
		{Width: 360, Forced: true}, {Width: 1280, Forced: true, Dark: true}, {Width: 360, Text: 2}, {Width: 1280, Text: 2}, {Width: 320, Text: 2},
	},
	{
		{Width: 360, NoScript: true}, {Width: 1280, NoScript: true, Dark: true}, {Width: 320, NoScript: true, Dark: true}, {Width: 320, Text: 2, NoScript: true},
	},
}

var fewer = [][]glass{{{Width: 360}, {Width: 1280, Dark: true}, {Width: 320, Text: 2}}, {{Width: 360, NoScript: true}}}

// laysWell fails for whatever cannot be read or reached in the page as it is.
func (p *tab) laysWell() {
	p.t.Helper()
	var faults []string
	p.eval(survey, &faults)
	if len(faults) > 0 {
		p.t.Errorf("%d faults:\n%s", len(faults), strings.Join(faults[:min(len(faults), 12)], "\n"))
	}
}

// sound fails when the browser complained, or the page asked anybody but its server.
func (p *tab) sound(b *box) {
	p.t.Helper()
	for _, c := range p.complaints() {
		p.t.Errorf("the browser complains: %.600s", c)
	}
	asked := p.asked()
	if len(asked) == 0 {
		p.t.Error("no request was seen")
	}
	for _, url := range asked {
		if !strings.HasPrefix(url, b.url("/")) {
			p.t.Errorf("the page asked for %s", url)
		}
	}
}

// What Chromium lays out is the judge: the boxes of every word and mark.
func TestLayout(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	for name, s := range map[string]*state.State{"everything": everything(), "quiet": quiet(), "starting": starting(), "long": long(), "hostile": hostile()} {
		b := newBox(t, s)
		list := glasses
		if name != "everything" && name != "long" {
			list = fewer // there is less to get lost
		}
		for _, g := range list {
			c.looks(t, b, name, "/", g, func(p *tab, g glass) { p.inOrder(g, len(s.Cards)) })
		}
	}
	b := newBox(t, everything())
	for name, path := range map[string]string{"find": "/find?name=*.JPG", "nothing": "/find?name=nothing", "report": "/reports/2026-11-25.html"} {
		for _, g := range glasses {
			c.looks(t, b, name, path, g, func(*tab, glass) {})
		}
	}
}

// looks at one page through several glasses, with a fault told of each.
func (c *chromium) looks(t *testing.T, b *box, name, path string, list []glass, more func(*tab, glass)) {
	t.Helper()
	var p *tab
	t.Run(name+"/"+list[0].script(), func(t *testing.T) {
		p = c.open(t, b.url(path), list[0])
		for _, g := range list {
			t.Run(g.String(), func(t *testing.T) {
				p.t = t
				p.through(g)
				p.laysWell()
				more(p, g)
			})
		}
		p.t = t
		p.sound(b)
	})
}

// inOrder holds the page to its order, in what a screen reader reads and in what is to
// be seen: verdicts, drives, history.
func (p *tab) inOrder(g glass, cards int) {
	p.t.Helper()
	var seen []struct {
		ID        string
		Left, Top float64
	}
	p.eval(`Array.from(document.querySelectorAll("h2"), (h) => ({ID: h.id, Left: h.getBoundingClientRect().left, Top: h.getBoundingClientRect().top}))`, &seen)
	var order []string
	for i, h := range seen {
		order = append(order, h.ID)
		if i == 0 {
			continue
		}
		before := seen[i-1]
		switch beside := h.Left > before.Left+1; {
		case g.Width < 960 && beside:
			p.t.Errorf("%s stands beside %s on a phone", h.ID, before.ID)
		case !beside && h.Top <= before.Top, beside && h.Top < before.Top-1:
			p.t.Errorf("%s is seen before %s", h.ID, before.ID)
		}
	}
	if diff := cmp.Diff([]string{"cards", "drives", "conditions", "offloads", "where", "left-alone"}, order); diff != "" {
		p.t.Errorf("order (-want +got):\n%s", diff)
	}
	if cards == 0 {
		return
	}
	var size struct{ Verdict, Other float64 }
	p.eval(`(() => {
		const size = (e) => parseFloat(getComputedStyle(e).fontSize);
		const others = Array.from(document.querySelectorAll("body *:not(.verdict):not(.verdict *)"), size);
		return {Verdict: size(document.querySelector(".verdict strong")), Other: Math.max(...others)};
	})()`, &size)
	if size.Verdict <= size.Other {
		p.t.Errorf("the verdict has %g px, something else %g", size.Verdict, size.Other)
	}
}

// Whoever opens the page sees an answer, and need not scroll for it.
func TestLayout_verdictFirst(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, everything())
	for _, g := range []glass{{Width: 320}, {Width: 360, NoScript: true}, {Width: 1280, Dark: true}} {
		p := c.open(t, b.url("/"), g)
		var bottom float64
		p.eval(`document.querySelector(".hut .advice").getBoundingClientRect().bottom`, &bottom)
		if bottom <= 0 || bottom > height {
			t.Errorf("%v: the first answer ends at %g of %d", g, bottom, height)
		}
	}
}

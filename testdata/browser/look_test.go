package browser

import (
	"flag"
	"testing"

	"bothy/daemon/state"
)

var shots = flag.String("shots", "", "a folder to write pictures of all pages into, as they are at each width and in each theme")

// TestShots writes pictures for people to look at.
func TestShots(t *testing.T) {
	if *shots == "" {
		t.Skip("only with -shots FOLDER")
	}
	c := newChromium(t)
	shoot := func(name, url string, g glass) {
		t.Run(name+"-"+g.String(), func(t *testing.T) { // its end closes the page
			p := c.open(t, url, g)
			save(t, *shots, name+"-"+g.String()+"-first.png", p.picture())
			save(t, *shots, name+"-"+g.String()+".png", p.whole(g))
		})
	}
	for name, s := range map[string]*state.State{"ordinary": ordinary(), "everything": everything(), "quiet": quiet(), "starting": starting(), "long": long(), "hostile": hostile()} {
		b := newBox(t, s)
		for _, g := range []glass{{Width: 360}, {Width: 360, Dark: true}, {Width: 1280}, {Width: 1280, Dark: true}} {
			shoot(name, b.url("/"), g)
		}
	}
	b := newBox(t, everything())
	for _, g := range []glass{{Width: 360}, {Width: 1280, Dark: true}, {Width: 360, Forced: true}, {Width: 360, NoScript: true}, {Width: 360, Text: 2}, {Width: 1280, Text: 2}} {
		shoot("page", b.url("/"), g)
		shoot("find", b.url("/find?name=*.JPG"), g)
		shoot("report", b.url("/reports/2026-11-25.html"), g)
	}
}

// whole is a picture of all of the page.
func (p *tab) whole(g glass) []byte {
	p.t.Helper()
	var tall int
	p.eval("document.documentElement.scrollHeight", &tall)
	p.size(g.Width, max(tall, height))
	defer p.size(g.Width, height)
	return p.picture()
}

package main

import (
	"fmt"
	"io"
	"strings"
)

// gauge shows how far something is: a bar that is drawn over itself where a
// person watches, one plain line every tenth elsewhere. It is used by one
// goroutine at a time.
type gauge struct {
	w        io.Writer
	terminal bool
	columns  int
	title    string // what was shown last, so that a new phase starts anew
	tenth    int    // plain lines: the last tenth that was told, -1 for none
	drawn    bool   // terminal: a bar stands on the current line
}

func newGauge(c console) *gauge {
	return &gauge{w: c.err, terminal: c.errTerminal, columns: c.columns, tenth: -1}
}

// show draws the gauge. done and total are bytes; a total of zero is complete.
func (g *gauge) show(title string, done, total int64) {
	if title != g.title {
		g.title, g.tenth = title, -1
	}
	part := 1.0
	if total > 0 {
		part = min(max(float64(done)/float64(total), 0), 1)
	}
	if g.terminal {
		g.drawn = true
		fmt.Fprintf(g.w, "\r%s\x1b[K", g.bar(part, done, total))
		return
	}
	if tenth := int(part * 10); tenth > g.tenth {
		g.tenth = tenth
		fmt.Fprintf(g.w, "%s: %d %% of %s\n", title, tenth*10, humanBytes(total))
	}
}

// bar is one line, narrower than the terminal.
func (g *gauge) bar(part float64, done, total int64) string {
	tail := fmt.Sprintf(" %3d %%  %s of %s", int(part*100), humanBytes(done), humanBytes(total))
	width := max(min(g.columns-len(g.title)-len(tail)-4, 40), 0)
	full := int(part * float64(width))
	return g.title + " [" + strings.Repeat("#", full) + strings.Repeat(".", width-full) + "]" + tail
}

// clear removes the bar, so that what follows starts on a clean line.
func (g *gauge) clear() {
	if g.drawn {
		g.drawn = false
		fmt.Fprint(g.w, "\r\x1b[K")
	}
}

// count shows how much was done when nobody knows how much there is: on a
// terminal only.
func (g *gauge) count(title string, done int64) {
	if !g.terminal {
		return
	}
	g.drawn = true
	line := title
	if room := max(g.columns-12, 0); len(line) > room {
		line = "..." + strings.ToValidUTF8(line[len(line)-max(room-3, 0):], "")
	}
	fmt.Fprintf(g.w, "\r%s %s\x1b[K", line, humanBytes(done))
}

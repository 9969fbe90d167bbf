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
	part := 1.0
	if total > 0 {
		part = min(max(float64(done)/float64(total), 0), 1)
	}
	g.draw(title, part, total, fmt.Sprintf(" %3d %%  %s of %s", int(part*100), humanBytes(done), humanBytes(total)), nil)
}

// part draws the gauge of something of total bytes that knows best how much of
// it is done. Notes stand beside the bar, the later ones only where there is
// room; plain lines carry all of them.
func (g *gauge) part(title string, done float64, total int64, notes ...string) {
	done = min(max(done, 0), 1)
	tail := fmt.Sprintf(" %3d %%", int(done*100))
	for _, note := range notes {
		if g.terminal && len(title)+len(tail)+len(note)+2+leastBar > g.columns {
			break
		}
		tail += "  " + note
	}
	g.draw(title, done, total, tail, notes)
}

// leastBar is the room for a bar of ten with its brackets.
const leastBar = 14

func (g *gauge) draw(title string, part float64, total int64, tail string, notes []string) {
	if title != g.title {
		g.title, g.tenth = title, -1
	}
	if g.terminal {
		g.drawn = true
		fmt.Fprintf(g.w, "\r%s\x1b[K", g.bar(part, tail))
		return
	}
	if tenth := int(part * 10); tenth > g.tenth {
		g.tenth = tenth
		line := fmt.Sprintf("%s: %d %% of %s", title, tenth*10, humanBytes(total))
		fmt.Fprintln(g.w, strings.Join(append([]string{line}, notes...), ", "))
	}
}

// bar is one line, narrower than the terminal.
func (g *gauge) bar(part float64, tail string) string {
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

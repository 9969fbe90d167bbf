package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bothy/daemon/state"
)

// live lets a history go its way, and then asks what became of everything.
func (w *seedWorld) live() {
	if err := os.Mkdir(filepath.Join(w.base, "empty"), 0o755); err != nil {
		panic(err)
	}
	w.follow()
	w.comeToRest()
	w.mu.Lock()
	l := w.life
	w.mu.Unlock()
	l.cancel()
	w.awaitEnd(l)
	for _, l := range w.started {
		select {
		case <-l.over:
		case <-time.After(time.Hour):
			w.foul("life %d does not wind down", l.n)
		}
	}
	w.examineForeign()
}

func (w *seedWorld) newState() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.folderLocked("state")
}

// comeToRest heals and plugs everything: every card has to get its answer now.
func (w *seedWorld) comeToRest() {
	w.mu.Lock()
	w.logLocked("from here on nothing goes wrong")
	close(w.calm)
	for _, d := range w.drives {
		d.faults.Store(nil)
	}
	w.trusted = true
	w.supplyLocked(charging(100))
	w.writePolicy(w.policy.text())
	off := w.life == nil
	w.mu.Unlock()
	if off {
		last := w.started[len(w.started)-1]
		w.awaitEnd(last)
		w.begin(last.left)
	}
	w.mu.Lock()
	l := w.life
	l.tellSupply()
	for _, st := range w.stays {
		w.outLocked(st)
	}
	w.mu.Unlock()
	l.reload <- struct{}{}
	if !w.rest(l, "everything is out") {
		return
	}
	w.mu.Lock()
	for _, d := range w.drives {
		w.driveInLocked(d)
	}
	w.mu.Unlock()
	if !w.rest(l, "every drive is in") {
		return
	}
	w.mu.Lock()
	for _, c := range w.cards {
		w.cardInLocked(c, fmt.Sprintf("reader%d", c.n))
	}
	w.mu.Unlock()
	if w.rest(l, "every card is in") {
		w.answers(l)
	}
}

// rest waits until the box has nothing to do any more.
func (w *seedWorld) rest(l *seedLife, when string) bool {
	quiet := 0
	for range 3000 {
		time.Sleep(2 * time.Second)
		st := l.last.Load()
		w.mu.Lock()
		seen := st != nil && len(st.Devices) == len(w.listLocked())
		w.mu.Unlock()
		if quiet++; !seen || !idle(st) {
			quiet = 0
		}
		if quiet == 3 {
			return true
		}
	}
	w.foul("the box does not come to rest when %s:\n%s", when, picture(l.last.Load()))
	return false
}

// answers: every card that can be released is.
func (w *seedWorld) answers(l *seedLife) {
	w.mu.Lock()
	defer w.mu.Unlock()
	good, bad := map[string][]int{}, map[string]bool{}
	for _, d := range w.drives {
		good[d.id] = append(good[d.id], d.body)
		if d.readOnly || d.barred || d.sizeBytes < 1<<30 {
			bad[d.id] = true
		}
	}
	bodies := map[int]bool{}
	for id, of := range good {
		if !bad[id] && len(of) == 1 {
			bodies[of[0]] = true
		}
	}
	// The box takes one of those that bear the same identity, and it may be one
	// on a disk that counts already.
	for id, of := range good {
		if !bad[id] && len(of) > 1 && !slices.ContainsFunc(of, func(body int) bool { return bodies[body] }) {
			bodies[of[0]] = true
		}
	}
	st := l.last.Load()
	for _, c := range w.cards {
		i := slices.IndexFunc(st.Cards, func(s state.Card) bool { return s.Device == fmt.Sprintf("reader%d", c.n) })
		if i < 0 {
			w.foulLocked("card %d is in, and the box does not know it:\n%s", c.n, picture(st))
			continue
		}
		can := len(c.fill.files) > 0 && w.policy.verify != "size" && len(bodies) >= w.policy.copies
		if can && st.Cards[i].Verdict != state.Release {
			w.foulLocked("card %d could be released and is held: %s\n%s", c.n, st.Cards[i].Reason, picture(st))
		}
		if can {
			w.sawLocked("a card that could be released in the end")
		} else {
			w.sawLocked("a card that had to be held in the end")
		}
	}
}

// seedResult is what is left of a history.
type seedResult struct {
	Seed    uint64
	Actions int
	Lives   int
	Release int
	Events  []string
	Fouls   []string
	Lines   []string
	Millis  int64
}

func (w *seedWorld) result() seedResult {
	w.mu.Lock()
	defer w.mu.Unlock()
	r := seedResult{Seed: w.seed, Actions: w.actions, Lives: len(w.started), Release: w.releases, Fouls: w.fouls}
	for e := range w.seen {
		r.Events = append(r.Events, e)
	}
	slices.Sort(r.Events)
	if len(w.fouls) > 0 || testing.Verbose() {
		r.Lines = append([]string{strings.TrimSpace(w.policy.text())}, w.lines...)
	}
	return r
}

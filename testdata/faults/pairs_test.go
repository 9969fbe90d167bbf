//go:build linux && amd64

package faults

import (
	"fmt"
	"math/rand/v2"
	"strconv"
	"testing"
)

// TestPairs: the process dies in an offload, or the power goes, and the next
// life dies while it recovers.
func TestPairs(t *testing.T) {
	mayTrace(t)
	template := ready(t, "drive-a", "drive-b")
	var firsts []trial
	for i, s := range record(t, template, 2) {
		if s.changes() {
			how := kept
			if len(firsts)%2 == 1 {
				how = all
			}
			firsts = append(firsts, trial{number: i, site: s, fault: crashAfter, loss: how})
		}
	}
	n := 0
	for i, first := range firsts {
		if *firstAt == "" && !*every && i%(len(firsts)/pairsOf) != pairsOf/2 || *firstAt != "" && *firstAt != strconv.Itoa(first.number) {
			continue
		}
		t.Run(fmt.Sprintf("first=%d", first.number), func(t *testing.T) {
			w := first.leave(template)
			if w == nil {
				t.Skipf("site %s was not come by again", first.site.name)
			}
			defer w.gone()
			sites := record(t, w, 2)
			show(t, sites)
			var trials []trial
			for k, s := range sites {
				if s.changes() {
					trials = append(trials, trial{number: k, site: s, fault: crashAfter})
				}
			}
			trials = pick(trials, never, max(len(trials)/4, 1))
			n += len(trials)
			t.Logf("first: %s", first)
			campaign(t, w, len(sites), trials)
		})
	}
	t.Logf("%d pairs; one again: -run TestPairs -first N -site M", n)
}

// pairsOf is how many first sites there are without -every.
const pairsOf = 6

// leave is the world as a trial's fault leaves it; nil when its site was not
// come by.
func (c trial) leave(template *world) *world {
	w := template.clone()
	h := newWatcher(w, c.site.name, c.fault)
	if c.loss != kept {
		h.media = w.media()
	}
	w.live(h)
	if !h.hit {
		w.gone()
		return nil
	}
	for _, m := range h.media {
		w.must(m.cut(c.loss, rand.New(rand.NewPCG(uint64(c.number), 0))))
	}
	return w
}

//go:build linux && amd64

package faults

import (
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"strings"
	"testing"

	"bothy/testdata/oracle"
)

// trial is one case: a fault at a site of a life, and what follows.
type trial struct {
	number    int // of the site, in the sorted list
	site      site
	fault     fault
	thenCrash bool
	thenCut   bool // the next life goes on without a power cut between, and has one when it says that the card is released
	loss      loss
}

func (c trial) String() string {
	f := string(c.fault)
	if c.thenCrash {
		f += "-crash"
	}
	if c.thenCut {
		f += "-then-cut"
	}
	if c.loss != kept {
		f += "-" + string(c.loss)
	}
	return fmt.Sprintf("-site %d -fault %s (%s)", c.number, f, c.site.name)
}

// named is what -fault takes.
func (c trial) named() string {
	return strings.Fields(c.String())[3]
}

// verdict is what came of a trial.
type verdict struct {
	reached bool
	crashed bool
	ended   said
	wrong   []string
}

// run puts a copy of a world through a trial. The life with the fault must claim
// nothing false; the next one, without, must come to the release by itself; one
// more must change nothing.
func (c trial) run(template *world) verdict {
	w := template.clone()
	defer w.gone()
	var v verdict
	wrong := func(when string, list ...string) {
		for _, s := range list {
			v.wrong = append(v.wrong, when+": "+s)
		}
	}
	h := newWatcher(w, c.site.name, c.fault)
	h.thenCrash = c.thenCrash
	if c.loss != kept || c.thenCut {
		h.media = w.media()
	}
	end := w.live(h)
	if v.reached = h.hit; !h.hit {
		return v
	}
	v.crashed = end.Killed
	v.ended = w.last()
	wrong("life with the fault", w.violations()...)
	if end.TimedOut {
		wrong("life with the fault", "the box did not come to its end: "+w.stderr())
	} else if !v.crashed && (end.Status != 0 || !v.ended.Idle) {
		wrong("life with the fault", fmt.Sprintf("ended with status %d: %s", end.Status, w.stderr()))
	}
	for d, m := range h.media {
		for _, file := range m.burnedIn(w.take(d).Finished()) {
			wrong("life with the fault", "a flush has failed for "+strings.TrimPrefix(file, w.base+"/")+", which is in a finished copy as the same inode")
		}
	}
	if c.loss != kept {
		// A copy that was given its name and of which nobody has said so may lose
		// it again; what was said is judged by the claims.
		w.later = nil
		coin := fnv.New64a()
		coin.Write([]byte(c.String()))
		for _, d := range w.drives {
			w.must(h.media[d].cut(c.loss, rand.New(rand.NewPCG(coin.Sum64(), 0))))
		}
		wrong("after the power cut", w.violations()...)
	}
	if c.thenCut {
		wrong("the power goes at the next life's release", w.cutAtRelease(h.media)...)
	}
	wrong("next life", w.recover()...)
	if v.crashed {
		wrong("one life more", w.again()...)
	}
	return v
}

// cutAtRelease is a life that goes on with what the one before has left, flushed
// or not, and ends with a power cut just after it has released the card.
func (w *world) cutAtRelease(media map[string]*medium) (wrong []string) {
	w.later = nil
	h := newWatcher(w, "", "")
	h.media, h.atRelease = media, true
	if w.live(h); !h.hit {
		return []string{"the card is not released: " + w.last().Reason}
	}
	for _, d := range w.drives {
		w.must(media[d].cut(all, nil))
	}
	return w.violations()
}

func (w *world) media() map[string]*medium {
	all := map[string]*medium{}
	for _, d := range w.drives {
		m, err := newMedium(w.dir(d))
		w.must(err)
		all[d] = m
	}
	return all
}

// recover is a life without a fault: it must end with the release.
func (w *world) recover() (wrong []string) {
	w.noCard = false
	end := w.live(nil)
	wrong = w.violations()
	s := w.last()
	switch {
	case end.TimedOut:
		wrong = append(wrong, "the box did not come to its end")
	case end.Status != 0:
		wrong = append(wrong, fmt.Sprintf("ended with status %d: %s", end.Status, w.stderr()))
	case !s.Released || !s.Decided:
		wrong = append(wrong, fmt.Sprintf("the card is not released: %s %q", s.Reason, s.Raised))
	}
	return wrong
}

// again is one more such life, which must change nothing on card and drives.
func (w *world) again() []string {
	before := map[string]oracle.Tree{}
	for _, d := range w.drives {
		before[d] = w.take(d)
	}
	wrong := w.recover()
	for _, d := range w.drives {
		for _, s := range w.take(d).Differences(before[d]) {
			if !strings.Contains(s, `".bothy`) && !strings.HasPrefix(s, `"." has another time`) { // the box's own account
				wrong = append(wrong, d+": "+s)
			}
		}
	}
	return wrong
}

// record lists the sites of an undisturbed life.
func record(t *testing.T, template *world, lives int) []site {
	t.Helper()
	all := map[string]site{}
	for range lives {
		w := template.clone()
		h := newWatcher(w, "", "")
		if end := w.live(h); end.Status != 0 || !w.last().Idle {
			t.Fatalf("an undisturbed life ended with status %d: %s", end.Status, w.stderr())
		}
		if wrong := w.violations(); len(wrong) > 0 {
			t.Fatalf("an undisturbed life: %q", wrong)
		}
		for _, s := range h.reached {
			all[s.name] = s
		}
		w.gone()
	}
	return sorted(all)
}

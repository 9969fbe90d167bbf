package pace

import (
	"math"
	"slices"
	"testing"
	"time"

	"bothy/daemon/state"
)

const (
	mb = 1e6
	gb = 1e9
)

// sizes is n files of one size.
func sizes(n int, bytes float64) (list []int64) {
	for range n {
		list = append(list, int64(bytes))
	}
	return list
}

func drives(list ...simDrive) []simDrive {
	for i := range list {
		if list[i].closing == 0 {
			list[i].closing = 1
		}
	}
	return list
}

// worst is by how much the time left was wrong at most, as a part of the true
// one, once part of the whole time (and five seconds: before that, caches and buffers
// are filled, and the slow are told from the quick) was over, and when. Answers are whole
// seconds and the last steps are only supposed: two seconds, and half a
// hundredth of the whole time, are no difference.
func worst(looks []told, end, part float64, left func(Estimate) float64) (errs, at float64) {
	grace := 2 + end/200
	for _, l := range looks {
		now := l.look.At.Seconds()
		if now < max(part*end, 5) || now >= end {
			continue
		}
		off := max(math.Abs(left(l.said)-(end-now))-grace, 0) / (end - now)
		if off > errs {
			errs, at = off, now/end
		}
	}
	return errs, at
}

// promised is how wrong a time left may be.
const promised = 0.10

func ofNeeded(e Estimate) float64 { return e.Left.Total.Seconds() }

// Speeds are those of the trade's cheap media, from memory. Where the proof
// begins late, its speed cannot be known before: those drives read back about
// as fast as the copying goes, or (see the properties) are known from earlier.
var steady = map[string]shape{
	"one big file":      {files: sizes(1, 60*gb), cardRate: 90 * mb, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 90 * mb}, simDrive{write: 150 * mb, readBack: 90 * mb})},
	"few clips":         {files: sizes(7, 9*gb), cardRate: 90 * mb, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 220 * mb}, simDrive{write: 200 * mb, readBack: 220 * mb})},
	"20,000 stills":     {files: sizes(20_000, 2*mb), perFile: 0.01, cardRate: 90 * mb, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 220 * mb, closing: 4.5}, simDrive{write: 200 * mb, readBack: 220 * mb, closing: 4.5})},
	"resumed at half":   {files: sizes(400, 100*mb), heldFiles: 200, cardRate: 90 * mb, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 95 * mb}, simDrive{write: 150 * mb, readBack: 95 * mb})},
	"rotational":        {files: sizes(300, 100*mb), cardRate: 150 * mb, needed: 2, drives: drives(simDrive{write: 110 * mb, readBack: 112 * mb, after: true, closing: 32}, simDrive{write: 120 * mb, readBack: 115 * mb, after: true, closing: 32})},
	"slow third":        {files: sizes(600, 50*mb), cardRate: 90 * mb, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 220 * mb}, simDrive{write: 150 * mb, readBack: 180 * mb}, simDrive{write: 22 * mb, readBack: 30 * mb})},
	"shared way":        {files: sizes(500, 60*mb), cardRate: 300 * mb, needed: 1, drives: drives(simDrive{write: 120 * mb, readBack: 120 * mb, shared: true})},
	"proof lags":        {files: sizes(500, 60*mb), cardRate: 150 * mb, needed: 1, drives: drives(simDrive{write: 200 * mb, readBack: 60 * mb})},
	"cached beginning":  {files: sizes(300, 100*mb), cardRate: 90 * mb, swallow: 300 * mb, needed: 2, drives: drives(simDrive{write: 40 * mb, readBack: 90 * mb}, simDrive{write: 45 * mb, readBack: 100 * mb})},
	"all swallowed":     {files: sizes(40, 100*mb), cardRate: 300 * mb, swallow: 500 * mb, needed: 2, drives: drives(simDrive{write: 40 * mb, readBack: 90 * mb}, simDrive{write: 45 * mb, readBack: 100 * mb})},
	"read twice":        {files: sizes(300, 100*mb), cardRate: 90 * mb, twice: true, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 220 * mb}, simDrive{write: 200 * mb, readBack: 220 * mb})},
	"by size only":      {files: sizes(300, 100*mb), cardRate: 90 * mb, noProof: true, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 220 * mb}, simDrive{write: 200 * mb, readBack: 220 * mb})},
	"a card in a hurry": {files: sizes(40, 30*mb), cardRate: 90 * mb, needed: 2, drives: drives(simDrive{write: 200 * mb, readBack: 220 * mb}, simDrive{write: 200 * mb, readBack: 220 * mb})},
}

func TestEstimator_steady(t *testing.T) {
	t.Parallel()
	for name, s := range steady {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			e := New(s.plan())
			looks, end, _ := play(s, e.Look)
			sound(t, looks, s.needed, s.noProof)
			errs, at := worst(looks, end, 0.1, ofNeeded)
			t.Logf("of %.0f s; worst error %.1f %% at %.0f %% of the time", end, errs*100, at*100)
			if errs > promised {
				t.Errorf("the time left is wrong by %.1f %% at %.0f %% of the time", errs*100, at*100)
			}
			if last := looks[len(looks)-1].said; last.Done != 1 || last.Left != (Left{}) {
				t.Errorf("at the end: %+v", last)
			}
		})
	}
}

// fatal is what both testing.T and rapid.T can do.
type fatal interface {
	Helper()
	Fatalf(string, ...any)
}

// sound holds every answer against what is promised of it whatever happens.
func sound(t fatal, looks []told, needed int, noProof bool) {
	t.Helper()
	before := make([]float64, 1+len(looks[0].said.Copies))
	for _, l := range looks {
		e, whole := l.said, before[0]
		for i, d := range append([]float64{e.Done}, partsOf(e)...) {
			if !(d >= before[i] && d <= 1) {
				t.Fatalf("at %s: done %v after %v (%d: 0 is the whole, then the copies)", l.look.At, d, before[i], i)
			}
			before[i] = d
		}
		there := 0
		for i, c := range l.look.Copies {
			if one := e.Copies[i].Done == 1; one != (c.Phase == state.CopyProven || noProof && c.Phase == state.CopyUnproven) {
				t.Fatalf("at %s: copy %d is %s, done %v", l.look.At, i, c.Phase, e.Copies[i].Done)
			}
			if c.Phase == state.CopyProven || noProof && c.Phase == state.CopyUnproven {
				there++
			}
		}
		if e.Done == 1 && there < needed && whole < 1 || there >= needed && e.Done != 1 {
			t.Fatalf("at %s: done %v, and %d of %d copies are there", l.look.At, e.Done, there, needed)
		}
		for _, left := range append(leftsOf(e), e.Left) {
			if left.Copy < 0 || left.Proof < 0 || left.Total != left.Copy+left.Proof || left.Total > tooLong {
				t.Fatalf("at %s: left %+v", l.look.At, left)
			}
		}
		if e.BytesPerSecond < 0 {
			t.Fatalf("at %s: %d bytes per second", l.look.At, e.BytesPerSecond)
		}
	}
}

func partsOf(e Estimate) (list []float64) {
	for _, c := range e.Copies {
		list = append(list, c.Done)
	}
	return list
}

func leftsOf(e Estimate) (list []Left) {
	for _, c := range e.Copies {
		list = append(list, c.Left)
	}
	return list
}

// The drive that was let go delays nobody, and has a time of its own.
func TestEstimator_letGo(t *testing.T) {
	t.Parallel()
	s := steady["slow third"]
	e := New(s.plan())
	looks, end, each := play(s, e.Look)
	if !slices.ContainsFunc(looks, func(l told) bool { return l.look.Copies[2].Phase == state.CopyBehind }) {
		t.Fatal("the simulation let nobody go")
	}
	if each[2] < 3*end {
		t.Fatalf("the third drive ended at %.0f s, the others at %.0f s", each[2], end)
	}
	third := func(e Estimate) float64 { return e.Copies[2].Left.Total.Seconds() }
	known := slices.DeleteFunc(slices.Clone(looks), func(l told) bool { return l.look.At.Seconds() < end+2 || third(l.said) == 0 })
	if len(known) < len(looks)/2 {
		t.Errorf("the third drive's time left is known at %d of %d looks", len(known), len(looks))
	}
	if errs, at := worst(known, each[2], 0.1, third); errs > promised {
		t.Errorf("the third drive's time left is wrong by %.1f %% at %.0f %%", errs*100, at*100)
	}
}

// During a stall the time left grows and the part done stays; afterwards the
// estimate finds back.
func TestEstimator_stall(t *testing.T) {
	t.Parallel()
	for name, from := range map[string]float64{"few clips": 300, "rotational": 400} {
		s := steady[name]
		s.stall = [2]float64{from, 90}
		e := New(s.plan())
		looks, end, _ := play(s, e.Look)
		sound(t, looks, s.needed, false)
		at := func(moment float64) Estimate {
			i := slices.IndexFunc(looks, func(l told) bool { return l.look.At.Seconds() >= moment })
			return looks[i].said
		}
		begin, middle, over := at(from+1), at(from+45), at(from+89)
		if !(begin.Left.Total < middle.Left.Total && middle.Left.Total < over.Left.Total) {
			t.Errorf("%s: time left %s, %s, %s during a stall", name, begin.Left.Total, middle.Left.Total, over.Left.Total)
		}
		if begin.Done != over.Done || begin.Done == 0 {
			t.Errorf("%s: done %v at the beginning of a stall and %v at its end", name, begin.Done, over.Done)
		}
		if off := math.Abs(at(end-60).Left.Total.Seconds()-60) / 60; off > 0.2 {
			t.Errorf("%s: a minute before the end %s are said to be left", name, at(end-60).Left.Total)
		}
	}
}

// A file that does not agree when it is read back is written and proven again.
func TestEstimator_writtenAgain(t *testing.T) {
	t.Parallel()
	s := steady["rotational"]
	s.drives = slices.Clone(s.drives)
	s.drives[0].spoils = map[int]bool{10: true, 200: true, 299: true}
	s.drives[1].spoils = map[int]bool{11: true}
	e := New(s.plan())
	looks, end, _ := play(s, e.Look)
	sound(t, looks, 2, false)
	if math.IsNaN(end) || looks[len(looks)-1].said.Done != 1 {
		t.Fatalf("the copies are not there: %+v", looks[len(looks)-1])
	}
	if errs, at := worst(looks, end, 0.1, ofNeeded); errs > 0.2 {
		t.Errorf("the time left is wrong by %.1f %% at %.0f %%", errs*100, at*100)
	}
}

// What an earlier run proved is done from the beginning; a proof that is taken
// back takes nothing back from the part done.
func TestEstimator_doneStays(t *testing.T) {
	t.Parallel()
	held := func(i int) bool { return i < 2 }
	e := New(Plan{Files: sizes(4, 100*mb), Needed: 1, Copies: []Copy{{Held: held}}})
	look := func(at time.Duration, read, written, back, proven int64) Estimate {
		return e.Look(Look{At: at * time.Second, BytesRead: read * mb, Copies: []CopyLook{{
			Phase: state.CopyProving, BytesWritten: written * mb, BytesReadBack: back * mb, BytesProven: proven * mb,
		}}})
	}
	for i, step := range []struct {
		said Estimate
		done float64
	}{
		{look(0, 0, 0, 0, 0), 0.5},
		{look(1, 0, 0, 200, 200), 0.5},
		{look(2, 100, 100, 300, 300), 0.75},
		{look(3, 100, 100, 300, 200), 0.75},   // taken back
		{look(4, 200, 200, 400, 300), 0.75},   // again, and the next one
		{look(5, 300, 300, 500, 400), almost}, // all of it, before the last steps
	} {
		if math.Abs(step.said.Done-step.done) > 1e-9 {
			t.Errorf("step %d: done %v, want %v", i, step.said.Done, step.done)
		}
	}
}

func TestEstimator_needed(t *testing.T) {
	t.Parallel()
	ended := func(phases ...state.CopyPhase) Look {
		l := Look{At: time.Hour, BytesRead: 100 * mb}
		for _, p := range phases {
			l.Copies = append(l.Copies, CopyLook{Phase: p, BytesWritten: 100 * mb, BytesReadBack: 100 * mb, BytesProven: 100 * mb})
		}
		return l
	}
	for name, tc := range map[string]struct {
		needed  int
		noProof bool
		phases  []state.CopyPhase
		done    float64
	}{
		"two of three":              {2, false, []state.CopyPhase{state.CopyProven, state.CopyBehind, state.CopyProven}, 1},
		"one of two":                {2, false, []state.CopyPhase{state.CopyProven, state.CopyFailed}, almost},
		"more than there are":       {9, false, []state.CopyPhase{state.CopyProven, state.CopyProven}, 1},
		"incomplete is not proven":  {1, false, []state.CopyPhase{state.CopyIncomplete}, 0},
		"unproven is not proven":    {1, false, []state.CopyPhase{state.CopyUnproven}, 0},
		"unproven where none reads": {1, true, []state.CopyPhase{state.CopyUnproven}, 1},
		"nobody":                    {1, false, nil, 0},
	} {
		e := New(Plan{Files: sizes(1, 100*mb), Needed: tc.needed, NoProof: tc.noProof, Copies: make([]Copy, len(tc.phases))})
		if got := e.Look(ended(tc.phases...)).Done; got != tc.done {
			t.Errorf("%s: done %v, want %v", name, got, tc.done)
		}
	}
}

// What the last card taught is known at the first look at the next one.
func TestEstimator_ratesAreKept(t *testing.T) {
	t.Parallel()
	s := steady["few clips"]
	first := New(s.plan())
	play(s, first.Look)
	p := s.plan()
	var rates []Rates
	p.CardRate, rates = first.Rates()
	for i := range p.Copies {
		p.Copies[i].Rates = rates[i]
	}
	second := New(p)
	looks, end, _ := play(s, second.Look)
	if first := looks[0].said.Left.Total.Seconds(); math.Abs(first-end) > promised*end {
		t.Errorf("at the first look %.0f s are said to be left of %.0f s", first, end)
	}
	if errs, at := worst(looks, end, 0, ofNeeded); errs > promised {
		t.Errorf("from the beginning on the time left is wrong by %.1f %% at %.0f %%", errs*100, at*100)
	}
}

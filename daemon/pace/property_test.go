package pace

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bothy/daemon/state"
)

// anyCard draws what a card may hold: a few big files, very many small ones, or
// both mixed evenly, 3 to 9 GB in all.
func anyCard(t *rapid.T) (files []int64, perFile float64) {
	total := rapid.Float64Range(3*gb, 9*gb).Draw(t, "total")
	n := rapid.SampledFrom([]int{1, 2, 3, 5, 12, 40, 300, 4000, 20_000}).Draw(t, "files")
	files = sizes(n, total/float64(n))
	if n >= 300 {
		perFile = rapid.Float64Range(0, 0.01).Draw(t, "seconds per file")
		for i := range files { // large and small by turns
			files[i] = files[i] * int64(1+i%4) * 2 / 5
		}
	}
	return files, perFile
}

// anySteady draws a card and drives that keep their speeds.
func anySteady(t *rapid.T) (s shape, known bool) {
	s.files, s.perFile = anyCard(t)
	s.cardRate = rapid.Float64Range(30*mb, 300*mb).Draw(t, "card")
	n := rapid.IntRange(1, 3).Draw(t, "drives")
	s.needed = rapid.IntRange(1, min(n, 2)).Draw(t, "needed")
	if len(s.files) >= 12 && s.needed == n && rapid.Bool().Draw(t, "resumed") {
		s.heldFiles = len(s.files) * rapid.IntRange(1, 9).Draw(t, "tenths held") / 10
	}
	s.twice = rapid.IntRange(0, 4).Draw(t, "twice") == 0
	known = rapid.Bool().Draw(t, "known from earlier")
	pace, proof := s.cardRate, math.Inf(1)
	for i := range n {
		d := simDrive{after: rapid.Bool().Draw(t, "after")}
		if i < s.needed || !known {
			d.write = rapid.Float64Range(30*mb, 400*mb).Draw(t, "write")
			d.readBack = rapid.Float64Range(30*mb, 400*mb).Draw(t, "read back")
			pace, proof = min(pace, d.write), min(proof, d.readBack)
		} else {
			// One more than needed is clearly slower: which of two equals is let
			// go, nobody can know.
			part := rapid.Float64Range(0.2, 0.7).Draw(t, "slower")
			d.after = true
			d.write, d.readBack = s.effective(pace)*part, proof*part
		}
		s.drives = append(s.drives, d)
	}
	if !known {
		// Nobody can know the speed of a proof that has not begun, so it is as
		// supposed: that of the copying; and a second reading as fast as the first.
		s.needed, s.cardRate = n, pace
		pace = s.effective(pace)
		for i := range s.drives {
			s.drives[i].readBack = pace * rapid.Float64Range(0.98, 1.02).Draw(t, "off")
		}
	}
	for i := range s.drives {
		s.drives[i].closing = s.lastSteps(s.drives[i].after)
	}
	return s, known
}

// effective is a speed with the cost of each file in it.
func (s *shape) effective(rate float64) float64 {
	bytes := float64(s.total()) / float64(len(s.files))
	return bytes / (bytes/rate + s.perFile)
}

// lastSteps is how long a second look takes at the speeds that are supposed:
// nobody sees it go on, so nobody can foretell it better.
func (s *shape) lastSteps(turning bool) float64 {
	seconds := closingAtLeast
	for _, f := range s.files {
		if turning {
			seconds += turningSample * float64(2+f/sampleStride)
		} else {
			seconds += solidSample * float64(2+f/sampleStride)
		}
	}
	return seconds
}

// largest is the worst error that any draw showed.
type largest struct{ errs, at float64 }

func TestEstimator_steadyWhateverTheShape(t *testing.T) {
	t.Parallel()
	var worstSeen largest
	rapid.Check(t, func(t *rapid.T) {
		s, known := anySteady(t)
		p := s.plan()
		if known {
			p.CardRate = s.effective(s.cardRate)
			for i, d := range s.drives {
				p.Copies[i].Rates = Rates{Write: d.write, ReadBack: d.readBack}
			}
		}
		looks, end, _ := play(s, New(p).Look)
		sound(t, looks, s.needed, false)
		errs, at := worst(looks, end, 0.1, ofNeeded)
		if errs > worstSeen.errs {
			worstSeen = largest{errs, at}
		}
		if errs > promised {
			t.Fatalf("the time left is wrong by %.1f %% at %.0f %% of %.0f s", errs*100, at*100, end)
		}
	})
	t.Logf("worst error %.1f %% at %.0f %% of the time", worstSeen.errs*100, worstSeen.at*100)
}

// Cards that stall and vary, drives that spoil files, fail or fall behind: then
// nothing is promised of the time left but that it is one.
func TestEstimator_unsteady(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		s, _ := anySteady(t)
		s.random = rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		s.wobble = rapid.Float64Range(0, 0.9).Draw(t, "wobble")
		s.swallow = rapid.Float64Range(0, 4*gb).Draw(t, "swallow")
		s.stall = [2]float64{rapid.Float64Range(0, 300).Draw(t, "stall at"), rapid.Float64Range(0, 200).Draw(t, "for")}
		for i := range s.drives {
			switch rapid.IntRange(0, 3).Draw(t, "luck") {
			case 0:
				s.drives[i].fails = rapid.Float64Range(0, 600).Draw(t, "fails at")
			case 1:
				s.drives[i].spoils = map[int]bool{rapid.IntRange(0, len(s.files)-1).Draw(t, "spoilt"): true}
			}
		}
		looks, _, _ := play(s, New(s.plan()).Look)
		sound(t, looks, s.needed, false)
	})
}

// Looks that no engine would give.
func TestEstimator_nonsense(t *testing.T) {
	t.Parallel()
	phases := []state.CopyPhase{"", "nonsense", state.CopyWaiting, state.CopyCopying, state.CopyProving, state.CopyFinishing, state.CopyBehind,
		state.CopyUnfinished, state.CopyProven, state.CopyFailed, state.CopyIncomplete, state.CopyUnproven}
	number := rapid.OneOf(rapid.Int64Range(-10, 1000), rapid.Int64(), rapid.Just(int64(math.MaxInt64)), rapid.Just(int64(math.MinInt64)))
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(0, 3).Draw(t, "copies")
		p := Plan{
			Files: rapid.SliceOfN(rapid.Int64Range(-5, 1000), 0, 5).Draw(t, "files"), Needed: rapid.IntRange(-1, 4).Draw(t, "needed"),
			NoProof: rapid.Bool().Draw(t, "no proof"), Twice: rapid.Bool().Draw(t, "twice"), Copies: make([]Copy, n),
			CardRate: rapid.Float64().Draw(t, "card"),
		}
		for i := range p.Copies {
			p.Copies[i].ReadBackAfter = rapid.Bool().Draw(t, "after")
			p.Copies[i].Rates = Rates{rapid.Float64().Draw(t, "write"), rapid.Float64().Draw(t, "read back")}
			if held := rapid.IntRange(0, 5).Draw(t, "held"); held > 0 {
				p.Copies[i].Held = func(i int) bool { return i < held }
			}
		}
		e := New(p)
		var looks []told
		for range rapid.IntRange(1, 12).Draw(t, "looks") {
			l := Look{At: time.Duration(number.Draw(t, "at")), BytesRead: number.Draw(t, "read")}
			for range rapid.IntRange(0, n+1).Draw(t, "of copies") {
				l.Copies = append(l.Copies, CopyLook{
					Phase: rapid.SampledFrom(phases).Draw(t, "phase"), BytesWritten: number.Draw(t, "written"),
					BytesReadBack: number.Draw(t, "back"), BytesProven: number.Draw(t, "proven"),
				})
			}
			looks = append(looks, told{l, e.Look(l)})
		}
		sane(t, looks)
	})
}

// sane is sound without what only an engine's looks allow to say.
func sane(t fatal, looks []told) {
	t.Helper()
	before := 0.0
	for _, l := range looks {
		e := l.said
		if !(e.Done >= before && e.Done <= 1) || e.BytesPerSecond < 0 {
			t.Fatalf("done %v after %v, %d bytes per second", e.Done, before, e.BytesPerSecond)
		}
		before = e.Done
		for _, left := range append(leftsOf(e), e.Left) {
			if left.Copy < 0 || left.Proof < 0 || left.Total != left.Copy+left.Proof {
				t.Fatalf("left %+v", left)
			}
		}
	}
}

package offload

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"pgregory.net/rapid"

	"bothy/daemon/state"
)

// worn is a file on a medium with bad sectors. A read that touches one fails as
// a whole, or gives what comes before it.
type worn struct {
	data   []byte
	bad    []bool // by sector
	prefix bool
	costs  time.Duration // of a read that fails
	reads  int
	fails  int
	heals  map[int]int // sector: it can be read after so many failures
}

func (w *worn) Size() int64  { return int64(len(w.data)) }
func (w *worn) Close() error { return nil }

func (w *worn) ReadAt(p []byte, off int64) (int, error) {
	w.reads++
	n := copy(p, w.data[min(off, w.Size()):])
	for s := off / rescueSector; s*rescueSector < off+int64(n); s++ {
		if !w.bad[s] {
			continue
		}
		if left, ok := w.heals[int(s)]; ok {
			if w.heals[int(s)]--; left <= 0 {
				continue
			}
		}
		w.fails++
		time.Sleep(w.costs)
		if w.prefix {
			return int(max(0, s*rescueSector-off)), syscall.EIO
		}
		clear(p) // what a read that failed left in memory is worth nothing
		return 0, syscall.EIO
	}
	if n < len(p) {
		return n, io.EOF
	}
	return n, nil
}

// wornSectors is such a file that gives single sectors.
type wornSectors struct{ *worn }

func (w wornSectors) ReadSector(p []byte, off int64) (int, error) {
	if len(p) != rescueSector || off%rescueSector != 0 {
		return 0, errors.New("this is no sector")
	}
	return w.ReadAt(p, off)
}

// rescued reads a worn file and puts what is kept into its place.
func rescued(t tester, src Source, left *allowance) (*rescue, []byte) {
	t.Helper()
	got, have := make([]byte, src.Size()), make([]bool, src.Size())
	s := &rescue{src: src, size: src.Size(), left: left, failed: func(error) error { return nil }, keep: func(p []byte, at int64) error {
		copy(got[at:], p)
		for i := range p {
			if have[at+int64(i)] {
				t.Fatalf("byte %d is given twice", at+int64(i))
			}
			have[at+int64(i)] = true
		}
		return nil
	}}
	if err := s.run(context.Background()); err != nil {
		t.Fatal(err)
	}
	last := int64(0)
	for _, r := range s.missing {
		if r.From < last || r.Bytes() <= 0 || r.To > src.Size() {
			t.Fatalf("missing %v", s.missing)
		}
		last = r.To
		for i := r.From; i < r.To; i++ {
			if have[i] {
				t.Fatalf("byte %d is kept, and called missing", i)
			}
			have[i] = true
		}
	}
	if i := slices.Index(have, false); i >= 0 {
		t.Fatalf("byte %d is neither kept nor called missing", i)
	}
	return s, got
}

// badSectors draws single ones, runs of them, and whole deserts.
func badSectors(sectors int) *rapid.Generator[[]bool] {
	return rapid.Custom(func(t *rapid.T) []bool {
		bad := make([]bool, sectors)
		for range rapid.IntRange(0, 6).Draw(t, "places") {
			from := rapid.IntRange(0, sectors-1).Draw(t, "from")
			long := rapid.SampledFrom([]int{1, 1, 2, 7, 8, 9, 64, 500, 5000}).Draw(t, "long")
			every := rapid.SampledFrom([]int{1, 1, 2, 3, 17}).Draw(t, "every")
			for s := from; s < min(from+long, sectors); s += every {
				bad[s] = true
			}
		}
		return bad
	})
}

// TestRescue_anyBadSectors: every byte that can be read is in its place, what is
// called missing are the bad units and nothing else, and neither takes for ever.
func TestRescue_anyBadSectors(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		size := rapid.OneOf(rapid.IntRange(1, 9000), rapid.IntRange(1, 1<<20)).Draw(t, "size")
		sectors := (size + rescueSector - 1) / rescueSector
		w := &worn{data: noise(size, size), bad: badSectors(sectors).Draw(t, "bad"), prefix: rapid.Bool().Draw(t, "prefix")}
		var src Source = w
		unit := rescueBlock
		if rapid.Bool().Draw(t, "gives single sectors") {
			src, unit = wornSectors{w}, rescueSector
		}
		left := newAllowance()
		s, got := rescued(t, src, left)
		missing := make([]bool, size)
		for _, r := range s.missing {
			for i := r.From; i < r.To; i++ {
				missing[i] = true
			}
		}
		anyBad := slices.Contains(w.bad, true)
		for at := 0; at < size; at += unit {
			to := min(at+unit, size)
			bad := slices.Index(w.bad[at/rescueSector:(to+rescueSector-1)/rescueSector], true)
			for i := at; i < to; i++ {
				inBad := w.bad[i/rescueSector]
				switch {
				case inBad && !missing[i]:
					t.Fatalf("byte %d of a bad sector is said to be there", i)
				case bad < 0 && missing[i]:
					t.Fatalf("byte %d of a sound unit is missing", i)
				case !missing[i] && got[i] != w.data[i]:
					t.Fatalf("byte %d is not the card's", i)
				case missing[i] && bad >= 0 && !w.prefix && unit == rescueSector && !inBad:
					t.Fatalf("byte %d of a sound sector is missing", i)
				}
			}
		}
		if s.whole != !anyBad {
			t.Fatalf("whole: %v", s.whole)
		}
		failed := SalvageReads - left.reads
		if failed != w.fails {
			t.Fatalf("%d reads failed, and %d are charged", w.fails, failed)
		}
		// Each stage tries a missing part once; the last two do so with single units.
		if most := size/rescuePortion + size/rescuePiece + size/rescueBlock + 2*sectors + 16; w.reads > most {
			t.Fatalf("%d reads of %d bytes, more than %d", w.reads, size, most)
		}
	})
}

// TestRescue_takesNoLongerThanItMay: what is left when the time or the number of
// reads is used up is called missing, and is not tried.
func TestRescue_takesNoLongerThanItMay(t *testing.T) {
	t.Parallel()
	const size = 64 << 20
	for _, tc := range []struct {
		name  string
		costs time.Duration
		left  allowance
	}{
		{"a bad sector costs half a minute", 30 * time.Second, *newAllowance()},
		{"a bad sector costs a second", time.Second, *newAllowance()},
		{"a bad sector costs nothing", 0, allowance{SalvageTime, 300}},
		{"nothing is left", time.Second, allowance{}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				w := &worn{data: noise(1, size), bad: make([]bool, size/rescueSector), costs: tc.costs}
				for s := range w.bad { // from the tenth MiB on nothing can be read, but for the last MiB
					w.bad[s] = s > 10<<20/rescueSector && s < 63<<20/rescueSector
				}
				begun, left := time.Now(), tc.left
				s, got := rescued(t, wornSectors{w}, &left)
				if took := time.Since(begun); took > tc.left.time+tc.costs {
					t.Errorf("it took %v, and may take %v", took, tc.left.time)
				}
				if w.fails > max(0, tc.left.reads) {
					t.Errorf("%d reads failed, and %d may", w.fails, tc.left.reads)
				}
				if tc.left.reads == 0 {
					if w.reads != 0 || bytesOf(s.missing) != size {
						t.Errorf("%d reads; missing %v", w.reads, s.missing)
					}
					return
				}
				if !bytes.Equal(got[:10<<20], w.data[:10<<20]) || !bytes.Equal(got[63<<20+rescueSkipMost/16:], w.data[63<<20+rescueSkipMost/16:]) {
					t.Errorf("what lies before and behind the bad part is not all there: missing %v", s.missing)
				}
			})
		})
	}
}

// TestRescue_triesAgain: a sector that can be read at last is not missing.
func TestRescue_triesAgain(t *testing.T) {
	t.Parallel()
	w := &worn{data: noise(1, 1<<20), bad: make([]bool, 1<<20/rescueSector), heals: map[int]int{777: 4}}
	w.bad[777], w.bad[900] = true, true
	s, got := rescued(t, wornSectors{w}, newAllowance())
	want := state.ByteRange{From: 900 * rescueSector, To: 901 * rescueSector}
	if len(s.missing) != 1 || s.missing[0] != want || !bytes.Equal(got[:want.From], w.data[:want.From]) {
		t.Errorf("missing %v after %d failures", s.missing, w.fails)
	}
}

// TestRescue_comesBackLast: the end of the file is read before the first bad
// place is tried a second time.
func TestRescue_comesBackLast(t *testing.T) {
	t.Parallel()
	w := &worn{data: noise(1, 4<<20), bad: make([]bool, 4<<20/rescueSector)}
	w.bad[100] = true
	var order []string
	src := &told{w, func(from, to int64) { order = append(order, fmt.Sprintf("%d-%d", from, to)) }}
	rescued(t, src, newAllowance())
	end := slices.IndexFunc(order, func(s string) bool { return s[len(s)-7:] == "4194304" })
	again := slices.IndexFunc(order[1:], func(s string) bool { return s[:2] == "0-" }) + 1
	if end < 0 || again < end {
		t.Errorf("read in this order: %v", order)
	}
}

type told struct {
	*worn
	of func(from, to int64)
}

func (s *told) ReadAt(p []byte, off int64) (int, error) {
	s.of(off, off+int64(len(p)))
	return s.worn.ReadAt(p, off)
}

package mhl

import (
	"context"
	"errors"
	"testing"
)

// sequenceOf is a card of files that are made up as they are asked for, so
// that nobody holds them.
func sequenceOf(n int, each func(i int)) Generation {
	card := bigCard(0)
	card.Each = func(yield func(FileHash) bool) {
		for i := range n {
			each(i)
			if !yield(still(i)) {
				return
			}
		}
	}
	return card
}

// What Append holds must not depend on the number of files. It is weighed in
// the middle and at the end of each time that the files come by, and while they
// are written. Not parallel: others' memory would be weighed too.
func TestAppend_holdsNoFiles(t *testing.T) {
	const n, limit = 50_000, 10 // bytes for each file
	root := tempFolder(t, nil)
	before, w, most := liveBytes(), &weighing{}, int64(0)
	g := sequenceOf(n, func(i int) {
		if i == n/2 || i == n-1 {
			most = max(most, liveBytes())
		}
	})
	_, err := Append(root, g, w)
	must(t, err)
	if held := max(most, w.most) - before; held > limit*n {
		t.Errorf("%d bytes are held for %d files, more than %d for each", held, n, limit)
	}
}

// Nor may a file make garbage, beyond what the caller makes: four drives at
// once write a card's manifests.
func TestAppend_allocatesPerFolder(t *testing.T) {
	files := bigCard(6_000).Files
	count := func(n int) float64 {
		g := bigCard(0)
		g.Files = files[:n]
		return testing.AllocsPerRun(1, func() {
			_, err := Append(tempFolder(t, nil), g, nil)
			must(t, err)
		})
	}
	few, many := count(1_000), count(6_000)
	if each := (many - few) / 5_000; each > 0.25 { // a folder of a hundred has a few
		t.Errorf("%.2f allocations for each file", each)
	}
}

// An index is what a verification of a million files holds.
func TestOpenIndex_isCompact(t *testing.T) {
	const n, limit = 20_000, 200
	root := tempFolder(t, nil)
	_, err := Append(root, sequenceOf(n, func(int) {}), nil)
	must(t, err)
	before := liveBytes()
	h, err := OpenIndex(t.Context(), root, nil)
	must(t, err)
	if held := liveBytes() - before; held > limit*n {
		t.Errorf("%d bytes are held for %d files, more than %d for each", held, n, limit)
	}
	if got := len(h.Files()); got != n {
		t.Errorf("%d files, want %d", got, n)
	}
}

// Whoever waits for a history of gigabytes learns that reading it gets on.
func TestOpenIndex_steps(t *testing.T) {
	const n = 20_000
	root := tempFolder(t, nil)
	w, err := Append(root, sequenceOf(n, func(int) {}), nil)
	must(t, err)
	info, err := root.Stat(w.Path)
	must(t, err)
	steps := int64(0)
	_, err = OpenIndex(t.Context(), root, func() { steps++ })
	must(t, err)
	// One for each MiB, and for the ends of manifest and chain: who trickles is not waited for.
	if least := info.Size() >> 20; steps < least || steps > least+4 || least < 2 {
		t.Errorf("%d steps for a manifest of %d bytes, want one for each MiB and four at most besides", steps, info.Size())
	}
}

// One that nobody waits for any more ends; the next generation is waited for in the same way.
func TestOpenIndex_ends(t *testing.T) {
	root := tempFolder(t, nil)
	_, err := Append(root, sequenceOf(20_000, func(int) {}), nil)
	must(t, err)
	ctx, cancel := context.WithCancelCause(t.Context())
	enough := errors.New("enough")
	if _, err := OpenIndex(ctx, root, func() { cancel(enough) }); !errors.Is(err, enough) {
		t.Errorf("OpenIndex() = %v, want what ended it", err)
	}
	w := &readWatcher{}
	_, err = Append(root, sequenceOf(1, func(int) {}), w)
	must(t, err)
	if w.read < 2 {
		t.Errorf("%d steps while a history is read to be carried on", w.read)
	}
}

type readWatcher struct {
	direct
	read int
}

func (w *readWatcher) Read() { w.read++ }

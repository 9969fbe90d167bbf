package offload

import (
	"errors"
	"sync"
)

// landing is one file on its way onto one drive. The writer says how much of it
// is flushed, and the prover reads that back behind it.
type landing struct {
	reading *reading

	mu           sync.Mutex
	flushedBytes int64         // guarded by mu; from the front
	whole        bool          // guarded by mu; written and flushed to its end
	lost         bool          // guarded by mu; thrown away by the writer
	spoiled      bool          // guarded by mu; its reading back failed
	moved        chan struct{} // guarded by mu; closed when anything above changes
}

func newLanding(r *reading) *landing { return &landing{reading: r, moved: make(chan struct{})} }

func (l *landing) change(how func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	how()
	close(l.moved)
	l.moved = make(chan struct{})
}

func (l *landing) flushedTo(n int64) { l.change(func() { l.flushedBytes = n }) }

// isWhole takes note that the writer is done with the file, and reports whether
// reading it back had failed by then: then it is the writer who throws it away.
func (l *landing) isWhole() (spoiled bool) {
	l.change(func() { l.whole, l.flushedBytes, spoiled = true, l.reading.file.SizeBytes, l.spoiled })
	return spoiled
}

func (l *landing) isLost() { l.change(func() { l.lost = true }) }

// spoil takes note that reading back failed, and reports whether the writer is
// done with the file: else it is the writer who throws it away.
func (l *landing) spoil() (written bool) {
	l.change(func() { l.spoiled, written = true, l.whole })
	return written
}

func (l *landing) isSpoiled() bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.spoiled
}

// errLost: the file that was being read back does not exist any more. Whoever
// threw it away has said why.
var errLost = errors.New("the file was thrown away while it was read back")

// await waits until more than the first at bytes are flushed, or the whole
// file, and returns how far reading back may go.
func (l *landing) await(at int64, gone, stopped <-chan struct{}) (upTo int64, err error) {
	for {
		l.mu.Lock()
		upTo, whole, lost, moved := l.flushedBytes, l.whole, l.lost, l.moved
		l.mu.Unlock()
		switch {
		case lost:
			return 0, errLost
		case whole || upTo > at:
			return upTo, nil
		}
		if err := waitFor(moved, gone, stopped); err != nil {
			return 0, err
		}
	}
}

// waitFor waits for what to close; it gives up, with errStopped, when the drive
// is gone or the run is stopped.
func waitFor(what, gone, stopped <-chan struct{}) error {
	select {
	case <-what:
		return nil
	case <-gone:
	case <-stopped:
	}
	return errStopped
}

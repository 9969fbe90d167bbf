package offload

import (
	"context"
	"sync"
	"time"
)

// books turn two facts into a proof, and have it noted durably in groups. A
// file is proven on a drive when its reading is settled (the card was still
// the same one afterwards) and its read-back from that drive agreed.
//
// One goroutine, the keeper, enters the notes.
type books struct {
	run *run
	// notes is never closed: a drive that was set aside as hung may wake up
	// and offer one when its pass is long over.
	notes chan note
	stop  chan struct{} // closed when no more notes will come
	done  chan struct{} // closed when every note is dealt with

	mu        sync.Mutex
	settled   []bool             // guarded by mu; by file index
	noted     []bool             // guarded by mu; by file index: the recorder knows its checksums
	agreed    map[*target][]bool // guarded by mu
	newlyRead []FileSum          // the keeper's, as what follows
	newly     map[*target][]string
	pending   int
}

type note struct {
	readings []*reading // settled
	target   *target    // with file: read back
	file     *file
	entered  chan struct{} // closed when all earlier notes are dealt with
}

// A group of notes is committed when it has this many, or after this long.
const (
	noteGroup = 256
	noteAfter = 500 * time.Millisecond
)

func newBooks(r *run) *books {
	return &books{
		run: r, notes: make(chan note, noteGroup), settled: make([]bool, r.slots()), noted: make([]bool, r.slots()),
		agreed: map[*target][]bool{}, newly: map[*target][]string{},
	}
}

// open starts the keeper; close ends it.
func (b *books) open(ctx context.Context) {
	b.stop, b.done = make(chan struct{}), make(chan struct{})
	go b.keep(ctx, b.stop, b.done)
}

func (b *books) close() {
	close(b.stop)
	<-b.done
}

// catchUp returns when every note that was given so far is durable.
func (b *books) catchUp() {
	entered := make(chan struct{})
	select {
	case b.notes <- note{entered: entered}:
	case <-b.done: // a drive that hung has woken up when all is over
		return
	}
	select {
	case <-entered:
	case <-b.done:
	}
}

func (b *books) isSettled(f *file) bool {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.settled[f.index]
}

func (b *books) settle(readings []*reading) { b.notes <- note{readings: readings} }

func (b *books) readBack(t *target, f *file) {
	select {
	case b.notes <- note{target: t, file: f}:
	case <-t.gone:
	}
}

func (b *books) keep(ctx context.Context, stop, done chan struct{}) {
	defer close(done)
	ticker := time.NewTicker(noteAfter)
	defer ticker.Stop()
	for {
		select {
		case n := <-b.notes:
			b.enter(n)
			if b.pending >= noteGroup || n.entered != nil {
				b.commit(ctx)
			}
			if n.entered != nil {
				close(n.entered)
			}
		case <-ticker.C:
			b.commit(ctx)
		case <-stop:
			b.enterRest()
			b.commit(ctx)
			return
		}
	}
}

// enterRest deals with the notes that were given before the pass ended.
func (b *books) enterRest() {
	for {
		select {
		case n := <-b.notes:
			b.enter(n)
		default:
			return
		}
	}
}

func (b *books) enter(n note) {
	for _, r := range n.readings {
		<-r.done
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, r := range n.readings {
		if r.err != nil {
			continue
		}
		b.settled[r.file.index] = true
		b.noteSumsLocked(r.file)
		for t, agreed := range b.agreed {
			if agreed[r.file.index] {
				b.prove(t, r.file)
			}
		}
	}
	if n.target == nil {
		return
	}
	if b.agreed[n.target] == nil {
		b.agreed[n.target] = make([]bool, b.run.slots())
	}
	b.agreed[n.target][n.file.index] = true
	if b.settled[n.file.index] {
		b.prove(n.target, n.file)
	}
}

func (b *books) noteSumsLocked(f *file) {
	sums, ok := f.checksums()
	if !ok || b.noted[f.index] || f.salvaged {
		return
	}
	b.noted[f.index] = true
	b.newlyRead = append(b.newlyRead, FileSum{*f.Entry, sums})
	b.pending++
}

func (b *books) prove(t *target, f *file) {
	if t.isProven(f) && !f.salvaged {
		b.newly[t] = append(b.newly[t], f.Path)
		b.pending++
	}
}

// forget takes a proof back: the file must be copied again.
func (b *books) forget(t *target, f *file, to standing) {
	b.mu.Lock()
	if b.agreed[t] != nil {
		b.agreed[t][f.index] = false
	}
	b.mu.Unlock()
	t.restand(f, to)
}

// commit makes the notes durable: readings first, since proofs refer to them.
func (b *books) commit(ctx context.Context) {
	if b.pending == 0 {
		return
	}
	if rec := b.run.job.Recorder; rec != nil {
		// A stop must not lose notes of work that is done.
		ctx = context.WithoutCancel(ctx)
		if len(b.newlyRead) > 0 {
			b.run.noteFailed(rec.Read(ctx, b.newlyRead))
		}
		if b.run.job.Verify != VerifySize {
			for t, paths := range b.newly {
				b.run.noteFailed(rec.Proven(ctx, t.drive.ID, paths))
			}
		}
	}
	b.newlyRead, b.pending = nil, 0
	clear(b.newly)
}

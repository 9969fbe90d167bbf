package offload

import (
	"context"
	"time"
)

// books turn two facts into a proof, and have it noted durably in groups. A
// file is proven on a drive when its reading is settled (the card was still
// the same one afterwards) and its read-back from that drive agreed.
//
// One goroutine keeps them while a pass runs; between passes they are the run's.
type books struct {
	run *run
	// notes is never closed: a drive that was set aside as hung may wake up
	// and offer one when its pass is long over.
	notes chan note
	stop  chan struct{} // closed when no more notes of this pass will come
	done  chan struct{} // closed when every note of the pass is dealt with

	settled   []bool // by file index
	noted     []bool // by file index: the recorder knows its checksums
	agreed    map[*target][]bool
	newlyRead []FileSum
	newly     map[*target][]string
	pending   int
}

type note struct {
	readings []*reading // settled
	target   *target    // with file: read back
	file     *file
}

// A group of notes is committed when it has this many, or after this long.
const (
	noteGroup = 256
	noteAfter = 500 * time.Millisecond
)

func newBooks(r *run) *books {
	return &books{
		run: r, notes: make(chan note, noteGroup), settled: make([]bool, len(r.files)), noted: make([]bool, len(r.files)),
		agreed: map[*target][]bool{}, newly: map[*target][]string{},
	}
}

// open starts a pass; close ends it.
func (b *books) open(ctx context.Context) {
	b.stop, b.done = make(chan struct{}), make(chan struct{})
	go b.keep(ctx, b.stop, b.done)
}

func (b *books) close() {
	close(b.stop)
	<-b.done
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
			if b.pending >= noteGroup {
				b.commit(ctx)
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
		if r.err != nil {
			continue
		}
		b.settled[r.file.index] = true
		b.noteSums(r.file)
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
		b.agreed[n.target] = make([]bool, len(b.run.files))
	}
	b.agreed[n.target][n.file.index] = true
	if b.settled[n.file.index] {
		b.prove(n.target, n.file)
	}
}

func (b *books) noteSums(f *file) {
	sums, ok := f.checksums(b.run.job.Checksum)
	if !ok || b.noted[f.index] {
		return
	}
	b.noted[f.index] = true
	b.newlyRead = append(b.newlyRead, FileSum{f.Entry, sums})
	b.pending++
}

func (b *books) prove(t *target, f *file) {
	if t.standing[f.index] == proven {
		return
	}
	t.standing[f.index] = proven
	b.newly[t] = append(b.newly[t], f.Path)
	b.pending++
	t.mu.Lock()
	t.provenN++
	t.provenB += f.SizeBytes
	t.mu.Unlock()
}

// forget takes a proof back: the file must be copied again.
func (b *books) forget(t *target, f *file, to standing) {
	if b.agreed[t] != nil {
		b.agreed[t][f.index] = false
	}
	if t.standing[f.index] == proven {
		t.mu.Lock()
		t.provenN--
		t.provenB -= f.SizeBytes
		t.mu.Unlock()
	}
	t.standing[f.index] = to
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

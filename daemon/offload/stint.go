package offload

import (
	"context"
	"errors"
	"sync"

	"bothy/daemon/state"
)

// stint is one drive's part in one pass: a writer that takes what the reader
// gives, and a prover that reads back what the writer has flushed.
type stint struct {
	target  *target
	queue   chan message
	toProve chan *landing
	written chan struct{} // closed when the writer is done
	over    chan struct{} // closed when nothing of the stint goes on, or the drive is stuck
	card    *cardRead

	// The writer's:
	group        []*writing // written and not yet flushed
	groupedBytes int64
}

func newStint(t *target, files int, card *cardRead) *stint {
	return &stint{
		target: t, card: card, queue: make(chan message, queueLength),
		toProve: make(chan *landing, 2*files), // what is salvaged of a file comes on top of it
		written: make(chan struct{}), over: make(chan struct{}),
	}
}

// begin starts the writer, the prover and, when the card has been read, what is
// to be done after the pass.
func (s *stint) begin(ctx context.Context) {
	t := s.target
	t.setPhase(state.CopyCopying)
	var parts sync.WaitGroup
	parts.Add(2)
	t.run.guard(t, func() { defer close(s.written); s.writeFiles() }, parts.Done)
	t.run.guard(t, func() { s.proveFiles(ctx) }, parts.Done)
	go s.drainWhenStuck()
	t.run.stints.Go(func() {
		defer close(s.over)
		parts.Wait()
		select {
		case <-s.card.done:
		case <-t.stuck:
			return
		}
		var last sync.WaitGroup
		last.Add(1)
		t.run.guard(t, func() { s.conclude(ctx) }, last.Done)
		last.Wait()
	})
}

// conclude puts every file that was handed out where it belongs, and finishes
// the copy when the card has nothing more to give to it.
func (s *stint) conclude(ctx context.Context) {
	t, r := s.target, s.target.run
	r.books.catchUp()
	r.takeBack(ctx, t)
	for _, f := range r.all() {
		if t.stands(f) != reading_ {
			continue
		}
		_, unread := r.unreadReason(f.Path)
		switch {
		case f.isChanged(), unread: // a part of it may be there still, if removing that failed
			t.discard(f)
			t.restand(f, blocked)
		default:
			if !r.books.isSettled(f) {
				t.discard(f)
			}
			r.books.forget(t, f, missing)
		}
	}
	if s.card.err != nil || t.isSetAside() || ctx.Err() != nil {
		return
	}
	if lacking, _ := t.counts(); lacking == 0 {
		t.finish(ctx, s.card.unsure)
	} else if t.behind.Load() {
		t.setPhase(state.CopyBehind)
	}
}

// takeBack withdraws the proofs of files of which nobody knows any more what
// they hold. The note comes first: a file must not be missed before that.
func (r *run) takeBack(ctx context.Context, t *target) {
	var changed []*file
	var paths []string
	for _, f := range r.files {
		if f.isChanged() && t.stands(f) == proven {
			changed, paths = append(changed, f), append(paths, f.Path)
		}
	}
	if len(changed) == 0 {
		return
	}
	t.note(func(rec Recorder) error { return rec.Unproven(context.WithoutCancel(ctx), t.drive.ID, paths) })
	for _, f := range changed {
		r.books.forget(t, f, blocked)
		t.discard(f)
	}
}

// drainWhenStuck empties the queue of a drive that does not answer, whose
// writer cannot do so: else it would soon hold every buffer of the ring, and
// with them all other drives. It ends when the reader is done.
func (s *stint) drainWhenStuck() {
	select {
	case <-s.target.stuck:
	case <-s.over:
		return
	}
	s.target.run.ring.replace() // for the buffer that the writer is stuck with
	for m := range s.queue {
		s.drop(m)
	}
}

func (s *stint) drop(m message) {
	if m.chunk != nil {
		s.release(m.chunk)
	}
}

// release gives a buffer back.
func (s *stint) release(c *chunk) {
	s.target.backlog.Add(-int64(len(c.buf)))
	c.release()
	s.target.eased()
}

// errStopped: ctx ended, or the drive was set aside, while it was being proven.
// It is no fault.
var errStopped = errors.New("stopped")

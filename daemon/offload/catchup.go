package offload

import (
	"context"
	"errors"
	"fmt"

	"bothy/daemon/state"
)

// catchUp brings the drives that were let go what they lack, from copies that
// are finished. What is read there must agree with what the card gave: a copy
// that rots is never passed on.
func (r *run) catchUp(ctx context.Context) {
	r.catchingUp = true
	for range r.job.attempts() {
		sources := r.sources()
		if ctx.Err() != nil || len(sources) == 0 || !r.copyPass(ctx, sources) {
			break
		}
		if r.yielded != nil {
			return
		}
	}
	// Nothing finished can be read from, or it does not hold all: the card may.
	for pass := 0; pass < r.job.attempts() && r.cardErr == nil && !r.cardDone && ctx.Err() == nil; pass++ {
		if !r.pass(ctx) {
			return
		}
	}
}

// sources are the drives whose copy is finished.
func (r *run) sources() (list []*target) {
	for _, t := range r.from {
		if !t.isSetAside() {
			list = append(list, t)
		}
	}
	for _, t := range r.targets {
		if p := t.ended(); !t.isSetAside() && (p == state.CopyProven || p == state.CopyIncomplete) {
			list = append(list, t)
		}
	}
	return list
}

// copyPass reads once what drives lack, each file from the first copy that was
// not found wrong before, and reports whether there was anything to do.
func (r *run) copyPass(ctx context.Context, sources []*target) bool {
	card := &cardRead{done: make(chan struct{}), unsure: r.unsure}
	takers := r.stintsFor(card)
	if len(takers) == 0 {
		return false
	}
	r.ring.shrink(behindChunks) // nobody waits for these drives
	for _, s := range takers {
		s.begin(ctx)
	}
	c := &copyReader{reader: reader{run: r, before: r.job.Yield}}
	end := c.begin()
	for _, f := range r.all() {
		var to []consumer
		for _, s := range takers {
			if s.target.stands(f) == reading_ && !s.target.isSetAside() {
				to = append(to, s.target)
			}
		}
		if len(to) == 0 || ctx.Err() != nil || r.yielded != nil {
			continue
		}
		r.yielded = c.read(ctx, f, sources, to)
	}
	end()
	for _, s := range takers {
		close(s.queue)
	}
	close(card.done)
	for _, s := range takers {
		<-s.over
	}
	return true
}

// copyReader reads files of proven copies.
type copyReader struct{ reader }

// read gives one file from the first copy that can be read. Nothing is tried
// twice in one pass: who took the first half of a file from one copy must be
// done with it before another is asked. The error says that other work goes
// first for good.
func (c *copyReader) read(ctx context.Context, f *file, sources []*target, to []consumer) error {
	if f.SizeBytes == 0 { // no portion will ask
		if err := c.yield(ctx); err != nil {
			return err
		}
	}
	for _, t := range sources {
		if t.hung() || t.stands(f) != proven || c.run.isDamaged(t, f) {
			continue
		}
		src, err := t.openCopy(f)
		if err != nil {
			c.run.noteDamaged(t, f, err)
			continue
		}
		r := newReading(f, len(c.hashes), true)
		err = c.give(ctx, src, r, to)
		src.Close()
		if err == nil {
			<-r.done
			err = r.err
		}
		if errors.Is(err, errYielded) {
			return err
		}
		if err != nil && ctx.Err() == nil {
			c.run.noteDamaged(t, f, err)
		}
		return nil
	}
	return nil
}

// openCopy opens a file of a finished copy for reading from the medium.
func (t *target) openCopy(f *file) (Source, error) {
	t.mu.Lock()
	name := join(t.result.Folder, f.Path)
	t.mu.Unlock()
	c, err := t.openPatiently(func() (Source, error) { return t.drive.FS.OpenMedium(name) })
	if err != nil {
		return nil, err
	}
	if c.Size() != f.SizeBytes {
		c.Close()
		return nil, fmt.Errorf("%w: %d bytes instead of %d", errCopyDiffers, c.Size(), f.SizeBytes)
	}
	return c, nil
}

func (t *target) openPatiently(open func() (Source, error)) (*copySource, error) {
	c := &copySource{target: t}
	err := t.patiently(func() (err error) {
		c.Source, err = open()
		return err
	}, c.closeLate)
	if err != nil {
		return nil, err
	}
	return c, nil
}

// copySource is a file on a drive that may come to hang.
type copySource struct {
	Source
	target *target
	stuck  bool // somebody is in a call into it, and closes it when he wakes up
}

func (c *copySource) ReadAt(p []byte, off int64) (n int, err error) {
	type answer struct {
		n   int
		err error
	}
	var a answer
	err = c.target.patiently(func() error {
		n, err := c.Source.ReadAt(p, off)
		a = answer{n, err}
		return nil
	}, c.closeLate)
	if err != nil {
		c.stuck = true
		return 0, err
	}
	return a.n, a.err
}

func (c *copySource) Close() error {
	if c.stuck {
		return nil
	}
	return c.target.patiently(c.Source.Close, func() {})
}

func (c *copySource) closeLate() {
	if c.Source != nil {
		c.Source.Close()
	}
}

// patiently runs one operation, and gives it up when the drive hangs. When it
// comes back after all, late is called.
func (t *target) patiently(op func() error, late func()) error {
	ended, givenUp := make(chan error), make(chan struct{})
	go func() {
		err := t.call(op)
		select {
		case ended <- err:
		case <-givenUp:
			late()
		}
	}()
	select {
	case err := <-ended:
		return err
	case <-t.stuck:
		close(givenUp)
		return ErrDriveHung
	}
}

// noteDamaged remembers that a file of a copy cannot be passed on.
func (r *run) noteDamaged(t *target, f *file, err error) {
	if gone := t.checkMedium(); gone != nil || errors.Is(err, ErrDriveHung) {
		t.setAside(fmt.Errorf("while it was read from: %w", errors.Join(gone, err)))
		return
	}
	r.mu.Lock()
	if r.damaged[t] == nil {
		r.damaged[t] = make([]bool, r.slots())
	}
	r.damaged[t][f.index] = true
	r.mu.Unlock()
	if r.job.Damaged != nil {
		r.job.Damaged(t.drive.ID, f.Path)
	}
}

func (r *run) isDamaged(t *target, f *file) bool {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.damaged[t] != nil && r.damaged[t][f.index]
}

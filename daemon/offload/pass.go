package offload

import (
	"context"
	"slices"
	"sync"

	"bothy/daemon/checksum"
	"bothy/daemon/state"
)

// pass reads the card once for all drives that lack something, and reports
// whether there was anything to do.
func (r *run) pass(ctx context.Context) bool {
	takers := map[*target]int{}
	for _, t := range r.live() {
		for i, s := range t.standing {
			if s == missing {
				t.standing[i] = reading_
				takers[t]++
			}
		}
	}
	if len(takers) == 0 {
		return false
	}
	r.books.open(ctx)
	var drives, drains sync.WaitGroup
	passOver := make(chan struct{})
	for t, n := range takers {
		t.queue, t.toProve = make(chan message, queueLength), make(chan *reading, n)
		t.setPhase(state.CopyCopying)
		writerDone := make(chan struct{})
		drains.Go(func() { t.drainWhenStuck(t.queue, passOver) })
		drives.Add(2)
		r.guard(t, func() { defer close(writerDone); t.writeFiles() }, drives.Done)
		r.guard(t, func() { t.proveFiles(ctx, writerDone) }, drives.Done)
	}
	r.cardErr = r.readAll(ctx, func(f *file) (to []consumer) {
		for t := range takers {
			if t.standingAt(f.index) == reading_ && !t.isSetAside() {
				to = append(to, t)
			}
		}
		return to
	})
	for t := range takers {
		close(t.queue)
	}
	drives.Wait()
	close(passOver)
	drains.Wait()
	r.books.close()
	r.afterPass(takers)
	return true
}

// standingAt reads a standing that only the books change during a pass, and
// never from reading_ of a file that was not yet read.
func (t *target) standingAt(i int) standing { return t.standing[i] }

// readAll reads the files that somebody wants, in the card's order.
func (r *run) readAll(ctx context.Context, takers func(*file) []consumer) error {
	c := &cardReader{run: r}
	algorithms := r.algorithms()
	var hashes sync.WaitGroup
	for i, algorithm := range algorithms {
		h := newHashing(algorithm, i == 0)
		c.hashes = append(c.hashes, h)
		hashes.Go(h.run)
	}
	defer hashes.Wait()
	defer func() {
		for _, h := range c.hashes {
			close(h.queue)
		}
	}()
	for _, f := range r.files {
		to := takers(f)
		if len(to) == 0 {
			continue
		}
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		if err := c.read(ctx, f, to); err != nil {
			return err
		}
	}
	return c.settle()
}

// algorithms are the job's own and those of the card's manifests.
func (r *run) algorithms() []string {
	list := []string{r.job.Checksum}
	for _, known := range r.job.Earlier {
		for algorithm := range known {
			if checksum.Known(algorithm) && !slices.Contains(list, algorithm) {
				list = append(list, algorithm)
			}
		}
	}
	slices.Sort(list[1:])
	return list
}

// afterPass puts every file that was handed out back where it belongs.
func (r *run) afterPass(takers map[*target]int) {
	for t := range takers {
		for _, f := range r.files {
			if t.standing[f.index] != reading_ {
				continue
			}
			_, unread := r.unreadReason(f.Path)
			switch {
			case f.isChanged():
				t.discard(f)
				t.standing[f.index] = blocked
			case unread:
				t.standing[f.index] = blocked
			default:
				if !r.books.settled[f.index] {
					t.discard(f)
				}
				r.books.forget(t, f, missing)
			}
		}
	}
}

// readAgain reads the card a second time and compares.
func (r *run) readAgain(ctx context.Context) {
	if len(r.live()) == 0 {
		return
	}
	r.books.open(ctx)
	err := r.readAll(ctx, func(f *file) []consumer {
		if f.readOnce() {
			return []consumer{nobody{}}
		}
		return nil
	})
	r.books.close()
	if err != nil {
		r.cardErr = err
		return
	}
	r.unsure = 0
	for _, f := range r.files {
		if f.readOnce() {
			r.unsure++ // its copies stay: they may be all there is
		}
	}
	for _, t := range r.live() {
		r.takeBack(ctx, t)
	}
}

// takeBack withdraws the proofs of files of which nobody knows any more what
// they hold. The note comes first: a file must not be missed before that.
func (r *run) takeBack(ctx context.Context, t *target) {
	var changed []*file
	var paths []string
	for _, f := range r.files {
		if f.isChanged() && t.standing[f.index] == proven {
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

// nobody takes a file that is read for its checksums alone.
type nobody struct{}

func (nobody) give(message) bool { return false }

// readOnce: the card gave the file once, in this run or an earlier one, and has
// not been asked again.
func (f *file) readOnce() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.readings == 1
}

func (f *file) isChanged() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
}

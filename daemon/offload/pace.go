package offload

import (
	"context"
	"time"

	"bothy/daemon/state"
)

// The fastest drives that are needed set the pace. A drive beyond them may
// hold the others up for graceForAll and for one part in graceShare of the time
// that the pass has taken; then it is let go, sits out a file, and next time
// twice as many and one.
const (
	graceForAll = 200 * time.Millisecond
	graceShare  = 100
	lookEvery   = 20 * time.Millisecond
)

// pace is how one drive keeps up. It is the reader's, but for low.
type pace struct {
	blame  time.Duration // for which others had to wait
	letGo  int           // how often
	sitOut int           // files to come without it
	low    chan struct{} // told when little is left to be written
}

// nextChunk waits for a buffer for the next portion of a file of which so many
// bytes are to come. It has one share.
func (r *run) nextChunk(ctx context.Context, toCome int64) (*chunk, error) {
	small := toCome <= r.ring.chunkBytes/2
	if small {
		if c := r.ring.part(toCome); c != nil {
			return c, nil
		}
	}
	c, err := r.freeChunk(ctx)
	if err != nil {
		return nil, err
	}
	if small {
		r.ring.share(c)
		return r.ring.part(toCome), nil
	}
	c.refs.Store(1)
	return c, nil
}

// freeChunk waits for a free chunk. Whoever holds too many is let go if it can
// be done without.
func (r *run) freeChunk(ctx context.Context) (*chunk, error) {
	select {
	case c := <-r.ring.free:
		return c, nil
	default:
	}
	r.ring.unshare() // it may be the last one
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for last := time.Now(); ; {
		select {
		case c := <-r.ring.free:
			return c, nil
		case <-ctx.Done():
			return nil, ctx.Err()
		case now := <-look.C:
			if t := r.slowest(); t != nil {
				r.blame(t, now.Sub(last))
			}
			last = now
		}
	}
}

// waitOut gives a message to a drive whose queue is full, or lets it go.
func (r *run) waitOut(t *target, m message) bool {
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	for last := time.Now(); ; {
		select {
		case t.stint.queue <- m:
			return true
		case <-t.gone:
			return false
		case now := <-look.C:
			if r.blame(t, now.Sub(last)) {
				return false
			}
			last = now
		}
	}
}

// slowest is the drive that holds most of the ring, if it holds half of it.
func (r *run) slowest() (slowest *target) {
	most := r.ring.sizeBytes.Load() / 2
	for _, t := range r.targets {
		if n := t.backlog.Load(); n >= most && !t.behind.Load() && !t.isSetAside() {
			slowest, most = t, n
		}
	}
	return slowest
}

// blame charges a drive with time that others had to wait for it, and lets it
// go when that was too much.
func (r *run) blame(t *target, waited time.Duration) (letGo bool) {
	if !r.canSpare(t, keepsUp) {
		return false
	}
	t.pace.blame += waited
	if t.pace.blame <= graceForAll+time.Since(r.passBegan)/graceShare {
		return false
	}
	t.pace.letGo++
	t.pace.sitOut = 1<<min(t.pace.letGo, 20) - 1
	t.behind.Store(true)
	t.setPhase(state.CopyBehind)
	t.stint.shed()
	return true
}

// shed takes back what the drive has not begun with: one call into it may take
// long, and others wait for the buffers.
func (s *stint) shed() {
	for {
		select {
		case m, open := <-s.queue:
			if !open { // the card is being read a second time
				return
			}
			s.drop(m)
		default:
			return
		}
	}
}

// keepsUp: the drive is waiting for more, or soon will be. When all are busy
// nobody is to blame; the card is faster than any of them.
func keepsUp(t *target) bool {
	return t.backlog.Load() < t.run.ring.sizeBytes.Load()/2 && (t.stint == nil || len(t.stint.queue) < queueLength/2)
}

func notAsked(*target) bool { return true }

// canSpare reports whether enough others are as asked, and were not let go.
func (r *run) canSpare(t *target, as func(*target) bool) bool {
	if r.job.Copies <= 0 || r.catchingUp {
		return false
	}
	var others []Place
	for _, o := range r.targets {
		if o != t && !o.behind.Load() && !o.isSetAside() && o.ended() != state.CopyRefused && as(o) {
			others = append(others, o.drive.Place)
		}
	}
	return Distinct(others) >= r.job.Copies
}

// takesPart reports whether a drive is to get the next file: one that was let
// go rejoins when it has caught its breath.
func (t *target) takesPart() bool {
	if t.isSetAside() {
		return false
	}
	if !t.behind.Load() {
		return true
	}
	if t.pace.sitOut > 0 {
		t.pace.sitOut--
		return false
	}
	if t.backlog.Load() > 0 || len(t.stint.queue) > 0 {
		return false
	}
	t.behind.Store(false)
	t.setPhase(state.CopyCopying)
	return true
}

// eased is said by the writer whenever it has given a buffer back.
func (t *target) eased() {
	if t.backlog.Load() > t.run.ring.sizeBytes.Load()/4 {
		return
	}
	select {
	case t.pace.low <- struct{}{}:
	default:
	}
}

// afterWriting holds reading back up while the writer is behind: a drive that
// can't do both at the card's speed shall write first.
func (s *stint) afterWriting(ctx context.Context) error {
	t := s.target
	for t.backlog.Load() > t.run.ring.sizeBytes.Load()/2 {
		select {
		case <-t.pace.low:
		case <-s.written:
			return nil
		case <-t.gone:
			return errStopped
		case <-ctx.Done():
			return errStopped
		}
	}
	return nil
}

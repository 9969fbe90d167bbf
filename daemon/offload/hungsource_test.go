package offload

import (
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// strictFS is a drive that notes when a file is closed that somebody is in a call
// into, or that is closed already.
type strictFS struct {
	FS
	mu   *sync.Mutex
	foul *[]string // guarded by mu
}

func (x strictFS) OpenMedium(name string) (Source, error) {
	src, err := x.FS.OpenMedium(name)
	if err != nil {
		return nil, err
	}
	return &strictSource{Source: src, fs: x, name: name}, nil
}

type strictSource struct {
	Source
	fs     strictFS
	name   string
	within int  // guarded by fs.mu; calls under way
	closed bool // guarded by fs.mu
}

func (s *strictSource) enter(by int) {
	s.fs.mu.Lock()
	defer s.fs.mu.Unlock()
	s.within += by
}

func (s *strictSource) ReadAt(p []byte, at int64) (int, error) {
	s.enter(1)
	defer s.enter(-1)
	return s.Source.ReadAt(p, at)
}

func (s *strictSource) Close() error {
	s.fs.mu.Lock()
	if s.closed || s.within > 0 {
		*s.fs.foul = append(*s.fs.foul, s.name)
	}
	s.closed = true
	s.fs.mu.Unlock()
	return s.Source.Close()
}

// TestRun_hungSourceIsClosedOnce: a file that a drive is stuck with is closed by
// whoever is in the call, when it comes back, and by nobody else.
func TestRun_hungSourceIsClosedOnce(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		g := newLate(t, base, lateCard())
		g.job.Patience = 2 * time.Minute
		strict := strictFS{FS: g.drives[0], mu: &sync.Mutex{}, foul: new([]string)}
		g.job.Drives[0].FS = strict
		wake := make(chan struct{})
		stuck := 0
		g.drives[0].hook = func(c call) *fault {
			if c.kind == "read medium" && c.name == final("B.MOV") && stuck == 0 {
				stuck++
				<-wake
			}
			return nil
		}
		c := g.watched()
		res := c.run.carryOut(t.Context())
		synctest.Wait()
		close(wake)
		synctest.Wait()
		mustProve(t, res, 0, 1, 2)
		if open := g.drives[0].unclosed(); stuck != 1 || len(*strict.foul) > 0 || len(open) > 0 {
			t.Errorf("stuck %d times; closed wrongly: %q; left open: %q", stuck, *strict.foul, open)
		}
	})
}

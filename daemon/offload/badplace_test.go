package offload

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"

	"pgregory.net/rapid"

	"bothy/daemon/state"
)

// placedFS is a drive on which every file takes one place, the first that is free,
// as file systems like to. Some can be written and not read.
type placedFS struct {
	FS
	mu    sync.Mutex
	at    map[string]int // guarded by mu; by name
	files []string       // guarded by mu; by place, empty when it is free
	bad   map[int]bool
	taken map[int]int // guarded by mu; how often a bad place was taken
}

// onPlaces puts a drive of so many places below a rig's.
func (g *rig) onPlaces(drive, n int, bad ...int) *placedFS {
	p := &placedFS{FS: g.drives[drive].FS, at: map[string]int{}, files: make([]string, n), bad: map[int]bool{}, taken: map[int]int{}}
	for _, at := range bad {
		p.bad[at] = true
	}
	g.drives[drive].FS = p
	return p
}

func (p *placedFS) take(name string) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	for i, file := range p.files {
		if file != "" {
			continue
		}
		p.files[i], p.at[name] = name, i
		if p.bad[i] {
			p.taken[i]++
		}
		return nil
	}
	return syscall.ENOSPC
}

func (p *placedFS) Create(name string, size int64) (Sink, error) {
	s, err := p.FS.Create(name, size)
	if err != nil {
		return nil, err
	}
	if err := p.take(name); err != nil {
		return nil, errors.Join(err, s.Close(), p.FS.Remove(name))
	}
	return s, nil
}

func (p *placedFS) CreatePatchwork(name string) (Patchwork, error) {
	s, err := p.FS.CreatePatchwork(name)
	if err != nil {
		return nil, err
	}
	if err := p.take(name); err != nil {
		return nil, errors.Join(err, s.Close(), p.FS.Remove(name))
	}
	return s, nil
}

func (p *placedFS) Remove(name string) error {
	err := p.FS.Remove(name)
	p.mu.Lock()
	defer p.mu.Unlock()
	if i, ok := p.at[name]; ok && err == nil {
		p.files[i] = ""
		delete(p.at, name)
	}
	return err
}

func (p *placedFS) Rename(from, to string) error {
	err := p.FS.Rename(from, to)
	p.mu.Lock()
	defer p.mu.Unlock()
	for name, i := range p.at {
		if err == nil && (name == from || strings.HasPrefix(name, from+"/")) {
			moved := to + strings.TrimPrefix(name, from)
			delete(p.at, name)
			p.at[moved], p.files[i] = i, moved
		}
	}
	return err
}

func (p *placedFS) OpenMedium(name string) (Source, error)  { return p.open(name, p.FS.OpenMedium) }
func (p *placedFS) OpenGrowing(name string) (Source, error) { return p.open(name, p.FS.OpenGrowing) }
func (p *placedFS) Open(name string) (Source, error)        { return p.open(name, p.FS.Open) }

func (p *placedFS) open(name string, open func(string) (Source, error)) (Source, error) {
	src, err := open(name)
	if err != nil {
		return nil, err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	i, ok := p.at[name]
	return &placed{src, ok && p.bad[i]}, nil
}

type placed struct {
	Source
	bad bool
}

func (s *placed) ReadAt(b []byte, off int64) (int, error) {
	if s.bad {
		return 0, syscall.EIO
	}
	return s.Source.ReadAt(b, off)
}

// TestRun_badPlaceOnADrive: a file that the drive does not give back is written
// again, and not to the same place.
func TestRun_badPlaceOnADrive(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name   string
		places int
		bad    []int
		phase  state.CopyPhase
		errors int
		fails  error
	}{
		{"one", 100, []int{1}, state.CopyProven, 1, nil},
		{"two for one file", 100, []int{0, 4}, state.CopyProven, 2, nil},
		{"one for each file", 100, []int{0, 1, 2}, state.CopyProven, 3, nil},
		{"the last room but one for what is bad", 6, []int{0}, state.CopyProven, 1, nil},
		{"all of the drive", 100, nil, state.CopyFailed, 9, syscall.EIO},
		{"bad places take up all there is", 4, []int{0}, state.CopyFailed, 2, syscall.EIO},
	} {
		for after := range 2 {
			t.Run(fmt.Sprintf("%s, %d", tc.name, after), func(t *testing.T) {
				t.Parallel()
				g := newRig(t, memoryDir(t), smallCard(), 2)
				g.job.Drives[0].ReadBackAfter = after == 1
				p := g.onPlaces(0, tc.places, tc.bad...)
				if tc.bad == nil {
					for i := range tc.places {
						p.bad[i] = true
					}
				}
				res := Run(context.Background(), g.job)
				mustProve(t, res, 1)
				g.audit(t, res)
				c := res.Copies[0]
				if c.Phase != tc.phase || !errors.Is(c.Err, tc.fails) || res.Mismatches != 0 {
					t.Fatalf("%s: %v; %d mismatches", c.Phase, c.Err, res.Mismatches)
				}
				if n := res.ReadBackErrors; n != tc.errors && (tc.phase == state.CopyProven || n == 0 || n > tc.errors) {
					t.Errorf("%d files that were not given back are counted, want %d", n, tc.errors)
				}
				if tc.phase != state.CopyProven {
					return
				}
				for at, n := range p.taken {
					if n != 1 {
						t.Errorf("the bad place %d was taken %d times", at, n)
					}
				}
				if len(p.at) != len(g.job.Plan.Files) {
					t.Errorf("the drive holds %v", p.at)
				}
			})
		}
	}
}

// TestRun_anyBadPlaces: wherever a drive is bad, its copy is proven or it is set
// aside after a bounded number of faults, and the other drive has its own.
func TestRun_anyBadPlaces(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := newRig(t, memoryDir(t), manySmall(rapid.IntRange(1, 20).Draw(t, "files")), 2)
		g.job.Drives[0].ReadBackAfter = rapid.Bool().Draw(t, "after")
		g.job.Drives[0].Limits.SyncfsFlushes = rapid.Bool().Draw(t, "syncfs")
		p := g.onPlaces(0, rapid.IntRange(1, 60).Draw(t, "places"), rapid.SliceOfN(rapid.IntRange(0, 30), 0, 20).Draw(t, "bad")...)
		damaged := rapid.Bool().Draw(t, "card too")
		if damaged {
			g.card.bad = badRanges(map[string][]state.ByteRange{"DCIM/000.JPG": {{From: 0, To: 512}}})
		}
		res := Run(context.Background(), g.job)
		g.audit(t, res)
		want := state.CopyProven
		if damaged {
			want = state.CopyIncomplete
		}
		if res.Copies[1].Phase != want {
			t.Fatalf("the good drive is %s: %v", res.Copies[1].Phase, res.Copies[1].Err)
		}
		if phase := res.Copies[0].Phase; phase != want && phase != state.CopyFailed {
			t.Fatalf("the bad drive is %s", phase)
		}
		if res.ReadBackErrors > maxFaults {
			t.Fatalf("%d faults", res.ReadBackErrors)
		}
		for name, at := range p.at {
			if p.bad[at] && strings.HasPrefix(name, res.Copies[0].Folder+"/") && res.Copies[0].Phase == want {
				t.Fatalf("%q lies on a bad place", name)
			}
		}
	})
}

// TestRun_heldOnABadPlace: what an earlier life proved cannot be read any more.
func TestRun_heldOnABadPlace(t *testing.T) {
	t.Parallel()
	g := interrupted(t, manySmall(3*settleEvery), nil)
	p := g.onPlaces(0, 1000, 0)
	for name := range g.job.Drives[0].Held {
		if err := p.take(work(name)); err != nil {
			t.Fatal(err)
		}
	}
	rotten := strings.TrimPrefix(p.files[0], work("")+"/")
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	delete(g.job.Drives[0].Held, rotten)
	g.audit(t, res)
	if res.ReadBackErrors != 1 || p.taken[0] != 1 {
		t.Errorf("%d errors, and the bad place was taken %d times", res.ReadBackErrors, p.taken[0])
	}
	if _, err := os.Lstat(filepath.Join(g.base, "drive0", testFolder, asideName)); err == nil {
		t.Error("what was put aside is still there")
	}
}

package daemon

import (
	"fmt"
	"sync/atomic"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// How long work may stand still, that is, not one call into any medium comes back: until
// it is said, and until the box gives itself up. A drive that hangs is set aside after a
// minute (Config.Patience), and the kernel gives a read of a bad card up within minutes,
// so the first means a card or a host controller that hangs, or a fault of ours. Pulling
// what hangs may still free it, which takes a person; hence the time between the two.
const (
	stillIsSaid   = 10 * time.Minute
	stillIsGiveUp = 30 * time.Minute
)

// vigil tells work that gets on, however slowly, from work that stands still. It counts
// for all work together: a job that waits for another one's drives gets on while that does.
type vigil struct {
	steps atomic.Int64 // calls into media that came back

	// For the supervisor's goroutine only.
	seen  int64
	since time.Time // when seen was first seen, while there is work
	over  bool      // it is given up
}

func (v *vigil) step() { v.steps.Add(1) }

// look returns for how long the work has stood still; without work it never does.
func (v *vigil) look(now time.Time, working bool) time.Duration {
	if steps := v.steps.Load(); !working || v.since.IsZero() || steps != v.seen {
		v.seen, v.since = steps, now
	}
	return now.Sub(v.since)
}

// keepVigil says when work stands still, and reports whether the service manager may
// still be told that all is well. When it is not told, it ends this process, with a trace
// of where everything hangs, and starts the daemon anew. A process that is ended so puts no
// light out, and one that the kernel holds may stay for minutes: the lights go out before.
func (s *supervisor) keepVigil() (well bool) {
	still := s.vigil.look(time.Now(), len(s.running) > 0 || s.looking > 0 || s.errands.running != nil)
	s.vigil.over = still >= stillIsGiveUp
	if still < stillIsSaid {
		s.clear(state.WorkStuck, "")
		return true
	}
	s.raise(state.WorkStuck, "", fmt.Sprintf("nothing came back from any card or drive for %d minutes", int(stillIsSaid.Minutes())))
	return !s.vigil.over
}

// steppingFS is a file system whose every call that comes back is a step, whatever it
// brought: that the engine gets on is not that all goes well.
type steppingFS struct {
	offload.FS
	step func()
}

func (f steppingFS) List(name string) ([]offload.Item, error) {
	defer f.step()
	return f.FS.List(name)
}

func (f steppingFS) Lstat(name string) (offload.Item, error) {
	defer f.step()
	return f.FS.Lstat(name)
}

func (f steppingFS) Open(name string) (offload.Source, error) {
	return f.opened(f.FS.Open(name))
}

func (f steppingFS) OpenMedium(name string) (offload.Source, error) {
	return f.opened(f.FS.OpenMedium(name))
}

func (f steppingFS) OpenGrowing(name string) (offload.Source, error) {
	return f.opened(f.FS.OpenGrowing(name))
}

func (f steppingFS) opened(src offload.Source, err error) (offload.Source, error) {
	f.step()
	if err != nil {
		return nil, err
	}
	if sectors, ok := src.(offload.SectorSource); ok {
		return steppingSectors{steppingSource{src, f.step}, sectors}, nil
	}
	return steppingSource{src, f.step}, nil
}

func (f steppingFS) Create(name string, sizeBytes int64) (offload.Sink, error) {
	defer f.step()
	sink, err := f.FS.Create(name, sizeBytes)
	if err != nil {
		return nil, err
	}
	return steppingSink{sink, f.step}, nil
}

func (f steppingFS) CreatePatchwork(name string) (offload.Patchwork, error) {
	defer f.step()
	p, err := f.FS.CreatePatchwork(name)
	if err != nil {
		return nil, err
	}
	return steppingPatchwork{p, f.step}, nil
}

func (f steppingFS) Mkdir(name string) error {
	defer f.step()
	return f.FS.Mkdir(name)
}

func (f steppingFS) Rename(from, to string) error {
	defer f.step()
	return f.FS.Rename(from, to)
}

func (f steppingFS) Remove(name string) error {
	defer f.step()
	return f.FS.Remove(name)
}

func (f steppingFS) SetModTime(name string, at time.Time) error {
	defer f.step()
	return f.FS.SetModTime(name, at)
}

func (f steppingFS) SyncDir(name string) error {
	defer f.step()
	return f.FS.SyncDir(name)
}

func (f steppingFS) SyncAll() error {
	defer f.step()
	return f.FS.SyncAll()
}

type steppingSource struct {
	offload.Source
	step func()
}

func (s steppingSource) ReadAt(p []byte, off int64) (int, error) {
	defer s.step()
	return s.Source.ReadAt(p, off)
}

// steppingSectors keeps that single sectors can be read, where they can.
type steppingSectors struct {
	steppingSource
	sectors offload.SectorSource
}

func (s steppingSectors) ReadSector(p []byte, off int64) (int, error) {
	defer s.step()
	return s.sectors.ReadSector(p, off)
}

type steppingSink struct {
	offload.Sink
	step func()
}

func (s steppingSink) Write(p []byte) (int, error) {
	defer s.step()
	return s.Sink.Write(p)
}

func (s steppingSink) Sync() error {
	defer s.step()
	return s.Sink.Sync()
}

type steppingPatchwork struct {
	offload.Patchwork
	step func()
}

func (p steppingPatchwork) WriteAt(b []byte, off int64) (int, error) {
	defer p.step()
	return p.Patchwork.WriteAt(b, off)
}

func (p steppingPatchwork) Sync() error {
	defer p.step()
	return p.Patchwork.Sync()
}

package daemon

import (
	"fmt"
	"maps"
	"sync"
	"sync/atomic"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/udev"
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
// A card that hangs keeps nobody else from getting on, so each card has a watch of its own;
// a drive that hangs is set aside.
type vigil struct {
	steps atomic.Int64 // calls into media that came back

	mu    sync.Mutex
	cards map[*cardWatch]struct{} // guarded by mu; those that are open

	// For the supervisor's goroutine only.
	seen  int64
	since time.Time       // when seen was first seen, while there is work
	over  bool            // it is given up
	hung  map[string]bool // the cards that are said to hang, by the condition's subject
}

// cardWatch counts the calls into one card.
type cardWatch struct {
	dev         udev.Device
	all         *vigil
	begun, back atomic.Int64

	// For the supervisor's goroutine only.
	seen  int64     // of back
	since time.Time // when seen was first seen, with a call under way
}

func (v *vigil) step() { v.steps.Add(1) }

// around is called before each call into a medium, what it returns after it.
func (v *vigil) around() (back func()) { return v.step }

// watch has the calls into a card counted; unwatch ends it.
func (v *vigil) watch(dev udev.Device) *cardWatch {
	w := &cardWatch{dev: dev, all: v}
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.cards == nil {
		v.cards = map[*cardWatch]struct{}{}
	}
	v.cards[w] = struct{}{}
	return w
}

func (v *vigil) unwatch(w *cardWatch) {
	v.mu.Lock()
	defer v.mu.Unlock()
	delete(v.cards, w)
}

func (v *vigil) watched() map[*cardWatch]struct{} {
	v.mu.Lock()
	defer v.mu.Unlock()
	return maps.Clone(v.cards)
}

func (w *cardWatch) around() (back func()) {
	w.begun.Add(1)
	return func() {
		w.back.Add(1)
		w.all.step()
	}
}

// look returns for how long a call has been under way and none came back.
func (w *cardWatch) look(now time.Time) time.Duration {
	back := w.back.Load()
	if back != w.seen || w.begun.Load() == back || w.since.IsZero() {
		w.seen, w.since = back, now
	}
	return now.Sub(w.since)
}

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
	hung := s.nameHungCards()
	s.vigil.over = still >= stillIsGiveUp || s.nothingElse(hung)
	if len(hung) > 0 || still < stillIsSaid {
		s.clear(state.WorkStuck, "")
	} else {
		s.raise(state.WorkStuck, "", fmt.Sprintf("nothing came back from any card or drive for %d minutes", int(stillIsSaid.Minutes())))
	}
	return !s.vigil.over
}

// nameHungCards says of each card whether it hangs, and takes it back when it does not any
// more, or is let go. It gives those that do, and for how long.
func (s *supervisor) nameHungCards() map[insertionKey]time.Duration {
	now, hung, subjects := time.Now(), map[insertionKey]time.Duration{}, map[string]bool{}
	for w := range s.vigil.watched() {
		still := w.look(now)
		if still < stillIsSaid {
			continue
		}
		subject := (&card{dev: w.dev}).subject()
		s.raise(state.WorkStuck, subject, fmt.Sprintf("nothing came back from this card for %d minutes", int(stillIsSaid.Minutes())))
		disk := insertionKey{w.dev.Disk, w.dev.DiskSeq}
		hung[disk], subjects[subject] = max(hung[disk], still), true
	}
	for subject := range s.vigil.hung {
		if !subjects[subject] {
			s.clear(state.WorkStuck, subject)
		}
	}
	s.vigil.hung = subjects
	return hung
}

// nothingElse: for long enough there is no other work than with cards that hang. Drives that
// come and go meanwhile answer, and free no card that the kernel holds: what would begin
// waits for it. A card that only cannot be let go keeps nobody waiting.
func (s *supervisor) nothingElse(hung map[insertionKey]time.Duration) bool {
	for _, j := range s.running {
		if hung[insertionKey{j.card.dev.Disk, j.card.dev.DiskSeq}] < stillIsGiveUp {
			return false
		}
	}
	longest := time.Duration(0)
	for _, still := range hung {
		longest = max(longest, still)
	}
	return longest >= stillIsGiveUp && s.errands.running == nil && len(s.running)+s.looking > 0
}

// watchedMedium has a card watched while its device is asked, which may hang too.
type watchedMedium struct {
	offload.Medium
	watch *cardWatch
}

func (m watchedMedium) Check() error {
	defer m.watch.around()()
	return m.Medium.Check()
}

func (m watchedMedium) Confirm() error {
	defer m.watch.around()()
	return m.Medium.Confirm()
}

// steppingFS is a file system whose every call that comes back is a step, whatever it
// brought: that the engine gets on is not that all goes well.
type steppingFS struct {
	offload.FS
	around func() (back func())
}

func (f steppingFS) List(name string) ([]offload.Item, error) {
	defer f.around()()
	return f.FS.List(name)
}

func (f steppingFS) Lstat(name string) (offload.Item, error) {
	defer f.around()()
	return f.FS.Lstat(name)
}

func (f steppingFS) Open(name string) (offload.Source, error) {
	defer f.around()()
	return f.opened(f.FS.Open(name))
}

func (f steppingFS) OpenMedium(name string) (offload.Source, error) {
	defer f.around()()
	return f.opened(f.FS.OpenMedium(name))
}

func (f steppingFS) OpenGrowing(name string) (offload.Source, error) {
	defer f.around()()
	return f.opened(f.FS.OpenGrowing(name))
}

func (f steppingFS) opened(src offload.Source, err error) (offload.Source, error) {
	if err != nil {
		return nil, err
	}
	if sectors, ok := src.(offload.SectorSource); ok {
		return steppingSectors{steppingSource{src, f.around}, sectors}, nil
	}
	return steppingSource{src, f.around}, nil
}

func (f steppingFS) Create(name string, sizeBytes int64) (offload.Sink, error) {
	defer f.around()()
	sink, err := f.FS.Create(name, sizeBytes)
	if err != nil {
		return nil, err
	}
	return steppingSink{sink, f.around}, nil
}

func (f steppingFS) CreatePatchwork(name string) (offload.Patchwork, error) {
	defer f.around()()
	p, err := f.FS.CreatePatchwork(name)
	if err != nil {
		return nil, err
	}
	return steppingPatchwork{p, f.around}, nil
}

func (f steppingFS) Mkdir(name string) error {
	defer f.around()()
	return f.FS.Mkdir(name)
}

func (f steppingFS) Rename(from, to string) error {
	defer f.around()()
	return f.FS.Rename(from, to)
}

func (f steppingFS) Remove(name string) error {
	defer f.around()()
	return f.FS.Remove(name)
}

func (f steppingFS) SetModTime(name string, at time.Time) error {
	defer f.around()()
	return f.FS.SetModTime(name, at)
}

func (f steppingFS) SyncDir(name string) error {
	defer f.around()()
	return f.FS.SyncDir(name)
}

func (f steppingFS) SyncAll() error {
	defer f.around()()
	return f.FS.SyncAll()
}

type steppingSource struct {
	offload.Source
	around func() (back func())
}

func (s steppingSource) ReadAt(p []byte, off int64) (int, error) {
	defer s.around()()
	return s.Source.ReadAt(p, off)
}

// steppingSectors keeps that single sectors can be read, where they can.
type steppingSectors struct {
	steppingSource
	sectors offload.SectorSource
}

func (s steppingSectors) ReadSector(p []byte, off int64) (int, error) {
	defer s.around()()
	return s.sectors.ReadSector(p, off)
}

type steppingSink struct {
	offload.Sink
	around func() (back func())
}

func (s steppingSink) Write(p []byte) (int, error) {
	defer s.around()()
	return s.Sink.Write(p)
}

func (s steppingSink) Sync() error {
	defer s.around()()
	return s.Sink.Sync()
}

type steppingPatchwork struct {
	offload.Patchwork
	around func() (back func())
}

func (p steppingPatchwork) WriteAt(b []byte, off int64) (int, error) {
	defer p.around()()
	return p.Patchwork.WriteAt(b, off)
}

func (p steppingPatchwork) Sync() error {
	defer p.around()()
	return p.Patchwork.Sync()
}

package offload

import (
	"errors"
	"fmt"
	"io/fs"
	"path"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"bothy/daemon/state"
)

// standing is where one file stands on one drive.
type standing uint8

const (
	missing  standing = iota // to be copied
	reading_                 // handed to the reader in this pass
	proven                   // read back and settled
	blocked                  // the card does not give it; no drive can have it
)

// target is one drive while the engine works on it.
type target struct {
	run   *run
	drive *Drive
	work  string // the folder as it is called until the last step

	queue   chan message  // of the running pass
	toProve chan *reading // of the running pass
	gone    chan struct{} // closed when the drive is set aside

	mu        sync.Mutex
	err       error           // guarded by mu; why it was set aside
	phase     state.CopyPhase // guarded by mu
	busySince time.Time       // guarded by mu; zero when no call is under way
	busyCalls int             // guarded by mu
	attempts  map[int]int     // guarded by mu; by file index
	faults    int             // guarded by mu
	result    *CopyResult     // guarded by mu; set when finished
	provenN   int             // guarded by mu
	provenB   int64           // guarded by mu
	standing  []standing      // between passes the run's, in a pass the books'
	written   atomic.Int64    // bytes
	readBack  atomic.Int64    // bytes
	dirsDirty map[string]bool // the writer's
	holding   *chunk          // the writer's; the buffer it is writing now
	group     []*written      // the writer's; written and not yet flushed
	grouped   int64           // the writer's; bytes in group
}

// written is a file whose bytes were handed to the kernel.
type written struct {
	reading *reading
	sink    Sink
}

// maxFaults is how many faults of any kind one drive may show in one offload.
const maxFaults = 12

func newTarget(r *run, d *Drive) *target {
	return &target{
		run: r, drive: d, work: d.Folder + UnfinishedSuffix,
		gone: make(chan struct{}), phase: state.CopyWaiting,
		attempts: map[int]int{}, standing: make([]standing, len(r.files)),
	}
}

// at gives a card's path within the unfinished folder.
func (t *target) at(name string) string { return path.Join(t.work, name) }

// setAside takes the drive out of the offload; the first reason stays.
func (t *target) setAside(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.setAsideLocked(err)
}

func (t *target) setAsideLocked(err error) {
	if t.err != nil {
		return
	}
	t.err = err
	close(t.gone)
}

func (t *target) isSetAside() bool {
	select {
	case <-t.gone:
		return true
	default:
		return false
	}
}

func (t *target) reason() error {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.err
}

func (t *target) setPhase(p state.CopyPhase) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.phase = p
}

// call runs one operation on the drive under the eye of the watch for hung
// drives.
func (t *target) call(op func() error) error {
	t.mu.Lock()
	t.busyCalls++
	t.busySince = time.Now()
	t.mu.Unlock()
	err := op()
	t.mu.Lock()
	t.busyCalls--
	t.busySince = time.Now() // whatever else is under way gets its time anew
	if t.busyCalls == 0 {
		t.busySince = time.Time{}
	}
	t.mu.Unlock()
	return err
}

// checkHung sets the drive aside when one call has taken longer than patience.
func (t *target) checkHung(now time.Time, patience time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.err == nil && t.busyCalls > 0 && now.Sub(t.busySince) > patience {
		t.setAsideLocked(fmt.Errorf("%w: nothing came back for %s", ErrDriveHung, patience))
	}
}

func (t *target) hung() bool { return errors.Is(t.reason(), ErrDriveHung) }

// fault judges a failed operation on one file: the drive is set aside when it
// is gone, full or keeps failing; otherwise the file will be written again.
func (t *target) fault(f *file, err error) {
	if gone := t.checkMedium(); gone != nil {
		t.setAside(gone)
		return
	}
	switch {
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		t.setAside(fmt.Errorf("%w: %w", ErrDriveFull, err))
		return
	case errors.Is(err, syscall.EROFS):
		t.setAside(fmt.Errorf("the drive can only be read: %w", err))
		return
	case errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		t.setAside(fmt.Errorf("%w: %w", ErrDriveGone, err))
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	t.faults++
	t.attempts[f.index]++
	if t.attempts[f.index] >= t.run.job.attempts() || t.faults >= maxFaults {
		t.setAsideLocked(fmt.Errorf("%q could not be brought to the drive after %d attempts (%d faults in all): %w",
			f.Path, t.attempts[f.index], t.faults, err))
	}
}

func (t *target) checkMedium() error {
	if t.drive.Medium == nil {
		return nil
	}
	if err := t.drive.Medium.Check(); err != nil {
		return fmt.Errorf("%w: %w", ErrDriveGone, err)
	}
	return nil
}

// progress is a look from outside.
func (t *target) progress() CopyProgress {
	t.mu.Lock()
	defer t.mu.Unlock()
	p := CopyProgress{
		DriveID: t.drive.ID, Folder: t.drive.Folder, Phase: t.phase,
		FilesProven: t.provenN, BytesProven: t.provenB,
		BytesWritten: t.written.Load(), BytesReadBack: t.readBack.Load(),
	}
	if t.result != nil {
		p.Phase = t.result.Phase
		if t.result.Err != nil {
			p.Reason = t.result.Err.Error()
		}
	} else if t.err != nil {
		p.Phase, p.Reason = state.CopyFailed, t.err.Error()
	}
	return p
}

// makeFolders makes the unfinished folder with all folders that the copy needs.
func (t *target) makeFolders() error {
	made := map[string]bool{}
	var ensure func(name string) error
	ensure = func(name string) error {
		if name == "." || name == "" || made[name] {
			return nil
		}
		if err := ensure(path.Dir(name)); err != nil {
			return err
		}
		made[name] = true
		err := t.call(func() error { return t.drive.FS.Mkdir(name) })
		if err == nil {
			return t.call(func() error { return t.drive.FS.SyncDir(dirOf(name)) })
		}
		if !errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("make folder %q: %w", name, err)
		}
		item, lerr := t.drive.FS.Lstat(name)
		if lerr != nil {
			return lerr
		}
		if !item.Mode.IsDir() {
			return fmt.Errorf("make folder %q: %w: something else has that name", name, ErrRefused)
		}
		return nil
	}
	if err := ensure(t.work); err != nil {
		return err
	}
	// Below the unfinished folder one flush at the end of the offload makes
	// all names durable; flushing each of 10,000 folders here would not.
	for _, dir := range t.run.job.Plan.Dirs {
		err := t.call(func() error { return t.drive.FS.Mkdir(t.at(dir.Path)) })
		if err != nil && !errors.Is(err, fs.ErrExist) {
			return fmt.Errorf("make folder %q: %w", t.at(dir.Path), err)
		}
	}
	return nil
}

// clearStrays removes from an unfinished folder of our own what the plan does
// not ask for: half a manifest, a file that has left the card.
func (t *target) clearStrays() error {
	wanted := map[string]bool{}
	for _, f := range t.run.files {
		wanted[f.Path] = true
	}
	dirs := map[string]bool{}
	for _, d := range t.run.job.Plan.Dirs {
		dirs[d.Path] = true
	}
	var clear func(dir string, depth int) error
	clear = func(dir string, depth int) error {
		if depth > MaxDepth+1 {
			return fmt.Errorf("look through %q: %w: too deep", t.at(dir), ErrRefused)
		}
		items, err := t.drive.FS.List(t.at(dir))
		if err != nil {
			return fmt.Errorf("look through %q: %w", t.at(dir), err)
		}
		for _, item := range items {
			name := join(dir, item.Name)
			if item.Mode.IsDir() {
				if err := clear(name, depth+1); err != nil {
					return err
				}
				if dirs[name] {
					continue
				}
			} else if wanted[name] && item.Mode.IsRegular() {
				continue
			}
			if err := t.drive.FS.Remove(t.at(name)); err != nil {
				return fmt.Errorf("remove unfinished %q: %w", t.at(name), err)
			}
		}
		return nil
	}
	return clear("", 0)
}

func dirOf(name string) string {
	if d := path.Dir(name); d != "" {
		return d
	}
	return "."
}

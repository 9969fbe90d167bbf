package offload

import (
	"errors"
	"fmt"
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
	unwanted                 // of what is salvaged: nothing has to be
)

// target is one drive while the engine works on it.
type target struct {
	run   *run
	drive *Drive
	work  string // the folder as it is called until the last step

	stint *stint        // of the running pass; the reader's
	gone  chan struct{} // closed when the drive is set aside
	// prepared is closed when the drive has its folders, or never will.
	prepared chan struct{}
	stuck    chan struct{} // closed when a call into it does not come back

	mu        sync.Mutex
	err       error           // guarded by mu; why it was set aside
	phase     state.CopyPhase // guarded by mu
	folder    string          // guarded by mu; as it is called now, empty until it is made
	busySince time.Time       // guarded by mu; zero when no call is under way
	busyCalls int             // guarded by mu
	attempts  map[int]int     // guarded by mu; by file index
	faults    int             // guarded by mu
	result    *CopyResult     // guarded by mu; set when finished
	provenN   int             // guarded by mu
	provenB   int64           // guarded by mu
	standing  []standing      // guarded by mu
	written   atomic.Int64    // bytes
	readBack  atomic.Int64    // bytes

	behind  atomic.Bool  // it was let go, until it rejoins
	backlog atomic.Int64 // bytes of buffers that were given to it and not yet written
	pace    pace         // the reader's

	spareBytes int64      // above what the card needs, when preflight measured; set before prepared is closed
	spoolBytes int64      // of that, taken up by what is salvaged; the reader's
	asideTurn  sync.Mutex // held across calls into the drive by whoever puts something aside
	aside      aside      // guarded by asideTurn
}

// maxFaults is how many faults of any kind one drive may show in one offload.
const maxFaults = 12

func newTarget(r *run, d *Drive) *target {
	t := &target{
		run: r, drive: d, work: d.Folder + UnfinishedSuffix,
		gone: make(chan struct{}), prepared: make(chan struct{}), stuck: make(chan struct{}), phase: state.CopyWaiting,
		attempts: map[int]int{}, standing: make([]standing, r.slots()), pace: pace{low: make(chan struct{}, 1)},
	}
	for i := len(r.files); i < r.slots(); i++ {
		t.standing[i] = unwanted
	}
	return t
}

// at gives a card's path within the unfinished folder.
func (t *target) at(name string) string { return path.Join(t.work, name) }

// stands says where a file stands on this drive.
func (t *target) stands(f *file) standing {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.standing[f.index]
}

// isProven takes note of a proof; it is false when that was known.
func (t *target) isProven(f *file) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.standing[f.index] == proven {
		return false
	}
	t.standing[f.index] = proven
	t.provenN++
	t.provenB += f.SizeBytes
	return true
}

// restand puts a file somewhere else than among the proven ones.
func (t *target) restand(f *file, to standing) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.standing[f.index] == proven {
		t.provenN--
		t.provenB -= f.SizeBytes
	}
	t.standing[f.index] = to
}

// handOut marks every missing file as being read, and counts them.
func (t *target) handOut() (n int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, s := range t.standing {
		if s == missing {
			t.standing[i] = reading_
			n++
		}
	}
	return n
}

// counts says how many files are neither proven nor out of reach, and how many
// are out of reach.
func (t *target) counts() (lacking, unreachable int) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, s := range t.standing {
		switch s {
		case missing, reading_:
			lacking++
		case blocked:
			unreachable++
		}
	}
	return lacking, unreachable
}

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

// movePhase goes from one phase to another, and does nothing in any other.
func (t *target) movePhase(from, to state.CopyPhase) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.phase == from {
		t.phase = to
	}
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
// A drive that was set aside for another reason is watched all the same: a
// yanked one is often both.
func (t *target) checkHung(now time.Time, patience time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.busyCalls > 0 && now.Sub(t.busySince) > patience && !t.hung() {
		t.setAsideLocked(fmt.Errorf("%w: nothing came back for %s", ErrDriveHung, patience))
		close(t.stuck)
	}
}

// hung: somebody is, or was, stuck in a call into this drive. Whoever wakes up
// there must change nothing more on it, since others may have taken over.
func (t *target) hung() bool {
	select {
	case <-t.stuck:
		return true
	default:
		return false
	}
}

func (t *target) setFolder(name string) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.folder = name
}

// fault judges a failed operation on one file: the drive is set aside when it
// is gone, full or keeps failing; otherwise the file will be written again.
// again says that the same failure was counted for another file already.
func (t *target) fault(f *file, err error, again bool) {
	if gone := t.checkMedium(); gone != nil {
		t.setAside(gone)
		return
	}
	whole := wholeDrive(err)
	if isFull(err) {
		// What takes up bad places can be done without before the drive can.
		if dropped, err := t.dropAside(); dropped && err == nil {
			whole = nil
		}
	}
	if whole != nil {
		t.setAside(whole)
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if !again {
		t.faults++
	}
	t.attempts[f.index]++
	if t.attempts[f.index] >= t.run.job.attempts() || t.faults >= maxFaults {
		t.setAsideLocked(fmt.Errorf("%q could not be brought to the drive after %d attempts (%d faults in all): %w",
			f.Path, t.attempts[f.index], t.faults, err))
	}
}

// wholeDrive says of a failure that it is about the drive as a whole, whatever
// was being done; nil when it may be about one file.
func wholeDrive(err error) error {
	switch {
	case errors.Is(err, ErrDriveFull), errors.Is(err, ErrDriveGone):
		return err
	case errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EDQUOT):
		return fmt.Errorf("%w: %w", ErrDriveFull, err)
	case errors.Is(err, syscall.EROFS):
		return fmt.Errorf("the drive can only be read: %w", err)
	case errors.Is(err, syscall.ENODEV), errors.Is(err, syscall.ENXIO):
		return fmt.Errorf("%w: %w", ErrDriveGone, err)
	}
	return nil
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

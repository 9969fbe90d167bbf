package offload

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// run is one call of Run.
type run struct {
	job        *Job
	files      []*file
	targets    []*target // in the order of job.Drives
	from       []*target // in the order of job.From
	algorithms []string  // the job's own, then those of the card's manifests
	ring       *ring
	books      *books
	stints     sync.WaitGroup // every drive's part in every pass
	passBegan  time.Time      // the reader's

	bytesRead     atomic.Int64
	flushFailures atomic.Int64
	mismatches    atomic.Int64
	// readBackErrors are files that a drive took and could not give back.
	readBackErrors atomic.Int64

	mu          sync.Mutex
	unread      map[string]string  // guarded by mu
	recorderErr error              // guarded by mu
	damaged     map[*target][]bool // guarded by mu; by file index: what a finished copy did not give
	salvage     map[int]*salvage   // guarded by mu; by index of the card's file
	allowance   *allowance         // the reader's; for salvaging
	cardErr     error              // the run's; set between passes
	historyBad  []string           // the run's
	unsure      int                // the run's; files that a second reading was to confirm and could not
	cardDone    bool               // the run's
	catchingUp  bool               // the run's; nobody is held up any more
	yielded     error              // the run's; why catching up was ended
}

// Run carries out one offload and returns when every drive's copy has reached
// its end: proven, refused, failed, incomplete, or unfinished because the card
// went away or ctx was cancelled. What it has started it waits for, but for
// calls into a drive that hangs in the kernel.
func Run(ctx context.Context, job Job) Result { return newRun(&job).carryOut(ctx) }

func (r *run) carryOut(ctx context.Context) Result {
	job := r.job
	if err := job.Validate(); err != nil {
		for _, t := range r.targets {
			t.refuse(err)
		}
		return r.result()
	}
	stopWatch := r.watch()
	defer stopWatch()
	r.books.open(ctx)
	r.start(ctx)
	r.cardDone = len(job.From) > 0 // there is none
	for pass := 0; pass < job.attempts() && r.cardErr == nil && !r.cardDone; pass++ {
		if !r.pass(ctx) {
			break
		}
	}
	r.catchUp(ctx)
	for _, t := range r.targets {
		<-t.prepared
	}
	r.stints.Wait()
	if ctx.Err() != nil && r.cardErr == nil {
		r.cardErr = context.Cause(ctx)
	}
	r.books.close()
	r.ring.shrink(0) // its memory is better used for the answer
	return r.result()
}

// Validate says whether a job makes sense at all.
func (j *Job) Validate() error {
	if j.Plan == nil || j.Now == nil || j.Card.FS == nil && len(j.From) == 0 {
		return fmt.Errorf("%w: a job needs a card, a plan and a clock", ErrRefused)
	}
	if len(j.From) > 0 {
		if err := j.validateFrom(); err != nil {
			return err
		}
	}
	if !checksum.Known(j.Checksum) {
		return fmt.Errorf("%w: unknown checksum %q", ErrRefused, j.Checksum)
	}
	if !slices.Contains([]Level{VerifySize, VerifyReadBack, VerifyReadBackTwice}, j.Verify) {
		return fmt.Errorf("%w: unknown verification level %q", ErrRefused, j.Verify)
	}
	return nil
}

func newRun(job *Job) *run {
	r := &run{job: job, ring: newRing(job.ring()), unread: map[string]string{}, damaged: map[*target][]bool{},
		salvage: map[int]*salvage{}, allowance: newAllowance()}
	r.algorithms = algorithms(job)
	var entries []Entry
	if job.Plan != nil {
		entries = job.Plan.Files
	}
	list := make([]file, len(entries))
	r.files = make([]*file, len(entries))
	for i := range entries {
		list[i].Entry, list[i].index = &entries[i], i
		r.files[i] = &list[i]
	}
	r.books = newBooks(r)
	for _, f := range r.files {
		if known, ok := job.Known[f.Path]; ok {
			f.know(known, len(r.algorithms))
			r.books.settled[f.index], r.books.noted[f.index] = true, true
		}
	}
	for i := range job.Drives {
		r.targets = append(r.targets, newTarget(r, &job.Drives[i]))
	}
	for i := range job.From {
		r.from = append(r.from, newSource(r, &job.From[i]))
	}
	return r
}

// algorithms are the job's own and those of the card's manifests.
func algorithms(job *Job) []string {
	list := []string{job.Checksum}
	for _, known := range job.Earlier {
		for algorithm := range known {
			if checksum.Known(algorithm) && !slices.Contains(list, algorithm) {
				list = append(list, algorithm)
			}
		}
	}
	slices.Sort(list[1:])
	return list
}

// proofBuffer is a drive's own buffer for reading back.
func (r *run) proofBuffer() []byte { return volume.AlignedBuffer(int(r.ring.chunkBytes)) }

// watch looks after hung drives and progress until the returned func is called.
func (r *run) watch() (stop func()) {
	quit, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		ticker := time.NewTicker(250 * time.Millisecond)
		defer ticker.Stop()
		for {
			select {
			case now := <-ticker.C:
				for _, t := range r.targets {
					t.checkHung(now, r.job.patience())
				}
				for _, t := range r.from {
					t.checkHung(now, r.job.patience())
				}
				r.report()
			case <-quit:
				r.report()
				return
			}
		}
	}()
	return func() { close(quit); <-done }
}

func (r *run) report() {
	if r.job.Progress == nil {
		return
	}
	p := Progress{BytesRead: r.bytesRead.Load()}
	for _, t := range r.targets {
		p.Copies = append(p.Copies, t.progress())
	}
	r.job.Progress(p)
}

// live are the drives that preflight let in and that have not ended.
func (r *run) live() []*target {
	var live []*target
	for _, t := range r.targets {
		if !t.isSetAside() && t.ended() == "" {
			live = append(live, t)
		}
	}
	return live
}

// ended says how the copy ended; empty while it has not.
func (t *target) ended() state.CopyPhase {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.result == nil {
		return ""
	}
	return t.result.Phase
}

// guard runs work for one drive and calls done when it ends, or when the drive
// is set aside as hung while work is stuck in the kernel.
func (r *run) guard(t *target, work func(), done func()) {
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		work()
	}()
	go func() {
		defer done()
		select {
		case <-ended:
		case <-t.stuck:
		}
	}()
}

// setAsideFor takes a drive out after a failure that concerns all of it.
func (t *target) setAsideFor(err error) {
	if gone := t.checkMedium(); gone != nil {
		err = gone
	} else if whole := wholeDrive(err); whole != nil {
		err = whole
	}
	t.setAside(err)
}

func (r *run) unreadable(f *file, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.unread[f.Path] = err.Error()
}

// readable takes back that a file is not.
func (r *run) readable(f *file) {
	r.mu.Lock()
	defer r.mu.Unlock()
	delete(r.unread, f.Path)
}

func (r *run) unreadReason(name string) (string, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	why, ok := r.unread[name]
	return why, ok
}

func (r *run) noteFailed(err error) {
	if err == nil {
		return
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.recorderErr == nil {
		r.recorderErr = err
	}
}

// errNotAll is why a copy did not reach its end although nothing was at fault
// with its drive.
var errNotAll = errors.New("not all files are proven")

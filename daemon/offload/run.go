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
	job     *Job
	files   []*file
	targets []*target // in the order of job.Drives
	ring    *ring
	books   *books

	bytesRead     atomic.Int64
	flushFailures atomic.Int64
	mismatches    atomic.Int64

	mu          sync.Mutex
	unread      map[string]string // guarded by mu
	recorderErr error             // guarded by mu
	cardErr     error             // the run's; set between passes
	historyBad  []string          // the run's
	unsure      int               // the run's; files that a second reading was to confirm and could not
}

// Run carries out one offload and returns when every drive's copy has reached
// its end: proven, refused, failed, incomplete, or unfinished because the card
// went away or ctx was cancelled. What it has started it waits for, but for
// calls into a drive that hangs in the kernel.
func Run(ctx context.Context, job Job) Result {
	r := newRun(&job)
	if err := job.Validate(); err != nil {
		for _, t := range r.targets {
			t.refuse(err)
		}
		return r.result()
	}
	stopWatch := r.watch()
	defer stopWatch()
	r.start(ctx)
	for pass, more := 0, true; more && pass < job.attempts(); pass++ {
		more = r.pass(ctx)
		if job.Verify == VerifyReadBackTwice && r.cardErr == nil {
			r.readAgain(ctx)
		}
		if r.cardErr == nil {
			r.finishComplete(ctx)
		}
		if ctx.Err() != nil && r.cardErr == nil {
			r.cardErr = context.Cause(ctx)
		}
		more = more && r.cardErr == nil
	}
	return r.result()
}

// Validate says whether a job makes sense at all.
func (j *Job) Validate() error {
	if j.Plan == nil || j.Now == nil || j.Card.FS == nil {
		return fmt.Errorf("%w: a job needs a card, a plan and a clock", ErrRefused)
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
	r := &run{job: job, ring: newRing(job.ring()), unread: map[string]string{}}
	var entries []Entry
	if job.Plan != nil {
		entries = job.Plan.Files
	}
	for i, e := range entries {
		f := &file{Entry: e, index: i}
		if known, ok := job.Known[e.Path]; ok {
			f.sums, f.sample, f.readings = map[string]string{job.Checksum: known.Sum}, known.Sample, 1
		}
		r.files = append(r.files, f)
	}
	r.books = newBooks(r)
	for _, f := range r.files {
		if f.sums != nil {
			r.books.settled[f.index], r.books.noted[f.index] = true, true
		}
	}
	for i := range job.Drives {
		r.targets = append(r.targets, newTarget(r, &job.Drives[i]))
	}
	return r
}

// proofBuffer is a drive's own buffer for reading back.
func (r *run) proofBuffer() []byte { return volume.AlignedBuffer(chunkBytes) }

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
		if !t.isSetAside() && !t.finished() {
			live = append(live, t)
		}
	}
	return live
}

func (t *target) finished() bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.result != nil
}

// start checks each drive and makes its folders; drives do so side by side.
func (r *run) start(ctx context.Context) {
	var all sync.WaitGroup
	for _, t := range r.targets {
		all.Add(1)
		r.guard(t, func() { t.prepare(ctx) }, all.Done)
	}
	all.Wait()
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

// prepare makes the folders, and proves again what an earlier run left.
func (t *target) prepare(ctx context.Context) {
	switch err := t.preflight(); {
	case errors.Is(err, ErrRefused):
		t.refuse(err)
		return
	case err != nil:
		t.setAsideFor(err)
		return
	}
	t.setPhase(state.CopyCopying)
	if err := t.makeFolders(); err != nil {
		t.setAsideFor(err)
		return
	}
	if t.drive.Resume {
		t.proveHeld(ctx)
	}
}

// refuse ends a copy before anything was written.
func (t *target) refuse(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.err == nil {
		t.result = &CopyResult{DriveID: t.drive.ID, DriveName: t.drive.Name, Phase: state.CopyRefused, Err: err}
	}
}

// proveHeld reads back what an earlier run proved. The bytes are those of the
// card when they agree, so what the card's own manifests have to be compared
// with is taken from them.
func (t *target) proveHeld(ctx context.Context) {
	buf := t.run.proofBuffer()
	for _, f := range t.run.files {
		held, ok := t.drive.Held[f.Path]
		if !ok || t.isSetAside() || ctx.Err() != nil {
			continue
		}
		if want, ok := f.checksums(t.run.job.Checksum); !ok || want != held {
			continue
		}
		others, sums := map[string]checksum.Hash{}, []checksum.Hash(nil)
		for algorithm := range t.run.job.Earlier[f.Path] {
			if checksum.Known(algorithm) && algorithm != t.run.job.Checksum {
				others[algorithm] = mustHash(algorithm)
				sums = append(sums, others[algorithm])
			}
		}
		if t.compare(ctx, f, held, buf, sums...) != nil {
			continue // it is copied again
		}
		f.addSums(others)
		t.standing[f.index] = proven // the recorder knows it already
		t.mu.Lock()
		t.provenN++
		t.provenB += f.SizeBytes
		t.mu.Unlock()
	}
}

// setAsideFor takes a drive out after a failure that concerns all of it.
func (t *target) setAsideFor(err error) {
	if gone := t.checkMedium(); gone != nil {
		err = gone
	}
	t.setAside(err)
}

func (r *run) unreadable(f *file, err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.unread[f.Path] = err.Error()
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

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
	targets []*target // in the order of job.Drives; nil where preflight refused
	ring    *ring
	books   *books
	results []CopyResult

	bytesRead     atomic.Int64
	flushFailures atomic.Int64
	mismatches    atomic.Int64

	mu          sync.Mutex
	unread      map[string]string // guarded by mu
	recorderErr error             // guarded by mu
	cardErr     error             // the run's; set between passes
	historyBad  []string          // the run's
}

// Run carries out one offload and returns when every drive's copy has reached
// its end: proven, refused, failed, incomplete, or unfinished because the card
// went away or ctx was cancelled. What it has started it waits for, but for
// calls into a drive that hangs in the kernel.
func Run(ctx context.Context, job Job) Result {
	r := newRun(&job)
	stopWatch := r.watch()
	defer stopWatch()
	r.start(ctx)
	for pass := 0; pass < job.attempts() && r.cardErr == nil; pass++ {
		if !r.pass(ctx) {
			break
		}
		if job.Verify == VerifyReadBackTwice && r.cardErr == nil {
			r.readAgain(ctx)
		}
		if r.cardErr == nil {
			r.finishComplete(ctx)
		}
	}
	return r.result()
}

// Validate says whether a job makes sense at all.
func (j *Job) Validate() error {
	if !checksum.Known(j.Checksum) {
		return fmt.Errorf("%w: unknown checksum %q", ErrRefused, j.Checksum)
	}
	if !slices.Contains([]Level{VerifySize, VerifyReadBack, VerifyReadBackTwice}, j.Verify) {
		return fmt.Errorf("%w: unknown verification level %q", ErrRefused, j.Verify)
	}
	return nil
}

func newRun(job *Job) *run {
	r := &run{job: job, ring: newRing(), unread: map[string]string{}}
	for i, e := range job.Plan.Files {
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
	r.results = make([]CopyResult, len(job.Drives))
	r.targets = make([]*target, len(job.Drives))
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
				for _, t := range r.live() {
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
	r.mu.Lock()
	results := slices.Clone(r.results)
	targets := slices.Clone(r.targets)
	r.mu.Unlock()
	for i, t := range targets {
		if t != nil {
			p.Copies = append(p.Copies, t.progress())
			continue
		}
		c := CopyProgress{DriveID: r.job.Drives[i].ID, Folder: r.job.Drives[i].Folder, Phase: results[i].Phase}
		if results[i].Err != nil {
			c.Reason = results[i].Err.Error()
		}
		p.Copies = append(p.Copies, c)
	}
	r.job.Progress(p)
}

// live are the drives that preflight let in and that have not ended.
func (r *run) live() []*target {
	r.mu.Lock()
	defer r.mu.Unlock()
	var live []*target
	for _, t := range r.targets {
		if t != nil && !t.isSetAside() && !t.finished() {
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
	for i := range r.job.Drives {
		d := &r.job.Drives[i]
		t := newTarget(r, d)
		if err := r.preflight(d); err != nil {
			r.results[i] = CopyResult{DriveID: d.ID, DriveName: d.Name, Phase: state.CopyRefused, Err: err}
			continue
		}
		r.mu.Lock()
		r.targets[i] = t
		r.mu.Unlock()
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
		case <-t.gone:
			if !t.hung() {
				<-ended
			}
		}
	}()
}

// prepare makes the folders, and proves again what an earlier run left.
func (t *target) prepare(ctx context.Context) {
	t.setPhase(state.CopyCopying)
	if err := t.makeFolders(); err != nil {
		t.setAsideFor(err)
		return
	}
	if !t.drive.Resume {
		return
	}
	if err := t.clearStrays(); err != nil {
		t.setAsideFor(err)
		return
	}
	buf := t.run.proofBuffer()
	for _, f := range t.run.files {
		held, ok := t.drive.Held[f.Path]
		if !ok || t.standing[f.index] != missing || t.isSetAside() || ctx.Err() != nil {
			continue
		}
		if want, ok := f.checksums(t.run.job.Checksum); !ok || want != held {
			continue
		}
		if t.compare(f, held, buf) == nil {
			t.standing[f.index] = proven // the recorder knows it already
			t.mu.Lock()
			t.provenN++
			t.provenB += f.SizeBytes
			t.mu.Unlock()
		}
	}
}

// setAsideFor takes a drive out after a failure that concerns all of it.
func (t *target) setAsideFor(err error) {
	if gone := t.checkMedium(); gone != nil {
		err = gone
	}
	t.setAside(err)
}

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
		r.finishComplete(ctx)
		return false
	}
	r.books.open(ctx)
	var drives sync.WaitGroup
	for t, n := range takers {
		t.queue, t.toProve = make(chan message, queueLength), make(chan *reading, n)
		t.setPhase(state.CopyCopying)
		writerDone := make(chan struct{})
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
	for t := range takers {
		if t.hung() {
			t.drain()
			r.ring.replace()
			r.ring.replace()
		}
	}
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

// discard removes a file that must not count from the unfinished folder.
func (t *target) discard(f *file) {
	if t.isSetAside() {
		return
	}
	if _, err := t.drive.FS.Lstat(t.at(f.Path)); err != nil {
		return
	}
	if err := t.call(func() error { return t.drive.FS.Remove(t.at(f.Path)) }); err != nil {
		t.setAsideFor(fmt.Errorf("remove void %q: %w", t.at(f.Path), err))
	}
}

// readAgain reads the card a second time and compares.
func (r *run) readAgain(ctx context.Context) {
	r.books.open(ctx)
	err := r.readAll(ctx, func(f *file) []consumer {
		f.mu.Lock()
		defer f.mu.Unlock()
		if f.readings == 1 {
			return []consumer{nobody{}}
		}
		return nil
	})
	r.books.close()
	if err != nil {
		r.cardErr = err
		return
	}
	for _, f := range r.files {
		if !f.isChanged() {
			continue
		}
		for _, t := range r.live() {
			if t.standing[f.index] == proven {
				r.books.forget(t, f, blocked)
				t.discard(f)
			}
		}
	}
}

// nobody takes a file that is read for its checksums alone.
type nobody struct{}

func (nobody) give(message) bool { return false }

func (f *file) isChanged() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
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

package daemon

import (
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/pprof"
	"strings"
	"sync/atomic"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// seedLife is one life of the daemon. One that was killed winds down beside the
// next, and can reach nothing any more.
type seedLife struct {
	w      *seedWorld
	n      int
	dir    string // the ledger's
	s      *supervisor
	cancel context.CancelFunc
	over   chan struct{} // closed when it has ended
	err    error         // to be read when it has
	news   chan struct{}
	reload chan struct{}
	dead   atomic.Bool
	died   chan struct{} // closed when it is dead
	killed bool          // it did not end by itself
	left   string        // the ledger's folder for the next life
	last   atomic.Pointer[state.State]

	jobs   []*job  // at work when it last published; for its own goroutine
	errand *errand // likewise
}

// begin starts a life over the ledger in dir.
func (w *seedWorld) begin(dir string) *seedLife {
	l := &seedLife{w: w, n: len(w.started) + 1, dir: dir, over: make(chan struct{}), news: make(chan struct{}, 1),
		reload: make(chan struct{}, 8), died: make(chan struct{})}
	cfg := Config{
		PolicyPath: w.policyPath(), StateDir: dir, RunDir: filepath.Join(w.base, "run"), LEDRoot: filepath.Join(w.base, "no-leds"),
		Listen: "off", Version: "test", Devices: l, Volumes: l, Reload: l.reload,
		SystemDisks:  func() (map[string]bool, error) { return nil, nil },
		MountedDisks: func() (map[string]string, error) { return nil, nil },
		Supply:       w.supplied, SupplyEvery: 10 * time.Second,
		Settle: 2500 * time.Millisecond, Patience: 10 * time.Second, Now: w.now,
		Log:    slog.New(slog.NewTextHandler(seedJournal{w, l}, &slog.HandlerOptions{ReplaceAttr: withoutTime})),
		Notify: func(line string) { l.notify(line) },
	}
	cfg.setDefaults()
	l.s = newSupervisor(cfg)
	l.s.engine = func(ctx context.Context, job offload.Job) offload.Result {
		for _, d := range job.Drives {
			w.askedFor(d, job.Verify)
		}
		job.Portions = w.sizes
		return offload.Run(ctx, job)
	}
	ctx, cancel := context.WithCancel(context.Background())
	l.cancel = cancel
	w.mu.Lock()
	w.life = l
	w.logLocked("life %d begins: %d copies, %d at once, %s, %s", l.n, w.policy.copies, w.policy.parallel, w.policy.verify, w.policy.checksum)
	w.mu.Unlock()
	w.started = append(w.started, l)
	go pprof.Do(ctx, pprof.Labels("sim", w.base), func(ctx context.Context) {
		l.err = l.s.run(ctx)
		l.s.close()
		close(l.over)
	})
	return l
}

// tellSupply has the box know at once how it is supplied: a copy takes no time in
// here, and would be over before the box asks.
func (l *seedLife) tellSupply() {
	go l.s.post(func() { l.s.takePower(l.w.supplied(), false) })
}

// askedFor notes which copies nobody is to read back: what is wrong with them
// is not found, and they release nothing.
func (w *seedWorld) askedFor(d offload.Drive, level offload.Level) {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := below(d.FS).(*driveFS).at.drive.n
	w.unread[fmt.Sprintf("%d:%s", n, d.Folder)] = level == offload.VerifySize
}

func withoutTime(_ []string, a slog.Attr) slog.Attr {
	if a.Key == slog.TimeKey {
		return slog.Attr{}
	}
	return a
}

// seedJournal puts what the daemon logs into the history.
type seedJournal struct {
	w *seedWorld
	l *seedLife
}

func (j seedJournal) Write(p []byte) (int, error) {
	if !j.l.dead.Load() {
		j.w.logf("  life %d: %s", j.l.n, strings.TrimSpace(string(p)))
	}
	return len(p), nil
}

func (l *seedLife) tell() {
	select {
	case l.news <- struct{}{}:
	default:
	}
}

// sleep takes a time, unless everything is over before.
func (l *seedLife) sleep(d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-l.died:
	case <-l.w.calm:
	}
}

// busy: a card is being copied, as far as it was published.
func (l *seedLife) busy() bool {
	st := l.last.Load()
	if st == nil {
		return false
	}
	for _, o := range st.Offloads {
		if o.Running {
			return true
		}
	}
	return false
}

// kill ends a life as SIGKILL would, or as a power cut. The ledger that is left
// is copied to a new place, which is given back.
func (w *seedWorld) kill(l *seedLife, power bool) (dir string) {
	dir = w.leaveLedger(l)
	w.mu.Lock()
	defer w.mu.Unlock()
	w.killLocked(l, power)
	return dir
}

func (w *seedWorld) killLocked(l *seedLife, power bool) {
	l.dead.Store(true)
	close(l.died)
	l.cancel()
	w.life = nil
	for _, d := range w.drives {
		if d.at != nil && d.at.mounts > 0 || power && d.at != nil {
			w.cutLocked(d, !power)
		}
	}
	for _, st := range w.stays {
		st.mounts = 0
	}
	if !power {
		return
	}
	// The kernel counts anew, and finds things in another order.
	w.boot, w.seq = w.boot+1, 0
	for _, st := range w.stays {
		if st.out {
			continue
		}
		st.out, st.outAt = true, time.Now()
		if st.card != nil {
			st.card.at = w.enterLocked(&stay{card: st.card, fill: st.fill, name: st.name, disk: st.disk, slot: st.slot})
		} else {
			st.drive.at = w.enterLocked(&stay{drive: st.drive, name: st.drive.name, disk: st.drive.disk, slot: st.slot})
		}
	}
}

// leaveLedger copies a ledger as it is when no commit is under way. Its log may
// lack its end: those commits are as if they had not been made.
func (w *seedWorld) leaveLedger(l *seedLife) string {
	w.mu.Lock()
	dir := w.folderLocked("state")
	w.mu.Unlock()
	if err := os.Mkdir(dir, 0o700); err != nil {
		panic(err)
	}
	from := filepath.Join(l.dir, "ledger.db")
	if _, err := os.Stat(from); err != nil {
		return dir // it was not begun yet
	}
	db, err := sql.Open("sqlite", "file:"+from+"?_txlock=immediate&mode=rw&_pragma=busy_timeout(0)")
	if err != nil {
		panic(err)
	}
	defer db.Close()
	tx, err := db.Begin() // nobody writes meanwhile
	for n := 0; err != nil; tx, err = db.Begin() {
		time.Sleep(time.Millisecond) // of the bubble: others get on
		if n++; n == 1000 {
			panic(fmt.Errorf("hold the ledger still: %w", err))
		}
	}
	defer tx.Rollback()
	for _, suffix := range []string{"", "-wal"} {
		data, err := os.ReadFile(from + suffix)
		if err != nil {
			continue // no log
		}
		if cut := pick(w.seed, "log", l.n); suffix != "" && cut%3 == 0 && len(data) > 0 {
			w.saw("the ledger's log was cut short")
			data = data[:pick(w.seed, "log at", l.n)%uint64(len(data)+1)]
		}
		if err := os.WriteFile(filepath.Join(dir, "ledger.db"+suffix), data, 0o644); err != nil {
			panic(err)
		}
	}
	return dir
}

// exit is what becomes of mounts when a process ends in peace: nothing is lost,
// and what hangs in it reaches nothing any more.
func (w *seedWorld) exit(l *seedLife) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !l.dead.Load() {
		w.killLocked(l, false)
	}
}

package daemon

import (
	"context"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// supervisor owns the truth. Its fields belong to the goroutine of loop; other
// goroutines hand it functions through post.
type supervisor struct {
	cfg       Config
	log       watchedLog // what cfg.Log writes to
	publisher state.Publisher
	ledger    *ledger.Ledger // nil when it cannot be had at all
	started   time.Time
	stop      context.CancelFunc // ends the daemon as a signal would
	calls     chan func()
	life      context.Context // of the daemon; requests end sooner
	quit      chan struct{}   // closed when loop no longer takes calls
	work      sync.WaitGroup  // every goroutine that posts

	phase      state.Phase
	policy     *policy.Policy // nil while there is none to go by
	policyInfo state.Policy
	snapshot   udev.Snapshot
	devices    map[string]*device  // by kernel name
	undecided  map[string]bool     // kernel names of devices that the policy is to be asked about
	cards      []*card             // in order of arrival
	drives     []*drive            // in order of arrival
	remembered []ledger.Drive      // as last read from the ledger
	formerly   map[string][]string // names that drives had before, by id
	lately     []ledger.Offload    // begun in the last days, as last read from the ledger
	blocked    map[string]bool     // slots that must be emptied first
	folders    map[string]*folder  // by path, that a drive rule names or named
	offloads   []*state.Offload    // newest first
	conditions map[conditionKey]state.Condition
	counters   state.Counters
	power      power
	page       page
	opening    bool           // the control socket is not open yet
	running    []*job         // in the order of their beginning
	looking    int            // media being mounted to be decided or identified
	copyCount  map[string]int // finished copies by drive id
	proofAges  map[string]ledger.ProofAges
	starts     state.Starts
	speeds     speeds // of media, as measured in this life
	vigil      vigil
	errands    errands
	errand     *state.Errand // the one under way, as it is shown

	// These guard themselves; running jobs and windows use them too.
	zone    atomic.Pointer[time.Location] // of the policy
	traffic *traffic
	claims  *claims
	mounted *mounted
	retired *retired
	engine  func(context.Context, offload.Job) offload.Result
}

// device is one insertion of one block device and what was decided about it.
type device struct {
	udev.Device
	decision policy.Decision
	outcome  string // state.Device.Decision
	sentence string
	waits    bool // to be looked into, once what was in its place is let go
}

func newSupervisor(cfg Config) *supervisor {
	now, _ := cfg.Now()
	s := &supervisor{
		cfg: cfg, started: now, phase: state.Starting,
		calls: make(chan func(), 64), quit: make(chan struct{}),
		devices: map[string]*device{}, undecided: map[string]bool{}, blocked: map[string]bool{}, folders: map[string]*folder{}, conditions: map[conditionKey]state.Condition{},
		traffic: newTraffic(), claims: newClaims(), retired: newRetired(), engine: offload.Run, errands: errands{looked: map[string]bool{}, tried: map[string]string{}, level: map[string]bool{}},
	}
	s.page.again = pageAgain
	s.mounted = newMounted(func() { s.post(func() { s.vacated(s.life) }) })
	s.log = newWatchedLog(cfg.Log.Handler())
	s.cfg.Log = slog.New(s.log)
	s.cfg.Volumes = patientVolumes{cfg.Volumes, cfg.Patience, s.mounted, &s.vigil}
	return s
}

func (s *supervisor) close() {
	if s.ledger != nil {
		s.ledger.Close() // everything in it is durable already
	}
}

// run is the daemon's life.
func (s *supervisor) run(ctx context.Context) error {
	// Windows and the device watch end after the work, so that a stop shows.
	ctx, s.stop = context.WithCancel(ctx)
	defer s.stop()
	s.life = ctx
	outer, closeWindows := context.WithCancel(context.WithoutCancel(ctx))
	defer closeWindows()
	s.checkSelf(ctx)
	s.loadPolicy()
	s.publish()
	snapshots := make(chan udev.Snapshot)
	s.work.Go(func() {
		if err := s.cfg.Devices.Watch(outer, snapshots); err != nil && outer.Err() == nil {
			s.post(func() { s.raise(state.DeviceWatchLost, "", err.Error()) })
		}
	})
	s.startWindows(outer)
	s.watchPower(ctx)
	s.loop(ctx, snapshots)
	s.cfg.Notify("STOPPING=1")
	s.park(snapshots)
	closeWindows()
	close(s.quit)
	s.work.Wait()
	s.lifeEnds()
	return nil
}

// post hands work to the goroutine that owns the truth. It is dropped when
// that has ended.
func (s *supervisor) post(call func()) {
	select {
	case s.calls <- call:
	case <-s.quit:
	}
}

// loop takes in what happens, one thing at a time, until ctx ends.
func (s *supervisor) loop(ctx context.Context, snapshots <-chan udev.Snapshot) {
	tick := time.NewTicker(s.tickEvery())
	defer tick.Stop()
	ready, listed := false, false
	for {
		select {
		case <-ctx.Done():
			return
		case snap := <-snapshots:
			s.takeSnapshot(ctx, snap)
			listed = true
		case call := <-s.calls:
			call()
		case <-s.cfg.Reload:
			s.reload(ctx)
		case <-tick.C:
			s.tick(ctx)
		}
		if !ready && listed && !s.opening { // who has started it may ask it at once
			ready = true
			s.phase = state.Watching
			s.cfg.Notify("READY=1")
		}
		s.decideWaiting(ctx)
		s.schedule(ctx)
		s.scheduleErrands(ctx)
		s.checkLog()
		s.publish()
	}
}

// tickEvery is often enough for the watchdog and for folders that come and go.
func (s *supervisor) tickEvery() time.Duration {
	every := 5 * time.Second
	if w := s.cfg.Watchdog / 3; w > 0 && w < every {
		every = w
	}
	return every
}

func (s *supervisor) tick(ctx context.Context) {
	if s.keepVigil() && s.cfg.Watchdog > 0 {
		s.cfg.Notify("WATCHDOG=1")
	}
	s.checkClock()
	s.watchFolders(ctx)
	s.askHealthAgain()
}

// park ends the work that is under way and waits for it.
func (s *supervisor) park(snapshots <-chan udev.Snapshot) {
	s.phase = state.Stopping
	for _, j := range s.running { // also those whose card is out
		j.cancel(errStopping)
	}
	if e := s.errands.running; e != nil {
		e.cancel(errStopping)
	}
	s.publish()
	for len(s.running) > 0 || s.looking > 0 || s.errands.running != nil || s.errands.planned {
		select {
		case call := <-s.calls:
			call()
			s.publish()
		case s.snapshot = <-snapshots:
		}
	}
}

var errStopping = errors.New("the box was told to stop; the work goes on when it starts again")

// checkSelf looks at what the daemon stands on. Nothing it finds stops it.
func (s *supervisor) checkSelf(ctx context.Context) {
	if err := os.MkdirAll(s.cfg.StateDir, 0o700); err != nil {
		s.raise(state.StateUnwritable, s.cfg.StateDir, err.Error())
	} else if f, err := os.CreateTemp(s.cfg.StateDir, ".write-check-*"); err != nil {
		s.raise(state.StateUnwritable, s.cfg.StateDir, err.Error())
	} else {
		f.Close()
		os.Remove(f.Name())
	}
	s.lifeBegins()
	if v, ok := s.cfg.Volumes.(patientVolumes); ok {
		s.sweep(v.Volumes)
	}
	l, aside, err := ledger.OpenOrReplace(ctx, filepath.Join(s.cfg.StateDir, "ledger.db"))
	switch {
	case errors.Is(err, ledger.ErrNewer):
		s.raise(state.LedgerNewer, "", err.Error())
	case err != nil:
		s.raise(state.LedgerFailing, "", err.Error())
	default:
		s.ledger = l
		s.recallOffloads(ctx)
	}
	if aside != "" {
		s.raise(state.LedgerReplaced, "", "the old one is kept as "+aside)
	}
	s.checkClock()
}

// sweep removes the mount points that an earlier life left.
func (s *supervisor) sweep(v Volumes) {
	if m, ok := v.(*mounts); ok {
		if err := m.mounter.Sweep(); err != nil {
			s.cfg.Log.Warn("mount points of an earlier life are still there", "err", err)
		}
	}
}

func (s *supervisor) checkClock() {
	if _, trusted := s.cfg.Now(); trusted {
		s.clear(state.ClockUntrusted, "")
	} else {
		s.raise(state.ClockUntrusted, "", "")
	}
}

// boxID names the box in what it writes to drives.
func (s *supervisor) boxID() string {
	if s.ledger == nil {
		return "no-ledger"
	}
	return s.ledger.BoxID()
}

// boxName is what people call the box.
func (s *supervisor) boxName() string {
	if s.policy != nil && s.policy.Box.Name != "" {
		return s.policy.Box.Name
	}
	if name, err := os.Hostname(); err == nil {
		return name
	}
	return "bothy"
}

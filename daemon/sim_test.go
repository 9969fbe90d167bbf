package daemon

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/pprof"
	"strings"
	"sync"
	"testing"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/supply"
	"bothy/udev"
)

// sim is a box whose devices are invented: each medium is a folder, and the
// test plugs, pulls, swaps, blocks and breaks them. The supervisor, engine,
// manifests and ledger are the real ones. Each State that is published is held
// against the oracle before the test sees it.
type sim struct {
	t       testing.TB
	base    string
	policy  string
	cfg     Config // of the next life
	reload  chan struct{}
	engine  func(context.Context, offload.Job) offload.Result // nil: the real one
	onReady func()                                            // optional; called while the daemon waits

	s     *supervisor
	end   context.CancelFunc
	ended chan error

	mu       sync.Mutex
	media    []*simMedium   // guarded by mu; every one ever made
	plugged  []*simMedium   // guarded by mu
	seq      uint64         // guarded by mu
	supply   supply.Reading // guarded by mu
	news     chan struct{}
	current  *state.State  // guarded by mu; examined by the oracle
	changed  chan struct{} // guarded by mu
	notified []string      // guarded by mu
	released map[string]string
	foul     []string // guarded by mu; what the oracle found
}

// simPolicy takes media by label and slot; NN is the number of copies.
const simPolicy = `[box]
name   = "skerry-test"
copies = NN

[status]
listen = "off"

[[card]]
name  = "stills"
label = "SKUA*"

[[drive]]
name    = "bay"
slot    = "bay-*"
reserve = "1MB"
`

func simPolicyOf(copies int) string { return strings.Replace(simPolicy, "NN", fmt.Sprint(copies), 1) }

// patience ends a story that hangs; nothing is concluded from time.
const patience = 40 * time.Second

// hangPatience is the box's own with drives that hang on purpose.
const hangPatience = 2 * time.Second

func newSim(t testing.TB, copies int) *sim {
	t.Helper()
	base := t.TempDir()
	// Memory, where there is some: the ledger and the manifests flush a lot.
	if dir, err := os.MkdirTemp("/dev/shm", "bothy-test-*"); err == nil {
		t.Cleanup(func() { os.RemoveAll(dir) })
		base = dir
	}
	m := &sim{
		t: t, base: base, news: make(chan struct{}, 1), changed: make(chan struct{}), reload: make(chan struct{}),
		released: map[string]string{}, policy: simPolicyOf(copies),
	}
	m.cfg = Config{
		PolicyPath: filepath.Join(base, "policy.toml"), StateDir: filepath.Join(base, "state"), RunDir: filepath.Join(base, "run"),
		LEDRoot: filepath.Join(base, "no-leds"), Listen: "off", Version: "test", Devices: m, Volumes: m, Reload: m.reload,
		SystemDisks:  func() (map[string]bool, error) { return nil, nil },
		MountedDisks: func() (map[string]string, error) { return nil, nil },
		Supply:       m.supplied,
		SupplyEvery:  2 * time.Millisecond,
		Settle:       time.Millisecond,
		Now:          func() (time.Time, bool) { return time.Now().UTC(), true },
	}
	if testing.Verbose() {
		m.cfg.Log = slog.New(slog.NewTextHandler(t.Output(), nil))
	}
	m.writePolicy(m.policy)
	t.Cleanup(m.stop)
	return m
}

func (m *sim) writePolicy(text string) {
	m.t.Helper()
	if err := os.WriteFile(m.cfg.PolicyPath, []byte(text), 0o644); err != nil {
		m.t.Fatal(err)
	}
}

// start begins a life of the daemon.
func (m *sim) start() *sim {
	m.t.Helper()
	cfg := m.cfg
	cfg.setDefaults()
	m.mu.Lock()
	m.current, m.released = nil, map[string]string{}
	m.mu.Unlock()
	m.ended = make(chan error, 1)
	var s *supervisor
	cfg.Notify = func(line string) { m.notify(s, line) }
	s = newSupervisor(cfg)
	m.s = s
	s.page.again = time.Millisecond
	if m.engine != nil {
		s.engine = m.engine
	}
	ctx, end := context.WithCancel(context.Background())
	m.end = end
	// Every goroutine that the daemon starts inherits the label.
	go pprof.Do(ctx, pprof.Labels("sim", m.base), func(ctx context.Context) { m.ended <- s.run(ctx) })
	return m
}

// stop ends the life, and looks for what it left running.
func (m *sim) stop() {
	m.t.Helper()
	if m.s == nil {
		return
	}
	m.end()
	select {
	case err := <-m.ended:
		if err != nil {
			m.t.Errorf("run: %v", err)
		}
	case <-time.After(patience):
		m.t.Fatalf("the daemon does not end:\n%s", m.goroutines())
	}
	m.s.close()
	m.s = nil
	m.noneLeft()
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, f := range m.foul {
		m.t.Errorf("oracle: %s", f)
	}
	m.foul = nil
}

// noneLeft waits for the goroutines that end just after the daemon does, those
// of database/sql among them.
func (m *sim) noneLeft() {
	m.t.Helper()
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	late := time.After(patience)
	for m.goroutines() != "" {
		select {
		case <-tick.C:
		case <-late:
			m.t.Errorf("goroutines are left after the daemon's end:\n%s", m.goroutines())
			return
		}
	}
}

// goroutines are the stacks of the daemon's goroutines.
func (m *sim) goroutines() string {
	var all strings.Builder
	if err := pprof.Lookup("goroutine").WriteTo(&all, 1); err != nil {
		m.t.Fatal(err)
	}
	var ours []string
	for block := range strings.SplitSeq(all.String(), "\n\n") {
		if strings.Contains(block, m.base) {
			ours = append(ours, block)
		}
	}
	return strings.Join(ours, "\n\n")
}

// told is how often the service manager was told this.
func (m *sim) told(line string) (times int) {
	m.mu.Lock()
	defer m.mu.Unlock()
	for _, l := range m.notified {
		if l == line {
			times++
		}
	}
	return times
}

// notify is told after each State was published.
func (m *sim) notify(s *supervisor, line string) {
	if !strings.HasPrefix(line, "STATUS=") {
		m.mu.Lock()
		m.notified = append(m.notified, line)
		m.mu.Unlock()
		if line == "READY=1" && m.onReady != nil {
			m.onReady()
		}
		return
	}
	st, _ := s.publisher.Current()
	m.examine(st)
	m.mu.Lock()
	m.current = st
	close(m.changed)
	m.changed = make(chan struct{})
	m.mu.Unlock()
}

// Watch implements udev.Source: the newest list wins.
func (m *sim) Watch(ctx context.Context, out chan<- udev.Snapshot) error {
	for n := uint64(1); ; n++ {
		m.mu.Lock()
		snap := udev.Snapshot{Events: n, Rescans: n}
		for _, medium := range m.plugged {
			snap.Devices = append(snap.Devices, medium.devices()...)
		}
		m.mu.Unlock()
		select {
		case out <- snap:
		case <-ctx.Done():
			return ctx.Err()
		}
		select {
		case <-m.news:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

package udev

import (
	"context"
	"errors"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/pilebones/go-udev/netlink"
	"github.com/rogpeppe/go-internal/txtar"
)

// script is what one connection does until it breaks: it returns to close the
// queue, as a real one does. It may wait on w.cue.
type script func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error)

// healthy stays open and sends nothing.
func healthy(ctx context.Context, _ *watched, _ chan<- netlink.UEvent, _ chan<- error) { <-ctx.Done() }

var (
	errRefused = errors.New("refused")
	blockEvent = netlink.UEvent{Action: netlink.CHANGE, KObj: "/devices/x/block/sdb", Env: map[string]string{"SUBSYSTEM": "block"}}
)

// watched is a Monitor at work inside a synctest bubble, and the event streams it
// is given.
type watched struct {
	t      *testing.T
	tree   Tree
	out    chan Snapshot
	cue    chan struct{} // from the test to the scripts
	onOpen func()        // called at each attempt to open a stream; may be nil

	mu      sync.Mutex
	scripts []script // guarded by mu; one a connection, nil refuses to open; none left: refuses
	opens   int      // guarded by mu; attempts
	live    int      // guarded by mu; connections opened and not closed
}

func (w *watched) open() (conn, error) {
	if w.onOpen != nil {
		w.onOpen()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.opens++
	if len(w.scripts) == 0 {
		return nil, errRefused
	}
	next := w.scripts[0]
	w.scripts = w.scripts[1:]
	if next == nil {
		return nil, errRefused
	}
	w.live++
	return &fakeConn{w: w, play: next}, nil
}

func (w *watched) counts() (opens, live int) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.opens, w.live
}

type fakeConn struct {
	w       *watched
	play    script
	playing atomic.Bool
}

func (c *fakeConn) MonitorWithContext(ctx context.Context, queue chan netlink.UEvent, errs chan error, _ netlink.Matcher) {
	c.playing.Store(true)
	defer c.playing.Store(false)
	defer close(queue)
	c.play(ctx, c.w, queue, errs)
	if ctx.Err() != nil {
		time.Sleep(200 * time.Millisecond) // of the bubble's clock: go-udev looks at ctx that often
	}
}

func (c *fakeConn) Close() error {
	if c.playing.Load() {
		c.w.t.Error("closed while it was being read")
	}
	c.w.mu.Lock()
	defer c.w.mu.Unlock()
	c.w.live--
	return nil
}

// watch runs test beside a Monitor whose connections play scripts, and then
// checks that Watch ends cleanly, leaves no goroutine (synctest's doing) and no
// connection open.
func watch(t *testing.T, tree Tree, scripts []script, onOpen func(), test func(w *watched)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		w := &watched{t: t, tree: tree, out: make(chan Snapshot), cue: make(chan struct{}), onOpen: onOpen, scripts: scripts}
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		ended := make(chan error, 1)
		go func() { ended <- (&Monitor{Tree: tree, open: w.open}).Watch(ctx, w.out) }()
		test(w)
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("Watch = %v", err)
		}
		if _, live := w.counts(); live != 0 {
			t.Errorf("%d connections left open", live)
		}
	})
}

// next returns the next Snapshot.
func (w *watched) next() Snapshot {
	w.t.Helper()
	select {
	case s := <-w.out:
		return s
	case <-time.After(time.Hour):
		w.t.Fatal("no Snapshot came")
		return Snapshot{}
	}
}

// none checks that no Snapshot comes within d.
func (w *watched) none(d time.Duration) {
	w.t.Helper()
	select {
	case s := <-w.out:
		w.t.Fatalf("a Snapshot came: %+v", s)
	case <-time.After(d):
	}
}

func has(s Snapshot, name string) bool {
	for _, d := range s.Devices {
		if d.Name == name {
			return true
		}
	}
	return false
}

// events reads an archive of udev events: one a file, KEY=VALUE lines.
func events(t *testing.T, archive string) map[string]netlink.UEvent {
	t.Helper()
	a, err := txtar.ParseFile(filepath.Join("testdata", archive+".txtar"))
	if err != nil {
		t.Fatal(err)
	}
	m := make(map[string]netlink.UEvent)
	for _, f := range a.Files {
		env, err := ParseProperties(strings.NewReader(string(f.Data)))
		if err != nil {
			t.Fatal(err)
		}
		m[f.Name] = netlink.UEvent{Action: netlink.KObjAction(env["ACTION"]), KObj: env["DEVPATH"], Env: env}
	}
	return m
}

package udev

import (
	"context"
	"sync"
	"time"
)

// Defaults of a Monitor's intervals.
const (
	defaultSettle   = 75 * time.Millisecond
	defaultPatience = 500 * time.Millisecond
	defaultRescan   = 30 * time.Second

	firstBackoff = 100 * time.Millisecond
	lastBackoff  = 2 * time.Second
)

// Monitor is the Source for a running system. It listens to udev's events and,
// after each burst of them, lists all devices anew. The stream of events breaks
// when it overflows, for one; it is then opened again, with growing pauses (0.1 s to
// 2 s), and the devices are listed again at each attempt, since events were missed. The zero
// value is ready for use; its fields must not change while Watch runs.
type Monitor struct {
	Tree Tree
	// Settle is how long it must be quiet before the devices are listed; 75 ms
	// when 0. The partitions of a disk arrive as one burst.
	Settle time.Duration
	// Patience bounds that wait when it never gets quiet; 500 ms when 0.
	Patience time.Duration
	// Rescan is the interval of listing without any event; 30 s when 0. It is
	// what remains when events get lost unnoticed or there is no udev.
	Rescan time.Duration

	open func() (conn, error) // a subscription to udev when nil
}

var _ Source = (*Monitor)(nil)

// Watch implements Source. It subscribes first and lists the devices then, so
// that nothing falls between; when it cannot subscribe it says so in
// Snapshot.Lost and goes on by listing alone. It returns nil, after all its
// goroutines have ended, once ctx ends.
func (m *Monitor) Watch(ctx context.Context, out chan<- Snapshot) error {
	ctx, cancel := context.WithCancel(ctx)
	l := &link{open: m.open, hints: make(chan struct{}, 1), turns: make(chan struct{}, 1)}
	if l.open == nil {
		l.open = func() (conn, error) { return openNetlink(0) }
	}
	var keeper sync.WaitGroup
	defer keeper.Wait()
	defer cancel()
	keeper.Go(func() { l.keep(ctx) })

	w := watcher{
		tree: m.Tree, link: l, out: out,
		settle:   orDefault(m.Settle, defaultSettle),
		patience: orDefault(m.Patience, defaultPatience),
		rescan:   orDefault(m.Rescan, defaultRescan),
	}
	w.run(ctx)
	return nil
}

func orDefault(d, fallback time.Duration) time.Duration {
	if d <= 0 {
		return fallback
	}
	return d
}

// watcher lists the devices when there is cause to and hands the newest list on.
// It belongs to the goroutine that runs it.
type watcher struct {
	tree                     Tree
	link                     *link
	out                      chan<- Snapshot
	settle, patience, rescan time.Duration

	rescans uint64
	newest  Snapshot
	unsent  bool // newest has not been taken yet
}

func (w *watcher) run(ctx context.Context) {
	// The first turn comes when the first attempt to subscribe has ended.
	select {
	case <-w.link.turns:
		w.list(ctx)
	case <-ctx.Done():
		return
	}
	// Two timers end a burst: quiet is put off by each hint, patience is not, so
	// that a storm without a pause cannot put off the listing for ever.
	quiet, patience := stoppedTimer(), stoppedTimer()
	idle := time.NewTimer(w.rescan)
	for burst := false; ; {
		var out chan<- Snapshot
		if w.unsent {
			out = w.out
		}
		select {
		case <-ctx.Done():
			return
		case out <- w.newest:
			w.unsent = false
			continue
		case <-w.link.hints:
			quiet.Reset(w.settle)
			if !burst {
				burst = true
				patience.Reset(w.patience)
			}
			continue
		case <-quiet.C:
		case <-patience.C:
		case <-w.link.turns:
		case <-idle.C:
		}
		burst = false
		quiet.Stop()
		patience.Stop()
		w.list(ctx)
		idle.Reset(w.rescan)
	}
}

// stoppedTimer returns a timer that does not run yet. Since Go 1.23 a stopped or
// reset timer leaves no stale value in its channel.
func stoppedTimer() *time.Timer {
	t := time.NewTimer(time.Hour)
	t.Stop()
	return t
}

// list reads all devices and makes the result the newest Snapshot. When nothing
// could be listed the devices of the time before stay: they have not been seen
// to go.
func (w *watcher) list(ctx context.Context) {
	// Whatever was signalled up to here is covered by this list.
	lower(w.link.hints)
	lower(w.link.turns)
	next := Snapshot{Devices: w.newest.Devices}
	next.Events, next.Reconnects, next.Lost = w.link.health()
	devices, err := w.tree.Enumerate(ctx)
	if devices != nil {
		next.Devices = devices
	}
	if next.Lost == nil {
		next.Lost = err
	}
	w.rescans++
	next.Rescans = w.rescans
	w.newest, w.unsent = next, true
}

package testbed

import (
	"context"
	"testing"
)

// Frozen is a prepared guest that stands still, with the disk that belongs to
// it. Any number of guests go on from it, each with a copy of its own; they
// share boot id and machine id, not clock and random numbers.
type Frozen struct {
	dir  string
	opts Options
}

// Freeze saves the guest as it is in a folder and switches it off. No disk may be
// plugged in, and it must have been started without a reader and a hub.
func (g *Guest) Freeze(dir string) *Frozen {
	g.t.Helper()
	if len(g.disks) > 0 || len(g.slots) > 0 || g.opts.Hub {
		g.t.Fatal("freeze guest: it has disks")
	}
	g.MustRun("udevadm settle -t 60; sync")
	ctx, cancel := context.WithTimeout(context.Background(), bootLimit)
	defer cancel()
	f := &Frozen{dir: dir, opts: g.opts}
	if err := g.saveTo(ctx, f.dir); err != nil {
		g.t.Fatalf("freeze guest: %v", err)
	}
	return f
}

// Thaw starts a guest that goes on from a frozen one.
func Thaw(t testing.TB, from *Frozen) *Guest {
	t.Helper()
	takeSlot(t)
	base, err := prepareOnce[from.opts.Arch]()
	if err != nil {
		t.Fatal(err)
	}
	g := newGuest(t, from.opts, base)
	g.wakeFrom(from.dir)
	return g
}

// Rethaw is what follows a power cut when nothing that matters was on the
// guest's own disk: it goes on from a frozen guest, with nothing plugged in.
func (g *Guest) Rethaw(from *Frozen) {
	g.t.Helper()
	if g.machine != nil {
		g.t.Fatal("thaw guest: it is running")
	}
	g.disks = map[string]*disk{}
	g.wakeFrom(from.dir)
}

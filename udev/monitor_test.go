package udev

import (
	"context"
	"errors"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/pilebones/go-udev/netlink"
)

// What is plugged in while the stream is opened is in the first list.
func TestMonitor_Watch_subscribesBeforeListing(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-whole")
	watch(t, tree, []script{healthy}, func() { lay(t, tree, "ssd") }, func(w *watched) {
		got := w.next()
		if !has(got, "sdb") || !has(got, "sdd2") || got.Rescans != 1 || got.Events != 0 || got.Reconnects != 0 || got.Lost != nil {
			t.Errorf("first Snapshot = %+v", got)
		}
	})
}

// The events of one plugging give one Snapshot, and those of other subsystems
// do not count.
func TestMonitor_Watch_burst(t *testing.T) {
	t.Parallel()
	recorded := events(t, "events-plug")
	play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		<-w.cue
		for _, name := range slices.Sorted(maps.Keys(recorded)) {
			queue <- recorded[name]
			time.Sleep(20 * time.Millisecond) // of the bubble's clock
		}
		healthy(ctx, w, queue, errs)
	}
	watch(t, unpack(t, "system"), []script{play}, nil, func(w *watched) {
		first := w.next()
		lay(t, w.tree, "ssd")
		began := time.Now()
		w.cue <- struct{}{}
		second := w.next()
		// The disk comes with the seventh event, its last partition with the ninth.
		if took := time.Since(began); took != 8*20*time.Millisecond+defaultSettle {
			t.Errorf("the Snapshot came after %v of the bubble's clock", took)
		}
		if second.Events != 3 || second.Rescans != 2 {
			t.Errorf("%d events, %d rescans; want 3 and 2", second.Events, second.Rescans)
		}
		var added []string
		for _, d := range Diff(first.Devices, second.Devices).Added {
			added = append(added, d.Name)
		}
		if diff := cmp.Diff([]string{"sdd", "sdd1", "sdd2"}, added); diff != "" {
			t.Errorf("added (-want +got):\n%s", diff)
		}
		w.none(20 * time.Second)
	})
}

// A reader that stays: no event but "change", and each step is seen.
func TestMonitor_Watch_cardSwap(t *testing.T) {
	t.Parallel()
	recorded := events(t, "events-swap")
	steps := []string{"2-first", "3-pulled", "5-second"}
	play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		for _, step := range steps {
			<-w.cue
			queue <- recorded[step]
		}
		healthy(ctx, w, queue, errs)
	}
	watch(t, unpack(t, "swap/1-empty"), []script{play}, nil, func(w *watched) {
		before := w.next()
		for i, want := range []string{"SKUA_A003", "", "SKUA_A004"} {
			lay(t, w.tree, "swap/"+steps[i])
			w.cue <- struct{}{}
			after := w.next()
			c := Diff(before.Devices, after.Devices)
			if len(c.Removed) != 1 || len(c.Added) != 1 || len(c.Changed) != 0 || c.Added[0].Label != want {
				t.Errorf("%s: change = %+v; want another insertion with label %q", steps[i], c, want)
			}
			before = after
		}
	})
}

// A storm while nobody takes Snapshots: every event is received, and then the
// newest list is there, once.
func TestMonitor_Watch_stormWithoutReceiver(t *testing.T) {
	t.Parallel()
	const storm = 10_000
	play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		<-w.cue
		for range storm {
			queue <- blockEvent
		}
		w.cue <- struct{}{} // all were taken
		healthy(ctx, w, queue, errs)
	}
	watch(t, unpack(t, "card-whole"), []script{play}, nil, func(w *watched) {
		synctest.Wait() // the first list is made, and its Snapshot stays untaken
		lay(t, w.tree, "ssd")
		w.cue <- struct{}{}
		<-w.cue
		time.Sleep(time.Second)
		got := w.next()
		if got.Events != storm || !has(got, "sdd") {
			t.Errorf("%d events, ssd %v; want %d and true", got.Events, has(got, "sdd"), storm)
		}
		if got.Rescans != 2 { // none of the bubble's time passes during the storm
			t.Errorf("%d rescans for one burst", got.Rescans)
		}
		w.none(20 * time.Second)
	})
}

// A storm without a pause does not put off the list for ever, nor is there a
// list for each event.
func TestMonitor_Watch_stormWithoutPause(t *testing.T) {
	t.Parallel()
	play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		<-w.cue
		for range 10_000 {
			queue <- blockEvent
			time.Sleep(time.Millisecond)
		}
		w.cue <- struct{}{}
		healthy(ctx, w, queue, errs)
	}
	watch(t, unpack(t, "card-whole"), []script{play}, nil, func(w *watched) {
		w.next()
		w.cue <- struct{}{}
		var newest Snapshot
		for during := 0; ; during++ {
			select {
			case newest = <-w.out:
				continue
			case <-w.cue:
			}
			// 10 s of storm and half a second of patience.
			if during < 15 || during > 25 || newest.Rescans != uint64(during)+1 {
				t.Errorf("%d Snapshots during the storm, %d rescans", during, newest.Rescans)
			}
			break
		}
		if last := w.next(); last.Events != 10_000 {
			t.Errorf("%d events, want 10000", last.Events)
		}
	})
}

// Only the newest of several Snapshots that nobody took is kept.
func TestMonitor_Watch_latestWins(t *testing.T) {
	t.Parallel()
	play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		for range 2 {
			<-w.cue
			queue <- blockEvent
		}
		healthy(ctx, w, queue, errs)
	}
	watch(t, unpack(t, "card-whole"), []script{play}, nil, func(w *watched) {
		synctest.Wait()
		for _, archive := range []string{"ssd", "dm"} {
			lay(t, w.tree, archive)
			w.cue <- struct{}{}
			time.Sleep(time.Second)
		}
		if got := w.next(); got.Rescans != 3 || !has(got, "dm-0") || !has(got, "sdd") {
			t.Errorf("Snapshot of rescan %d: %v; want the third", got.Rescans, withoutDetail(got.Devices))
		}
		w.none(20 * time.Second)
	})
}

// What no event told of is found by the slow rescan.
func TestMonitor_Watch_rescansWithoutEvents(t *testing.T) {
	t.Parallel()
	watch(t, unpack(t, "card-whole"), []script{healthy}, nil, func(w *watched) {
		w.next()
		lay(t, w.tree, "ssd")
		if got := w.next(); !has(got, "sdd") || got.Events != 0 || got.Rescans != 2 {
			t.Errorf("Snapshot = %+v; want sdd without an event", got)
		}
	})
}

// When sysfs cannot be listed nothing is said to be gone, and the reason is told.
func TestMonitor_Watch_nothingListed(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-whole")
	class, aside := filepath.Join(tree.Sys, "class"), filepath.Join(tree.Sys, "aside")
	watch(t, tree, []script{healthy}, nil, func(w *watched) {
		w.next()
		if err := os.Rename(class, aside); err != nil {
			t.Fatal(err)
		}
		if got := w.next(); !has(got, "sdb") || !errors.Is(got.Lost, fs.ErrNotExist) {
			t.Errorf("Snapshot = %+v; want sdb and the reason", got)
		}
		if err := os.Rename(aside, class); err != nil {
			t.Fatal(err)
		}
		if got := w.next(); !has(got, "sdb") || got.Lost != nil {
			t.Errorf("Snapshot = %+v; want sdb and no error", got)
		}
	})
}

// ctx ends Watch at every point at which it can wait.
func TestMonitor_Watch_ends(t *testing.T) {
	t.Parallel()
	refused := []script{}
	t.Run("nobody took the first Snapshot", func(t *testing.T) {
		t.Parallel()
		watch(t, unpack(t, "ssd"), []script{healthy}, nil, func(*watched) { synctest.Wait() })
	})
	t.Run("at once", func(t *testing.T) {
		t.Parallel()
		watch(t, unpack(t, "ssd"), []script{healthy}, nil, func(*watched) {})
	})
	t.Run("between attempts", func(t *testing.T) {
		t.Parallel()
		watch(t, unpack(t, "ssd"), refused, nil, func(w *watched) { w.next(); time.Sleep(time.Minute) })
	})
	t.Run("within a burst", func(t *testing.T) {
		t.Parallel()
		play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
			queue <- blockEvent
			healthy(ctx, w, queue, errs)
		}
		watch(t, unpack(t, "ssd"), []script{play}, nil, func(w *watched) { w.next(); synctest.Wait() })
	})
}

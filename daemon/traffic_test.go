package daemon

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
)

func disks(names ...string) (list []laneDrive) {
	for _, n := range names {
		list = append(list, laneDrive{disk: n, rotating: n[0] == 'r'})
	}
	return list
}

func TestTraffic_room(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		parallel int
		running  [][]laneDrive
		aside    [][]laneDrive
		next     []laneDrive
		want     bool
	}{
		"nobody":                         {1, nil, nil, disks("a"), true},
		"one of one":                     {1, [][]laneDrive{disks("a")}, nil, disks("b"), false},
		"one of two":                     {2, [][]laneDrive{disks("a")}, nil, disks("a"), true},
		"two of two":                     {2, [][]laneDrive{disks("a"), disks("b")}, nil, disks("c"), false},
		"a rotating one is shared":       {2, [][]laneDrive{disks("a", "r")}, nil, disks("r", "b"), false},
		"rotating ones of their own":     {2, [][]laneDrive{disks("a", "r1")}, nil, disks("r2", "a"), true},
		"who stepped aside counts not":   {1, nil, [][]laneDrive{disks("a"), disks("r")}, disks("a", "r"), true},
		"the rotating one stepped aside": {2, [][]laneDrive{disks("a")}, [][]laneDrive{disks("r")}, disks("r"), true},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			tr := newTraffic()
			for _, d := range tc.running {
				tr.join(d, false)
			}
			for _, d := range tc.aside {
				tr.join(d, true)
			}
			if got := tr.room(tc.parallel, tc.next); got != tc.want {
				t.Errorf("room: %v, want %v", got, tc.want)
			}
		})
	}
}

// waiting calls wait on a goroutine and says whether, and how, it has returned.
func waiting(ctx context.Context, tr *traffic, l *lane) (returned func() (bool, error)) {
	over := false
	var err error
	go func() { err = tr.wait(ctx, l); over = true }()
	return func() (bool, error) { synctest.Wait(); return over, err }
}

func TestTraffic_wait(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		other   []laneDrive
		aside   bool // the other one, which began first
		release func(tr *traffic, other *lane)
		waits   bool
	}{
		"work on other drives":              {disks("x"), false, nil, false},
		"work on one of its drives":         {disks("x", "b"), false, (*traffic).leave, true},
		"until that one steps aside":        {disks("x", "a"), false, func(tr *traffic, o *lane) { tr.serve(o, "a"); tr.stepAside(o) }, true},
		"an earlier one writes to the same": {disks("b"), true, (*traffic).leave, true},
		"until it has its copy":             {disks("b"), true, func(tr *traffic, o *lane) { tr.serve(o, "b") }, true},
		"an earlier one on others":          {disks("x"), true, nil, false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			synctest.Test(t, func(t *testing.T) {
				tr := newTraffic()
				other := tr.join(tc.other, tc.aside)
				mine := tr.join(disks("a", "b"), true)
				returned := waiting(t.Context(), tr, mine)
				if over, _ := returned(); over == tc.waits {
					t.Fatalf("wait returned: %v, want %v", over, !tc.waits)
				}
				if tc.release != nil {
					tc.release(tr, other)
				}
				if over, err := returned(); !over || err != nil {
					t.Errorf("at the end: returned %v, %v", over, err)
				}
			})
		})
	}
}

// Of two that wait for one drive the earlier one goes on, whatever they did to
// it before: else both would wait for ever.
func TestTraffic_noTwoWaitForEachOther(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		tr := newTraffic()
		first, second := tr.join(disks("a", "b"), true), tr.join(disks("b", "a"), true)
		if over, err := waiting(t.Context(), tr, first)(); !over || err != nil {
			t.Errorf("the first: returned %v, %v", over, err)
		}
		later := waiting(t.Context(), tr, second)
		if over, _ := later(); over {
			t.Error("the second did not wait")
		}
		tr.leave(first)
		if over, err := later(); !over || err != nil {
			t.Errorf("the second: returned %v, %v", over, err)
		}
	})
}

// A job for which somebody waits asks nobody; one that is ended waits no more.
func TestTraffic_waitEnds(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		tr := newTraffic()
		busy := tr.join(disks("a"), false)
		if err := tr.wait(t.Context(), busy); err != nil {
			t.Error(err)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		returned := waiting(ctx, tr, tr.join(disks("a"), true))
		if over, _ := returned(); over {
			t.Fatal("it did not wait")
		}
		cancel(errStopping)
		if over, err := returned(); !over || !errors.Is(err, errStopping) {
			t.Errorf("returned %v, %v; want the cause", over, err)
		}
	})
}

package daemon

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	"bothy/daemon/offload"
	"bothy/udev"
)

// stand-in for a drive: counts how often it is mounted and let go.
type countedDrive struct{ mounts, releases int }

func (c *countedDrive) open(context.Context) (*Opened, error) {
	c.mounts++
	return &Opened{Release: func(context.Context) error { c.releases++; return nil }}, nil
}

func TestShare_mountedOnceLetGoByTheLast(t *testing.T) {
	t.Parallel()
	h, c := newShare(), &countedDrive{}
	for round := 1; round <= 2; round++ {
		first, err := h.open(t.Context(), c.open)
		if err != nil {
			t.Fatal(err)
		}
		second, err := h.open(t.Context(), c.open)
		if err != nil || first != second || c.mounts != round {
			t.Fatalf("the second got %p, %v after %p; %d mounts", second, err, first, c.mounts)
		}
		if err := h.release(t.Context()); err != nil || c.releases != round-1 {
			t.Fatalf("let go %d times while one uses it (%v)", c.releases, err)
		}
		if err := h.release(t.Context()); err != nil || c.releases != round {
			t.Fatalf("let go %d times when nobody uses it (%v)", c.releases, err)
		}
	}
}

// Whoever waits while another one's mount fails makes one of his own, and whoever
// is stopped waits no more.
func TestShare_failedMountIsTriedByTheNext(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		h, c := newShare(), &countedDrive{}
		fail := make(chan struct{})
		broken := errors.New("no such drive")
		answers := make(chan error, 3)
		go func() {
			_, err := h.open(t.Context(), func(context.Context) (*Opened, error) { <-fail; return nil, broken })
			answers <- err
		}()
		synctest.Wait()
		ctx, stop := context.WithCancelCause(t.Context())
		go func() { _, err := h.open(ctx, c.open); answers <- err }()
		synctest.Wait()
		stop(errStopping)
		if err := <-answers; !errors.Is(err, errStopping) {
			t.Errorf("the one who was stopped: %v", err)
		}
		done := make(chan error)
		go func() { _, err := h.open(t.Context(), c.open); done <- err }()
		synctest.Wait()
		close(fail)
		if err := <-answers; !errors.Is(err, broken) {
			t.Errorf("the first: %v", err)
		}
		if err := <-done; err != nil || c.mounts != 1 {
			t.Errorf("the next: %v, %d mounts", err, c.mounts)
		}
	})
}

func TestClaims_folder(t *testing.T) {
	t.Parallel()
	on := func(ids ...string) (list []*jobDrive) {
		for _, id := range ids {
			list = append(list, &jobDrive{identity: Identity{ID: id}})
		}
		return list
	}
	for name, tc := range map[string]struct {
		folder string
		drives []*jobDrive
		want   bool
	}{
		"the same name":              {"day/SKUA_1", on("b", "c"), false},
		"another name":               {"day/SKUA_2", on("a", "b"), true},
		"on another drive":           {"day/SKUA_1", on("c"), true},
		"in capitals":                {"DAY/skua_1", on("a"), false},
		"the form of unfinished":     {"day/SKUA_1" + offload.UnfinishedSuffix, on("a"), false},
		"what its own form would be": {"day/SKUA_3", on("a"), false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			c, first, second := newClaims(), &task{}, &task{}
			if !c.folder(first, "day/SKUA_1", on("a", "b")) || !c.folder(first, "day/SKUA_3"+offload.IncompleteSuffix, on("a")) {
				t.Fatal("the first gets nothing")
			}
			if !c.folder(first, "day/SKUA_1", on("a")) {
				t.Error("what is its own is refused")
			}
			if got := c.folder(second, tc.folder, tc.drives); got != tc.want {
				t.Errorf("%s: %v, want %v", tc.folder, got, tc.want)
			}
			c.drop(first)
			if !c.folder(second, tc.folder, tc.drives) {
				t.Error("a name is kept by a job that has ended")
			}
		})
	}
}

func TestClaims_offloadAndRoom(t *testing.T) {
	t.Parallel()
	c, first, second := newClaims(), &task{}, &task{}
	if !c.offload(first, "box-1") || c.offload(second, "box-1") || !c.offload(first, "box-1") {
		t.Error("an offload is not that of one job")
	}
	if n := c.plan(first, "a", 1000); n != 0 {
		t.Errorf("others need %d bytes, and there are none", n)
	}
	c.written(first, offload.Progress{Copies: []offload.CopyProgress{{DriveID: "a", BytesWritten: 400}, {DriveID: "b", BytesWritten: 9}}})
	if n := c.plan(second, "a", 50); n != 600 {
		t.Errorf("the other needs %d more bytes, want 600", n)
	}
	c.written(first, offload.Progress{Copies: []offload.CopyProgress{{DriveID: "a", BytesWritten: 1400}}}) // files written twice
	if n := c.plan(second, "a", 50); n != 0 {
		t.Errorf("the other needs %d more bytes, want none", n)
	}
	c.drop(first)
	if !c.offload(second, "box-1") {
		t.Error("an offload is kept by a job that has ended")
	}
	if n := c.plan(first, "a", 1); n != 50 {
		t.Errorf("the other needs %d bytes, want 50", n)
	}
}

func dev(disk string, seq uint64) udev.Device {
	return udev.Device{Name: disk, Disk: disk, DiskSeq: seq}
}

func TestMounted(t *testing.T) {
	t.Parallel()
	told := 0
	m := newMounted(func() { told++ })
	old, next, part := dev("sda", 1), dev("sda", 2), dev("sda", 1)
	m.enter(old)
	m.enter(part)
	if !m.before(next) || m.before(old) || m.before(dev("sdb", 2)) {
		t.Errorf("before: %v for the next card, %v for itself", m.before(next), m.before(old))
	}
	m.leave(old)
	if !m.before(next) || told != 0 {
		t.Error("one mount of two counts for nothing")
	}
	m.leave(part)
	if m.before(next) || told != 1 {
		t.Errorf("after the last: before %v, told %d times", m.before(next), told)
	}
}

package daemon

import (
	"context"
	"errors"
	"log/slog"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/policy"
)

// begun is an offload of an invented past.
func begun(seq int64, at time.Time, trusted bool, state, verdict string) ledger.Whereabouts {
	return ledger.Whereabouts{Offload: ledger.Offload{ID: "b-" + string(rune('0'+seq)), Seq: seq, Files: 2, Bytes: 10,
		Started: ledger.Moment{Wall: at, Trusted: trusted}, Status: state, Verdict: verdict}}
}

// Days are told by the box's zone, each where its newest offload stands; and what
// is not decided for good is on hold, whatever was said of it before.
func TestDaysOf(t *testing.T) {
	t.Parallel()
	zone := time.FixedZone("east", 9*3600)
	at := func(hour int) time.Time { return time.Date(2026, 11, 25, hour, 0, 0, 0, time.UTC) }
	w := begun(5, at(16), true, ledger.OffloadOpen, "release")
	w.Copies = []ledger.Copy{{DriveID: "d", Folder: "f", Status: ledger.CopyLost}}
	days := daysOf([]ledger.Whereabouts{
		w, begun(4, at(14), true, ledger.OffloadDone, "release"), begun(3, at(15), false, ledger.OffloadDone, "hold"),
		begun(2, time.Time{}, false, ledger.OffloadDone, "release"), begun(1, at(1), true, ledger.OffloadDone, "release"),
	}, map[string]string{"d": "gannet"}, zone)
	type line struct {
		Day, Verdicts string
		Trusted       bool
		Files         int
	}
	var got []line
	for _, d := range days {
		l := line{Day: d.Day, Trusted: d.ClockTrusted, Files: d.Files}
		for _, o := range d.Offloads {
			l.Verdicts += o.ID + " " + o.Verdict + ";"
		}
		got = append(got, l)
	}
	if diff := cmp.Diff([]line{
		{"2026-11-26", "b-5 hold;b-3 hold;", false, 4}, {"2026-11-25", "b-4 release;b-1 release;", true, 4}, {"", "b-2 release;", false, 2},
	}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]status.StoredCopy{{DriveID: "d", DriveName: "gannet", Folder: "f", Status: "lost"}}, days[0].Offloads[0].Copies); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
	if none := daysOf(nil, nil, zone); none == nil || len(none) != 0 {
		t.Errorf("no days: %v", none)
	}
}

// The archive answers on the goroutine of whoever asks: here there is no
// supervisor at all, and no drive.
func TestArchive(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l, err := ledger.Open(ctx, filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, d := range []ledger.Drive{{ID: "1", Name: "gannet"}, {ID: "2", Name: "fulmar"}, {ID: "3", Name: "fulmar"}, {ID: "gannet", Name: "1"}} {
		must(l.PutDrive(ctx, d))
	}
	midnight := time.Date(2026, 11, 25, 15, 0, 0, 0, time.UTC) // where the box is
	for _, at := range []time.Time{midnight.Add(-time.Second), midnight, midnight.AddDate(0, 0, 1).Add(-time.Second), midnight.AddDate(0, 0, 1)} {
		o, err := l.BeginOffload(ctx, ledger.Offload{CardLabel: "SKUA", Started: ledger.Moment{Wall: at, Trusted: true}})
		must(err)
		must(l.RecordFiles(ctx, o.ID, []ledger.File{{Path: "DCIM/a.mov"}}))
	}
	a := newArchive(l, new(atomic.Pointer[time.Location]))
	a.zone.Store(time.FixedZone("east", 9*3600))
	day := time.Date(2026, 11, 26, 0, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		q    status.Question
		want int
	}{
		{status.Question{}, 4}, {status.Question{Since: day}, 3}, {status.Question{Until: day}, 3}, {status.Question{Since: day, Until: day}, 2},
	} {
		days, err := a.Days(ctx, test.q)
		must(err)
		n := 0
		for _, d := range days.Days {
			n += len(d.Offloads)
		}
		test.q.Name = "*.MOV"
		files, err := a.Files(ctx, test.q)
		must(err)
		if n != test.want || len(files.Files) != test.want {
			t.Errorf("%+v: %d offloads, %d files, want %d", test.q, n, len(files.Files), test.want)
		}
	}
	for drive, want := range map[string]string{"1": "1", "gannet": "gannet", "2": "2"} { // an id goes before a name
		if got, err := a.driveID(ctx, drive); err != nil || got != want {
			t.Errorf("drive %s: %q, %v", drive, got, err)
		}
	}
	for name, ask := range map[string]func() error{
		"two of a name":    func() error { _, err := a.Missing(ctx, "fulmar", 1); return err },
		"a broken glob":    func() error { _, err := a.Files(ctx, status.Question{Name: "["}); return err },
		"a broken card":    func() error { _, err := a.Days(ctx, status.Question{Card: "["}); return err },
		"-no such drive":   func() error { _, err := a.Missing(ctx, "puffin", 1); return err },
		"-nor that":        func() error { _, err := a.Days(ctx, status.Question{Drive: "puffin"}); return err },
		"-no such verdict": func() error { _, err := a.Verdicts(ctx, "none-1"); return err },
	} {
		want := status.ErrQuestion
		if name[0] == '-' {
			want = status.ErrNoSuch
		}
		if err := ask(); !errors.Is(err, want) {
			t.Errorf("%s: %v", name, err)
		}
	}
	ended, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := a.Files(ended, status.Question{Name: "*"}); !errors.Is(err, context.Canceled) {
		t.Errorf("who has gone is still answered: %v", err)
	}
	// As many as may ask are at it: the next waits at the door, and goes from there.
	for range questions {
		must(a.enter(ctx))
	}
	_, err1 := a.Days(ended, status.Question{})
	_, err2 := a.Files(ended, status.Question{})
	_, err3 := a.Missing(ended, "1", 1)
	_, err4 := a.Verdicts(ended, "none-1")
	for i, err := range []error{err1, err2, err3, err4} {
		if err != context.Canceled { // the ledger would say what it was asked
			t.Errorf("question %d was not kept waiting: %v", i, err)
		}
	}
}

// What is shown of a drive is its room above its reserve, attached or away, and
// nothing of one that has no identity.
func TestDrivesToShow_room(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	s := newSupervisor(Config{Now: func() (time.Time, bool) { return now, true }, Log: slog.New(slog.DiscardHandler)})
	s.lately = []ledger.Offload{{Started: ledger.Moment{Wall: now.Add(-48 * time.Hour), Trusted: true}, Bytes: 48e9, Status: ledger.OffloadDone}}
	rule := &policy.DriveRule{ReserveBytes: 4e9}
	s.drives = []*drive{{rule: rule, freeBytes: 100e9}, {rule: rule, freeBytes: 100e9}}
	s.drives[0].identity.ID = "here"
	s.remembered = []ledger.Drive{{ID: "away", Name: "z", FreeBytes: 48e9}}
	got := map[string]state.Room{}
	for _, d := range s.drivesToShow(now, true) {
		got[d.ID] = d.Room
	}
	if diff := cmp.Diff(map[string]state.Room{"here": {Known: true, Cards: 2, Hours: 96}, "away": {Known: true, Cards: 1, Hours: 48}, "": {}}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

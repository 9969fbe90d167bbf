package ledger

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// The cards, drives and files in these tests are invented.

func TestMain(m *testing.M) {
	if path := os.Getenv(childEnv); path != "" {
		os.Exit(killedChild(path))
	}
	os.Exit(m.Run())
}

// newLedger opens a new ledger that is closed with the test.
func newLedger(t *testing.T) *Ledger {
	t.Helper()
	return openLedger(t, filepath.Join(t.TempDir(), "ledger.db"))
}

func openLedger(t *testing.T, path string) *Ledger {
	t.Helper()
	l, err := Open(t.Context(), path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := l.Close(); err != nil {
			t.Error(err)
		}
	})
	return l
}

func at(second int) Moment {
	return Moment{
		Wall:      time.Date(2026, 11, 25, 14, 31, second, 123456789, time.UTC),
		Trusted:   second%2 == 0,
		BootID:    "5a1f0c1e-0000-4000-8000-00000000000a",
		SinceBoot: time.Duration(second) * time.Second,
	}
}

func drive(n int) Drive {
	id := fmt.Sprintf("drive-%d", n)
	return Drive{ID: id, Name: "Skerry " + id, DiskKey: fmt.Sprintf("wwn-0x%d", n/2), FSType: "exfat",
		FSUUID: "4A7B-1C2D", Label: "SKERRY", Box: "skerry-2", SizeBytes: 2e12, FreeBytes: 1e12, FirstSeen: at(n), LastSeen: at(n)}
}

func file(n int) File {
	return File{Path: fmt.Sprintf("DCIM/100SKUAS/SKUA%04d.MOV", n), SizeBytes: int64(n) * 1_000_003,
		ModTime: time.Date(2026, 11, 24, 9, n%60, 2, 10_000_000, time.UTC), Algorithm: "xxh128",
		Checksum: fmt.Sprintf("%032x", n+1), Sample: fmt.Sprintf("%032x", n+2)}
}

func files(n int) []File {
	all := make([]File, n)
	for i := range all {
		all[i] = file(i)
	}
	return all
}

func paths(files []File) []string {
	all := make([]string, len(files))
	for i, f := range files {
		all[i] = f.Path
	}
	return all
}

func offload(card string, files int) Offload {
	return Offload{CardKey: card, CardLabel: "SKUA_A003", Rule: "clips", Folder: "2026-11-25/skua-A003", Verify: "read-back",
		Checksum: "xxh128", CopiesWanted: 2, Files: files, Bytes: 12_000_000, Started: at(1), RefersTo: []string{"x-1"},
		LeftOut: []string{"a link: DCIM/latest", "a name with \"quotes\" and <markup>"}}
}

// must fails the test at the first error.
func must(t *testing.T, errs ...error) {
	t.Helper()
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
}

// begin records an open offload with its files.
func begin(t *testing.T, l *Ledger, card string, n int) Offload {
	t.Helper()
	o, err := l.BeginOffload(t.Context(), offload(card, n))
	must(t, err)
	must(t, l.RecordFiles(t.Context(), o.ID, files(n)))
	return o
}

// fill puts a few offloads, drives and conditions in: one released, one voided,
// one open, one whose copy was lost.
func fill(t *testing.T, l *Ledger) {
	t.Helper()
	ctx := t.Context()
	for n := range 3 {
		must(t, l.PutDrive(ctx, drive(n)))
	}
	proven := func(o Offload, n int, files []File) {
		must(t, l.RecordProven(ctx, o.ID, drive(n).ID, paths(files), at(5)),
			l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: drive(n).ID, Folder: o.Folder, Status: CopyProven,
				ManifestPath: "ascmhl/0001.mhl", ManifestC4: "c4", Updated: at(6)}))
	}
	released := begin(t, l, "card-a", 30)
	proven(released, 0, files(30))
	proven(released, 2, files(30))
	must(t, l.UpdateOffload(ctx, released.ID, "release", "two copies proven", OffloadDone, at(7)))

	voided := begin(t, l, "card-a", 5)
	must(t, l.UpdateOffload(ctx, voided.ID, "hold", "another card", OffloadVoid, at(8)))

	lost := begin(t, l, "card-b", 8)
	proven(lost, 1, files(8))
	must(t, l.RecordUnproven(ctx, lost.ID, drive(1).ID, paths(files(2))))

	open := begin(t, l, "card-a", 12)
	must(t, l.RecordProven(ctx, open.ID, drive(1).ID, paths(files(4)), at(9)),
		l.PutCopy(ctx, Copy{OffloadID: open.ID, DriveID: drive(1).ID, Folder: "f", Status: CopyOpen, Updated: at(9)}),
		l.LogCondition(ctx, "drive-full", "drive-1", "1 byte is free", true, at(9)),
		l.LogCondition(ctx, "drive-full", "drive-1", "", false, at(10)))
}

// contents is all that a caller can read.
type contents struct {
	BoxID      string
	Drives     []Drive
	Copies     map[string]int // by drive
	Offloads   []Offload
	ByID       map[string]Offload
	Files      map[string][]File
	OnDrives   map[string][]Copy
	Proven     map[string]map[string]bool
	Open       map[string]Offload
	Known      map[string][]KnownFile
	Conditions []Condition
	Verdicts   map[string][]Verdict
	Found      []FoundFile
	Whereabout []Whereabouts
	Missing    map[string][]Whereabouts
}

// readAll asks every reading method everything. The keys are asked for by name,
// not by what the ledger lists.
func readAll(ctx context.Context, l *Ledger) (c contents, err error) {
	c = contents{BoxID: l.BoxID(), Copies: map[string]int{}, ByID: map[string]Offload{}, Files: map[string][]File{},
		OnDrives: map[string][]Copy{}, Proven: map[string]map[string]bool{}, Open: map[string]Offload{}, Known: map[string][]KnownFile{},
		Verdicts: map[string][]Verdict{}, Missing: map[string][]Whereabouts{}}
	var all []error
	note := func(err error) { all = append(all, err) }
	c.Drives, err = l.Drives(ctx)
	note(err)
	c.Offloads, err = l.Offloads(ctx, 0)
	note(err)
	c.Conditions, err = l.Conditions(ctx, 0)
	note(err)
	for n := range 3 {
		c.Copies[drive(n).ID], err = l.DriveCopyCount(ctx, drive(n).ID)
		note(err)
		c.Missing[drive(n).ID], _, err = l.Missing(ctx, drive(n).ID, 0)
		note(err)
	}
	c.Whereabout, err = l.Whereabouts(ctx)
	note(err)
	c.Found, _, err = l.FindFiles(ctx, FileQuery{Name: "*"})
	note(err)
	for seq := 1; seq <= 4; seq++ {
		id := fmt.Sprintf("%s-%d", l.BoxID(), seq)
		c.ByID[id], err = l.Offload(ctx, id)
		note(err)
		c.Verdicts[id], err = l.Verdicts(ctx, id)
		note(err)
		c.Files[id], err = l.Files(ctx, id)
		note(err)
		c.OnDrives[id], err = l.Copies(ctx, id)
		note(err)
		for n := range 3 {
			c.Proven[id+"/"+drive(n).ID], err = l.Proven(ctx, id, drive(n).ID)
			note(err)
		}
	}
	for _, card := range []string{"card-a", "card-b", "card-c"} {
		c.Known[card], err = l.KnownFiles(ctx, card)
		note(err)
		c.Open[card], _, err = l.OpenOffload(ctx, card)
		note(err)
	}
	return c, errors.Join(all...)
}

func TestLedger_readsBackWhatWasWritten(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "a ledger? 100% #1.db") // a name that a URI could swallow
	l := openLedger(t, path)
	fill(t, l)
	got, err := readAll(ctx, l)
	must(t, err)

	wantFirst := offload("card-a", 30)
	wantFirst.ID, wantFirst.Seq, wantFirst.Status = l.BoxID()+"-1", 1, OffloadDone
	wantFirst.Ended, wantFirst.Verdict, wantFirst.Reason = at(7), "release", "two copies proven"
	if diff := cmp.Diff(wantFirst, got.ByID[wantFirst.ID]); diff != "" {
		t.Errorf("offload (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff([]Drive{drive(0), drive(1), drive(2)}, got.Drives); diff != "" {
		t.Errorf("drives (-want +got):\n%s", diff)
	}
	if diff := cmp.Diff(files(30), got.Files[wantFirst.ID]); diff != "" {
		t.Errorf("files (-want +got):\n%s", diff)
	}
	wantSeqs := []int64{4, 3, 2, 1}
	for i, o := range got.Offloads {
		if o.Seq != wantSeqs[i] {
			t.Errorf("offload %d has seq %d, want %d", i, o.Seq, wantSeqs[i])
		}
	}
	if o := got.Open["card-a"]; o.Seq != 4 {
		t.Errorf("open offload of card-a is %d, want 4", o.Seq)
	}
	if diff := cmp.Diff(map[string]int{"drive-0": 1, "drive-1": 0, "drive-2": 1}, got.Copies); diff != "" {
		t.Errorf("proven copies by drive (-want +got):\n%s", diff)
	}
	if len(got.Conditions) != 2 || got.Conditions[0].Raised || !got.Conditions[1].Raised {
		t.Errorf("conditions: %+v", got.Conditions)
	}
	must(t, l.Check(ctx), l.Close())

	again := openLedger(t, path)
	reread, err := readAll(ctx, again)
	must(t, err)
	if diff := cmp.Diff(got, reread); diff != "" {
		t.Errorf("after opening again (-before +after):\n%s", diff)
	}
	if _, err := os.Stat(path); err != nil {
		t.Errorf("the file is not where it was asked for: %v", err)
	}
}

// The guarantees that SQLite gives hang on these settings:
// https://www.sqlite.org/pragma.html#pragma_synchronous (2 is FULL).
func TestLedger_asksForDurability(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	for _, test := range []struct{ pragma, want string }{
		{"journal_mode", "wal"}, {"synchronous", "2"}, {"foreign_keys", "1"}, {"application_id", fmt.Sprint(applicationID)},
		{"trusted_schema", "0"}, {"busy_timeout", fmt.Sprint(busyMilliseconds)},
	} {
		var got string
		must(t, l.write.QueryRowContext(t.Context(), "PRAGMA "+test.pragma).Scan(&got))
		if got != test.want {
			t.Errorf("%s is %s, want %s", test.pragma, got, test.want)
		}
	}
	if n := l.write.Stats().MaxOpenConnections; n != 1 {
		t.Errorf("%d writers, want 1", n)
	}
	_, err := l.read.ExecContext(t.Context(), "DELETE FROM box")
	if err == nil {
		t.Error("a reader could write")
	}
}

func TestLedger_endedContext(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	before, err := readAll(t.Context(), l)
	must(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	id := before.Offloads[0].ID
	calls := map[string]func() error{
		"PutDrive":       func() error { return l.PutDrive(ctx, drive(9)) },
		"BeginOffload":   func() error { _, err := l.BeginOffload(ctx, offload("c", 1)); return err },
		"UpdateOffload":  func() error { return l.UpdateOffload(ctx, id, "hold", "", OffloadDone, at(1)) },
		"RecordFiles":    func() error { return l.RecordFiles(ctx, id, files(20)) },
		"RecordProven":   func() error { return l.RecordProven(ctx, id, "drive-0", paths(files(2)), at(1)) },
		"RecordUnproven": func() error { return l.RecordUnproven(ctx, id, "drive-1", paths(files(2))) },
		"PutCopy":        func() error { return l.PutCopy(ctx, Copy{OffloadID: id, DriveID: "drive-0", Status: CopyOpen}) },
		"LogCondition":   func() error { return l.LogCondition(ctx, "x", "", "", true, at(1)) },
		"readAll":        func() error { _, err := readAll(ctx, l); return err },
		"Check":          func() error { return l.Check(ctx) },
		"Snapshot":       func() error { return l.Snapshot(ctx, new(discard)) },
	}
	for name, call := range calls {
		if err := call(); !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v, want the context's error", name, err)
		}
	}
	after, err := readAll(t.Context(), l)
	must(t, err)
	if diff := cmp.Diff(before, after); diff != "" {
		t.Errorf("something changed (-before +after):\n%s", diff)
	}
}

type discard struct{}

func (discard) Write(p []byte) (int, error) { return len(p), nil }

func TestLedger_afterClose(t *testing.T) {
	t.Parallel()
	l, err := Open(t.Context(), filepath.Join(t.TempDir(), "ledger.db"))
	must(t, err)
	must(t, l.Close())
	if err := l.PutDrive(t.Context(), drive(1)); err == nil {
		t.Error("a closed ledger took a drive")
	}
	if _, err := l.Drives(t.Context()); err == nil {
		t.Error("a closed ledger answered")
	}
}

func TestOpen_leavesNothingElseBehind(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	l, err := Open(t.Context(), filepath.Join(dir, "ledger.db"))
	must(t, err)
	fill(t, l)
	must(t, l.Snapshot(t.Context(), discard{}), l.Close())
	if diff := cmp.Diff([]string{"ledger.db"}, namesIn(t, dir)); diff != "" {
		t.Errorf("in the folder (-want +got):\n%s", diff)
	}
}

func namesIn(t *testing.T, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	must(t, err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func TestOpen_noFolder(t *testing.T) {
	t.Parallel()
	_, aside, err := OpenOrReplace(t.Context(), filepath.Join(t.TempDir(), "none", "ledger.db"))
	if !errors.Is(err, fs.ErrNotExist) || errors.Is(err, ErrDamaged) || aside != "" {
		t.Errorf("got %v, aside %q; want that the folder is missing", err, aside)
	}
}

package ledger

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestBeginOffload_neverRepeatsANumber(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	for want := int64(1); want <= 3; want++ {
		o, err := l.BeginOffload(t.Context(), offload("c", 0))
		must(t, err)
		if o.Seq != want || o.ID != fmt.Sprintf("%s-%d", l.BoxID(), want) || o.Status != OffloadOpen {
			t.Errorf("offload %d: %+v", want, o)
		}
		// Somebody tidies up with another client.
		_, err = l.write.ExecContext(t.Context(), "DELETE FROM offloads")
		must(t, err)
	}
}

func TestUpdateOffload_status(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	for _, test := range []struct {
		name            string
		before          string // status
		verdict, status string
		refused         bool
	}{
		{"open to done", OffloadOpen, "release", OffloadDone, false},
		{"done to open, for a drive that came late", OffloadDone, "hold", OffloadOpen, false},
		{"open to void", OffloadOpen, "hold", OffloadVoid, false},
		{"void with a release", OffloadOpen, "release", OffloadVoid, true},
		{"void again, with another reason", OffloadVoid, "hold", OffloadVoid, false},
		{"void to done", OffloadVoid, "hold", OffloadDone, true},
		{"void to open", OffloadVoid, "hold", OffloadOpen, true},
		{"void to release", OffloadVoid, "release", OffloadVoid, true},
	} {
		o := begin(t, l, "card-a", 3)
		must(t, l.UpdateOffload(t.Context(), o.ID, "hold", "", test.before, at(2)))
		err := l.UpdateOffload(t.Context(), o.ID, test.verdict, "because", test.status, at(3))
		if errors.Is(err, ErrRefused) != test.refused || (err != nil && !test.refused) {
			t.Errorf("%s: %v", test.name, err)
		}
		got, err := l.Offload(t.Context(), o.ID)
		must(t, err)
		want := Offload{Verdict: test.verdict, Status: test.status, Reason: "because", Ended: at(3)}
		if test.status == OffloadOpen {
			want.Ended = Moment{}
		}
		if test.refused {
			want = Offload{Verdict: "hold", Status: test.before, Ended: got.Ended}
		}
		got = Offload{Verdict: got.Verdict, Status: got.Status, Reason: got.Reason, Ended: got.Ended}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
	}
}

func TestPutCopy_refusesWhatIsNotProven(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)))
	o, err := l.BeginOffload(ctx, offload("card-a", 4))
	must(t, err)
	proven := Copy{OffloadID: o.ID, DriveID: "drive-0", Status: CopyProven}
	steps := []struct {
		name    string
		do      func() error
		refused bool
	}{
		{"nothing recorded", func() error { return nil }, true},
		{"half recorded, all of it proven", func() error {
			return errors.Join(l.RecordFiles(ctx, o.ID, files(2)), l.RecordProven(ctx, o.ID, "drive-0", paths(files(2)), at(1)))
		}, true},
		{"all recorded, half proven", func() error { return l.RecordFiles(ctx, o.ID, files(4)) }, true},
		{"the rest proven on another drive", func() error {
			return l.RecordProven(ctx, o.ID, "drive-1", paths(files(4)), at(1))
		}, true},
		{"all proven here", func() error { return l.RecordProven(ctx, o.ID, "drive-0", paths(files(4))[2:], at(1)) }, false},
		{"one taken back", func() error { return l.RecordUnproven(ctx, o.ID, "drive-0", paths(files(1))) }, true},
	}
	for _, step := range steps {
		must(t, step.do())
		err := l.PutCopy(ctx, proven)
		if errors.Is(err, ErrRefused) != step.refused || (err != nil && !step.refused) {
			t.Errorf("%s: %v, want refused: %v", step.name, err, step.refused)
		}
	}
	copies, err := l.Copies(ctx, o.ID)
	must(t, err)
	if len(copies) != 1 || copies[0].Status != CopyLost {
		t.Errorf("after a proof was taken back: %+v", copies)
	}
}

// One drive's copy that is doubted leaves the others' alone, in whatever order
// they are looked at, and is lost itself.
func TestRecordUnproven_oneOfThree(t *testing.T) {
	t.Parallel()
	for doubted := range 3 {
		ctx := t.Context()
		l := newLedger(t)
		o := begin(t, l, "card-a", 4)
		var want []Copy
		for n := range 3 {
			c := Copy{OffloadID: o.ID, DriveID: drive(n).ID, Folder: "f", Status: CopyProven, ManifestPath: "ascmhl/1.mhl", ManifestC4: "c4", Updated: at(n)}
			must(t, l.PutDrive(ctx, drive(n)), l.RecordProven(ctx, o.ID, c.DriveID, paths(files(4)), at(1)), l.PutCopy(ctx, c))
			if n == doubted {
				c.Status, c.Reason = CopyLost, "files of it are not proven any more"
			}
			want = append(want, c)
		}
		must(t, l.RecordUnproven(ctx, o.ID, drive(doubted).ID, paths(files(1))))
		got, err := l.Copies(ctx, o.ID)
		must(t, err)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("drive %d is doubted (-want +got):\n%s", doubted, diff)
		}
	}
}

// How many files there will be need not be known; those that are recorded must
// have a proof all the same.
func TestPutCopy_unknownNumberOfFiles(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	o, err := l.BeginOffload(ctx, offload("card-a", 0))
	must(t, err)
	must(t, l.RecordFiles(ctx, o.ID, files(3)), l.RecordProven(ctx, o.ID, drive(0).ID, paths(files(2)), at(1)))
	proven := Copy{OffloadID: o.ID, DriveID: drive(0).ID, Status: CopyProven}
	if err := l.PutCopy(ctx, proven); !errors.Is(err, ErrRefused) {
		t.Errorf("2 of 3 files have a proof: %v, want ErrRefused", err)
	}
	must(t, l.RecordProven(ctx, o.ID, drive(0).ID, paths(files(3)), at(2)), l.PutCopy(ctx, proven))
}

// Facts that are no text are kept as text, or their seal would call the ledger
// damaged when they are read.
func TestRecordFiles_factsThatAreNoText(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	o, err := l.BeginOffload(ctx, offload("card-a", 1))
	must(t, err)
	f := file(0)
	f.Algorithm, f.Checksum, f.Sample = "xxh\x00", "\xff\xfe", "a\x00b\xff"
	must(t, l.RecordFiles(ctx, o.ID, []File{f}))
	got, err := l.Files(ctx, o.ID)
	must(t, err)
	if len(got) != 1 || got[0].Path != f.Path || got[0].Algorithm != cleanText(f.Algorithm) ||
		got[0].Checksum != cleanText(f.Checksum) || got[0].Sample != cleanText(f.Sample) {
		t.Errorf("%+v", got)
	}
}

func TestRecordFiles_otherFactsTakeProofsBack(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		name   string
		change func(*File)
		proofs int
		status string
	}{
		{"the same again", func(*File) {}, 3, CopyProven},
		{"another zone", func(f *File) { f.ModTime = f.ModTime.In(time.FixedZone("", 3600)) }, 3, CopyProven},
		{"other size", func(f *File) { f.SizeBytes++ }, 2, CopyLost},
		{"other time", func(f *File) { f.ModTime = f.ModTime.Add(1) }, 2, CopyLost},
		{"other algorithm", func(f *File) { f.Algorithm = "md5" }, 2, CopyLost},
		{"other checksum", func(f *File) { f.Checksum = "0" }, 2, CopyLost},
		{"other sample", func(f *File) { f.Sample = "0" }, 2, CopyLost},
		{"one file more", func(f *File) { f.Path = "DCIM/more" }, 3, CopyLost},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			ctx := t.Context()
			l := newLedger(t)
			must(t, l.PutDrive(ctx, drive(0)))
			o := begin(t, l, "card-a", 3)
			must(t, l.RecordProven(ctx, o.ID, "drive-0", paths(files(3)), at(1)),
				l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: "drive-0", Status: CopyProven}))
			again := file(1)
			test.change(&again)
			must(t, l.RecordFiles(ctx, o.ID, []File{again}))
			proven, err := l.Proven(ctx, o.ID, "drive-0")
			must(t, err)
			copies, err := l.Copies(ctx, o.ID)
			must(t, err)
			if len(proven) != test.proofs || copies[0].Status != test.status {
				t.Errorf("%d proofs, copy %s; want %d, %s", len(proven), copies[0].Status, test.proofs, test.status)
			}
		})
	}
}

func TestKnownFiles(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	fill(t, l)
	stranger, err := l.BeginOffload(ctx, offload("", 1))
	must(t, err)
	must(t, l.RecordFiles(ctx, stranger.ID, files(1)))
	for _, key := range []string{"", "card-c"} {
		known, err := l.KnownFiles(ctx, key)
		must(t, err)
		_, open, err := l.OpenOffload(ctx, key)
		must(t, err)
		if len(known) != 0 || open {
			t.Errorf("key %q recognises %d files, open %v", key, len(known), open)
		}
	}
	known, err := l.KnownFiles(ctx, "card-a")
	must(t, err)
	if len(known) != 12+30 { // the open one, then the released one; the void one is left out
		t.Fatalf("%d files known", len(known))
	}
	id := func(seq int) string { return fmt.Sprintf("%s-%d", l.BoxID(), seq) }
	folder := offload("", 0).Folder
	for i, want := range map[int]KnownFile{
		0: {File: file(0), OffloadID: id(4), On: []Place{{"drive-1", "wwn-0x0", "f", CopyOpen}}},
		4: {File: file(4), OffloadID: id(4)},
		12: {File: file(0), OffloadID: id(1), On: []Place{
			{"drive-0", "wwn-0x0", folder, CopyProven}, {"drive-2", "wwn-0x1", folder, CopyProven}}},
	} {
		if diff := cmp.Diff(want, known[i]); diff != "" {
			t.Errorf("known file %d (-want +got):\n%s", i, diff)
		}
	}
	lost, err := l.KnownFiles(ctx, "card-b")
	must(t, err)
	if len(lost) != 8 || len(lost[0].On) != 0 || len(lost[2].On) != 1 || lost[2].On[0].CopyStatus != CopyLost {
		t.Errorf("card-b: %+v", lost)
	}
}

// KnownFiles and OpenOffload must not walk through every card that ever came.
func TestLookups_useTheirIndex(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	for query, want := range map[string]string{
		"SELECT * FROM offloads WHERE card_key = 'x' AND card_key <> '' ORDER BY seq DESC": "SEARCH offloads USING INDEX offloads_by_card (card_key=?)",
		"SELECT * FROM files WHERE offload_seq = 1 ORDER BY path":                          "SEARCH files USING INDEX sqlite_autoindex_files_1 (offload_seq=?)",
	} {
		var id, parent, unused int
		var plan string
		must(t, l.read.QueryRowContext(t.Context(), "EXPLAIN QUERY PLAN "+query).Scan(&id, &parent, &unused, &plan))
		if plan != want {
			t.Errorf("%s: %s, want %s", query, plan, want)
		}
	}
}

func TestUnknownThings(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.PutDrive(ctx, drive(0)))
	o := begin(t, l, "card-a", 2)
	mixed := []string{file(0).Path, "DCIM/none"}
	for name, err := range map[string]error{
		"update":         l.UpdateOffload(ctx, "none-1", "hold", "", OffloadDone, at(1)),
		"files":          l.RecordFiles(ctx, "none-1", files(1)),
		"copy, offload":  l.PutCopy(ctx, Copy{OffloadID: "none-1", DriveID: "drive-0", Status: CopyOpen}),
		"copy, drive":    l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: "none", Status: CopyOpen}),
		"proof, drive":   l.RecordProven(ctx, o.ID, "none", paths(files(1)), at(1)),
		"proof, file":    l.RecordProven(ctx, o.ID, "drive-0", mixed, at(1)),
		"unproven, file": l.RecordUnproven(ctx, o.ID, "drive-0", mixed),
	} {
		if !errors.Is(err, ErrUnknown) {
			t.Errorf("%s: %v, want ErrUnknown", name, err)
		}
	}
	proven, err := l.Proven(ctx, o.ID, "drive-0")
	must(t, err)
	if len(proven) != 0 {
		t.Errorf("a refused group left proofs: %v", proven)
	}
	must(t, l.UpdateOffload(ctx, o.ID, "hold", "", OffloadDone, at(1)))
	must(t, l.RecordFiles(ctx, o.ID, files(2))) // for a drive that came late
	altered := file(1)
	altered.Checksum = "other"
	doneMore, doneOther := l.RecordFiles(ctx, o.ID, files(3)), l.RecordFiles(ctx, o.ID, []File{altered})
	must(t, l.UpdateOffload(ctx, o.ID, "hold", "", OffloadVoid, at(1)))
	for name, err := range map[string]error{
		"more of a done offload":  doneMore,
		"other of a done offload": doneOther,
		"files of a void offload": l.RecordFiles(ctx, o.ID, files(1)),
		"proof of a void offload": l.RecordProven(ctx, o.ID, "drive-0", paths(files(1)), at(1)),
	} {
		if !errors.Is(err, ErrRefused) {
			t.Errorf("%s: %v, want ErrRefused", name, err)
		}
	}
}

func TestBadInput(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	o := begin(t, l, "card-a", 1)
	one := func(change func(*File)) []File { f := file(0); change(&f); return []File{f} }
	for name, err := range map[string]error{
		"empty path":      l.RecordFiles(ctx, o.ID, one(func(f *File) { f.Path = "" })),
		"path, bad UTF-8": l.RecordFiles(ctx, o.ID, one(func(f *File) { f.Path = "a\xff" })),
		"path with NUL":   l.RecordFiles(ctx, o.ID, one(func(f *File) { f.Path = "a\x00b" })),
		"negative size":   l.RecordFiles(ctx, o.ID, one(func(f *File) { f.SizeBytes = -1 })),
		"drive, no id":    l.PutDrive(ctx, Drive{}),
		"drive, bad id":   l.PutDrive(ctx, Drive{ID: "\xff"}),
		"drive, bad disk": l.PutDrive(ctx, Drive{ID: "d", DiskKey: "\xff"}),
		"card key":        func() error { _, err := l.BeginOffload(ctx, Offload{CardKey: "\xff"}); return err }(),
		"verdict":         l.UpdateOffload(ctx, o.ID, "perhaps", "", OffloadDone, at(1)),
		"status":          l.UpdateOffload(ctx, o.ID, "hold", "", "gone", at(1)),
	} {
		if err == nil || errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v, want an error that blames the input", name, err)
		}
	}
	// Free text never stops work: a stranger's label is stored as well as may be.
	d := drive(0)
	d.Label = "SK\xffUA\x00<b>"
	d.FirstSeen.Wall = time.Date(20000, 1, 1, 0, 0, 0, 0, time.UTC)
	must(t, l.PutDrive(ctx, d))
	drives, err := l.Drives(ctx)
	must(t, err)
	if drives[0].Label != "SK\uFFFDUA\uFFFD<b>" || !drives[0].FirstSeen.Wall.IsZero() {
		t.Errorf("stored as %+v", drives[0])
	}
}

func TestPutDrive_keepsFirstSeen(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	must(t, l.PutDrive(t.Context(), drive(1)))
	again := drive(1)
	again.Name, again.FreeBytes, again.FirstSeen, again.LastSeen = "Skua bay", 7, at(50), at(51)
	must(t, l.PutDrive(t.Context(), again))
	got, err := l.Drives(t.Context())
	must(t, err)
	again.FirstSeen = drive(1).FirstSeen
	if diff := cmp.Diff([]Drive{again}, got); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestLogCondition_isBounded(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	must(t, l.LogCondition(ctx, "drive-hung", "first", "", true, at(1)))
	_, err := l.write.ExecContext(ctx, "UPDATE sqlite_sequence SET seq = ? WHERE name = 'conditions'", keptConditions)
	must(t, err)
	must(t, l.LogCondition(ctx, "drive-hung", "second", "", true, at(2)))
	log, err := l.Conditions(ctx, 0)
	must(t, err)
	if len(log) != 1 || log[0].Subject != "second" {
		t.Errorf("kept: %+v", log)
	}
}

// Any path that is valid UTF-8 without NUL comes back byte for byte, and any two
// stay two: no folding, no normalising.
func TestRecordFiles_anyName(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	name := rapid.StringN(1, -1, 255).Filter(func(s string) bool { return checkKey("path", s) == nil })
	rapid.Check(t, func(rt *rapid.T) {
		ctx := t.Context()
		names := rapid.SliceOfNDistinct(name, 1, 8, rapid.ID).Draw(rt, "names")
		names = append(names, names[0]+"\u00e9", names[0]+"e\u0301", names[0]+"E\u0301")
		o, err := l.BeginOffload(ctx, offload("c", len(names)))
		if err != nil {
			rt.Fatal(err)
		}
		want := map[string]string{}
		var all []File
		for i, n := range names {
			all = append(all, File{Path: n, Checksum: fmt.Sprint(i)})
			want[n] = fmt.Sprint(i)
		}
		if err := l.RecordFiles(ctx, o.ID, all); err != nil {
			rt.Fatal(err)
		}
		read, err := l.Files(ctx, o.ID)
		if err != nil {
			rt.Fatal(err)
		}
		got := map[string]string{}
		for _, f := range read {
			got[f.Path] = f.Checksum
		}
		if diff := cmp.Diff(want, got); diff != "" {
			rt.Fatalf("(-want +got):\n%s", diff)
		}
	})
}

// Why an offload cannot be begun is said as it is: a box that hears of an unknown
// offload instead would look for another fault.
func TestBeginOffload_saysWhatIsWrong(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	_, err := l.write.ExecContext(t.Context(), "CREATE TRIGGER none BEFORE INSERT ON offloads BEGIN SELECT RAISE(ABORT, 'no more of these'); END")
	must(t, err)
	_, err = l.BeginOffload(t.Context(), offload("card-a", 1))
	if err == nil || !strings.Contains(err.Error(), "no more of these") || errors.Is(err, ErrUnknown) {
		t.Errorf("begin: %v", err)
	}
	if list, err := l.Offloads(t.Context(), 0); err != nil || len(list) != 0 {
		t.Errorf("%+v is there (%v)", list, err)
	}
}

// An offload that is not there any more when it has just been written was not
// begun.
func TestBeginOffload_notThereAfterwards(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	_, err := l.write.ExecContext(t.Context(), "CREATE TRIGGER gone AFTER INSERT ON offloads BEGIN DELETE FROM offloads WHERE seq = new.seq; END")
	must(t, err)
	if o, err := l.BeginOffload(t.Context(), offload("card-a", 1)); err == nil {
		t.Errorf("begun: %+v", o)
	}
}

// A ledger that cannot tell whether its proven copies still are must not say
// that all is noted.
func TestRecordFiles_proofsCannotBeCounted(t *testing.T) {
	t.Parallel()
	ctx, l := t.Context(), newLedger(t)
	o := begin(t, l, "card-a", 4)
	must(t, l.PutDrive(ctx, drive(0)), l.RecordProven(ctx, o.ID, drive(0).ID, paths(files(4)), at(1)),
		l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: drive(0).ID, Folder: "f", Status: CopyProven, Updated: at(1)}))
	_, err := l.write.ExecContext(ctx, "ALTER TABLE proven RENAME TO astray")
	must(t, err)
	if err := l.RecordFiles(ctx, o.ID, files(4)); err == nil {
		t.Error("it says that all is well")
	}
}

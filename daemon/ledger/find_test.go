package ledger

import (
	"database/sql"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// survey puts three offloads in, of the files given: SKUA_A on drives 0 and 1,
// TERN on drive 1, and a void one of SKUA_A. They begin a day apart.
func survey(t *testing.T, l *Ledger) (skua, tern Offload) {
	t.Helper()
	ctx := t.Context()
	must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)), l.PutDrive(ctx, drive(2)))
	record := func(label string, day int, names ...string) Offload {
		o := offload("key-"+label, len(names))
		o.CardLabel, o.Folder = label, "2026-11-2"+fmt.Sprint(day)+"/"+label
		o.Started.Wall = time.Date(2026, 11, 20+day, 8, 0, 0, 500, time.UTC)
		o, err := l.BeginOffload(ctx, o)
		must(t, err)
		var list []File
		for i, n := range names {
			f := file(i)
			f.Path = n
			list = append(list, f)
		}
		must(t, l.RecordFiles(ctx, o.ID, list))
		return o
	}
	on := func(o Offload, second int, numbers ...int) {
		for _, n := range numbers {
			list, err := l.Files(ctx, o.ID)
			must(t, err)
			must(t, l.RecordProven(ctx, o.ID, drive(n).ID, paths(list), at(second)),
				l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: drive(n).ID, Folder: o.Folder, Status: CopyProven, Updated: at(second)}))
		}
		must(t, l.UpdateOffload(ctx, o.ID, "hold", "", OffloadDone, at(second)))
	}
	skua = record("SKUA_A", 1, "DCIM/100A/CLIP_01.MOV", "DCIM/100A/CLIP_02.MOV", "DCIM/101A/clip_01.mov", "notes[1].txt", "*star")
	tern = record("TERN", 2, "DCIM/100A/CLIP_01.MOV", "sound/\u00c5se.wav")
	void := record("SKUA_A", 3, "DCIM/100A/CLIP_01.MOV")
	on(skua, 10, 0, 1)
	on(tern, 12, 1)
	must(t, l.UpdateOffload(ctx, void.ID, "hold", "another card", OffloadVoid, at(14)))
	return skua, tern
}

func TestFindFiles(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	skua, tern := survey(t, l)
	in := func(o Offload, names ...string) (list []string) {
		for _, n := range names {
			list = append(list, fmt.Sprint(o.Seq)+":"+n)
		}
		return list
	}
	all := []string{"DCIM/100A/CLIP_01.MOV", "DCIM/100A/CLIP_02.MOV", "DCIM/101A/clip_01.mov", "notes[1].txt", "*star"}
	ones := append(in(tern, all[0]), in(skua, all[0], all[2])...)
	of := func(name string, o OffloadQuery) FileQuery { return FileQuery{o, name} }
	day := func(d int) time.Time { return time.Date(2026, 11, 20+d, 0, 0, 0, 0, time.UTC) }
	for _, test := range []struct {
		name  string
		query FileQuery
		want  []string
	}{
		{"a name", of("CLIP_01.MOV", OffloadQuery{}), ones},
		{"in the other case", of("clip_01.MOV", OffloadQuery{}), ones},
		{"that begins so", of("clip_*", OffloadQuery{}), append(slices.Clone(ones), in(skua, all[1])...)},
		{"that ends so", of("*01.mov", OffloadQuery{}), ones},
		{"in the middle", of("*ip_?1*", OffloadQuery{}), ones},
		{"one character", of("CLIP_0?.MOV", OffloadQuery{}), append(slices.Clone(ones), in(skua, all[1])...)},
		{"one of", of("clip_0[2-9].mov", OffloadQuery{}), in(skua, all[1])},
		{"none of", of("clip_0[!1].mov", OffloadQuery{}), in(skua, all[1])},
		{"brackets are meant", of(`notes\[1].txt`, OffloadQuery{}), in(skua, all[3])},
		{"a star is meant", of(`\*star`, OffloadQuery{}), in(skua, all[4])},
		{"no part of a name", of("CLIP_01", OffloadQuery{}), nil},
		{"letters beyond ASCII as they are", of("\u00c5se*", OffloadQuery{}), in(tern, "sound/\u00c5se.wav")},
		{"and not in the other case", of("\u00e5se*", OffloadQuery{}), nil},
		{"the whole path", of("dcim/100A/CLIP*", OffloadQuery{}), append(in(tern, all[0]), in(skua, all[0], all[1])...)},
		{"part by part", of("*/CLIP_01.MOV", OffloadQuery{}), nil},
		{"a folder anywhere", of("*/101?/*", OffloadQuery{}), in(skua, all[2])},
		{"all of an offload", of("", OffloadQuery{ID: skua.ID}), in(skua, all[4], all[0], all[1], all[2], all[3])},
		{"all there is", of("", OffloadQuery{}), append(in(tern, all[0], "sound/\u00c5se.wav"), in(skua, all[4], all[0], all[1], all[2], all[3])...)},
		{"of a card", of("clip_01*", OffloadQuery{Card: "tern"}), in(tern, all[0])},
		{"of cards", of("clip_01*", OffloadQuery{Card: "*_A"}), in(skua, all[0], all[2])},
		{"on a drive", of("clip_01*", OffloadQuery{DriveID: "drive-0"}), in(skua, all[0], all[2])},
		{"on a drive without copies", of("", OffloadQuery{DriveID: "drive-2"}), nil},
		{"since a day", of("clip_01*", OffloadQuery{Since: day(2)}), in(tern, all[0])},
		{"until a day", of("clip_01*", OffloadQuery{Until: day(2)}), in(skua, all[0], all[2])},
		{"since the very second", of("*.wav", OffloadQuery{Since: day(2).Add(8 * time.Hour)}), in(tern, "sound/\u00c5se.wav")},
		{"until the very second", of("*.wav", OffloadQuery{Until: day(2).Add(8 * time.Hour)}), nil},
		{"of an offload that is not there", of("", OffloadQuery{ID: "none-1"}), nil},
	} {
		found, more, err := l.FindFiles(t.Context(), test.query)
		must(t, err)
		var got []string
		for _, f := range found {
			got = append(got, fmt.Sprint(f.Offload.Seq)+":"+f.Path)
		}
		if diff := cmp.Diff(test.want, got); diff != "" || more {
			t.Errorf("%s (more %v, -want +got):\n%s", test.name, more, diff)
		}
	}
}

// What is said of a file is what was recorded of it: its facts, its offload, and
// each drive with what is proven of this very file.
func TestFindFiles_standing(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	skua, _ := survey(t, l)
	must(t, l.RecordUnproven(t.Context(), skua.ID, "drive-0", []string{"DCIM/100A/CLIP_02.MOV"}))
	found, _, err := l.FindFiles(t.Context(), FileQuery{Name: "clip_02*"})
	must(t, err)
	want := file(1)
	want.Path = "DCIM/100A/CLIP_02.MOV"
	if len(found) != 1 || !cmp.Equal(found[0].File, want) || found[0].Offload.ID != skua.ID {
		t.Fatalf("%+v", found)
	}
	if diff := cmp.Diff([]Standing{
		{"drive-0", "Skerry drive-0", skua.Folder, CopyLost, false, Moment{}},
		{"drive-1", "Skerry drive-1", skua.Folder, CopyProven, true, at(10)},
	}, found[0].On); diff != "" {
		t.Errorf("(-want +got):\n%s", diff)
	}
}

func TestFind_bounds(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	survey(t, l)
	for limit, want := range map[int]int{1: 1, 3: 3, 7: 7, 0: 7, -5: 7, 5000: 7} {
		for _, name := range []string{"", "*"} {
			found, more, err := l.FindFiles(ctx, FileQuery{OffloadQuery{Limit: limit}, name})
			must(t, err)
			if len(found) != want || more != (want < 7) {
				t.Errorf("limit %d, name %q: %d files, more %v", limit, name, len(found), more)
			}
		}
	}
	offloads, more, err := l.FindOffloads(ctx, OffloadQuery{Limit: 1})
	must(t, err)
	if len(offloads) != 1 || offloads[0].CardLabel != "TERN" || len(offloads[0].Copies) != 1 || !more {
		t.Errorf("offloads: more %v, %+v", more, offloads)
	}
	for _, bad := range []string{"[", "a[b", `a\`, "a\x00", "\xff", strings.Repeat("*", maxGlobStars+1), strings.Repeat("a", maxGlobBytes+1), "[!]"} {
		_, _, err := l.FindFiles(ctx, FileQuery{Name: bad})
		_, _, err2 := l.FindOffloads(ctx, OffloadQuery{Card: bad})
		if !errors.Is(err, ErrGlob) || !errors.Is(err2, ErrGlob) {
			t.Errorf("%.20q: %v, %v", bad, err, err2)
		}
	}
	_, _, err = l.FindFiles(ctx, FileQuery{OffloadQuery: OffloadQuery{DriveID: "none"}})
	_, _, err2 := l.Missing(ctx, "none", 0)
	if !errors.Is(err, ErrUnknown) || !errors.Is(err2, ErrUnknown) {
		t.Errorf("a drive that nobody knows: %v, %v", err, err2)
	}
}

// The way that is taken through the ledger is no matter of what is found: a name
// found by its index is found by path.Match as well, which is not ours.
func TestFindFiles_anyName(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	letters := rapid.StringOfN(rapid.RuneFrom([]rune("abZ0_.\u00e9\ud7ff\U0010ffff")), 1, 4, -1)
	rapid.Check(t, func(rt *rapid.T) {
		names := rapid.SliceOfNDistinct(letters, 1, 20, rapid.ID).Draw(rt, "names")
		glob := rapid.StringOfN(rapid.RuneFrom([]rune("abZ0_.\u00e9\ud7ff\U0010ffff*?")), 1, 4, -1).Draw(rt, "glob")
		o, err := l.BeginOffload(ctx, offload("c", len(names)))
		if err != nil {
			rt.Fatal(err)
		}
		var list []File
		var want []string
		for _, n := range names {
			list = append(list, File{Path: "DCIM/" + n})
			if ok, err := path.Match(lowerASCII(glob), lowerASCII(n)); err != nil {
				rt.Fatal(err)
			} else if ok {
				want = append(want, "DCIM/"+n)
			}
		}
		if err := l.RecordFiles(ctx, o.ID, list); err != nil {
			rt.Fatal(err)
		}
		defer func() {
			if err := l.UpdateOffload(ctx, o.ID, "", "", OffloadVoid, at(1)); err != nil {
				rt.Fatal(err)
			}
		}()
		slices.Sort(want)
		for _, q := range []FileQuery{{Name: glob}, {Name: "dcim/" + glob}, {OffloadQuery{ID: o.ID}, glob}} {
			found, _, err := l.FindFiles(ctx, q)
			if err != nil {
				rt.Fatal(err)
			}
			var got []string
			for _, f := range found {
				got = append(got, f.Path)
			}
			slices.Sort(got)
			if diff := cmp.Diff(want, got); diff != "" {
				rt.Fatalf("%+v (-want +got):\n%s", q, diff)
			}
		}
	})
}

func TestMissing(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	skua, tern := survey(t, l)
	lacks := func(n int) (list []int64) {
		t.Helper()
		missing, _, err := l.Missing(ctx, drive(n).ID, 0)
		must(t, err)
		for _, w := range missing {
			list = append(list, w.Seq)
		}
		return list
	}
	check := func(what string, n int, want ...int64) {
		t.Helper()
		if got := lacks(n); !slices.Equal(got, want) {
			t.Errorf("%s: drive %d lacks %v, want %v", what, n, got, want)
		}
	}
	check("at first", 0, tern.Seq)
	check("at first", 1)
	check("at first", 2, tern.Seq, skua.Seq)
	if list, more, err := l.Missing(ctx, "drive-2", 1); err != nil || len(list) != 1 || !more || len(list[0].Copies) != 1 {
		t.Errorf("one of two: more %v, %v, %+v", more, err, list)
	}
	// The card came again with one file more, and drive 2 got all of it.
	again := offload(skua.CardKey, 6)
	again, err := l.BeginOffload(ctx, again)
	must(t, err)
	list, err := l.Files(ctx, skua.ID)
	must(t, err)
	more := file(7)
	must(t, l.RecordFiles(ctx, again.ID, append(slices.Clone(list), more)),
		l.RecordProven(ctx, again.ID, "drive-2", append(paths(list), more.Path), at(20)))
	check("proven, and no finished copy", 2, tern.Seq, skua.Seq)
	must(t, l.PutCopy(ctx, Copy{OffloadID: again.ID, DriveID: "drive-2", Folder: "f", Status: CopyProven, Updated: at(20)}))
	check("the card came again", 2, tern.Seq)
	check("of the new one a file is lacking", 0, again.Seq, tern.Seq)
	for n, want := range []bool{true, true, true} {
		there, err := l.Covers(ctx, skua, drive(n).ID)
		must(t, err)
		if there != want {
			t.Errorf("drive %d covers the first offload: %v", n, there)
		}
	}
	// A file of the same name and size with another checksum is another file.
	changed := list[0]
	changed.Checksum = "other"
	must(t, l.RecordFiles(ctx, again.ID, []File{changed}), l.RecordProven(ctx, again.ID, "drive-2", paths(list[:1]), at(21)),
		l.PutCopy(ctx, Copy{OffloadID: again.ID, DriveID: "drive-2", Folder: "f", Status: CopyProven, Updated: at(21)}))
	check("other bytes under the same name", 2, tern.Seq, skua.Seq)
	// Only what was lost or never finished is elsewhere: nobody can give it.
	must(t, l.PutCopy(ctx, Copy{OffloadID: tern.ID, DriveID: "drive-1", Folder: "f", Status: CopyLost}))
	check("nobody has it", 2, skua.Seq)
	must(t, l.PutCopy(ctx, Copy{OffloadID: skua.ID, DriveID: "drive-2", Folder: "f", Status: CopyUnproven}))
	check("not read back as its rule says", 2)
}

// A drive is said to have what it has by rows that are whole, never by others.
func TestCovers_damage(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l := newLedger(t)
	skua, _ := survey(t, l)
	_, err := l.write.ExecContext(ctx, "UPDATE proven SET seal = seal + 1 WHERE drive_no = 1")
	must(t, err)
	if there, err := l.Covers(ctx, skua, "drive-0"); !errors.Is(err, ErrDamaged) || there {
		t.Errorf("%v, %v", there, err)
	}
	if _, _, err := l.FindFiles(ctx, FileQuery{Name: "clip_02*"}); !errors.Is(err, ErrDamaged) {
		t.Errorf("%v", err)
	}
}

func TestWhereabouts(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	list, err := l.Whereabouts(t.Context())
	must(t, err)
	if len(list) != 3 {
		t.Fatalf("%d offloads", len(list))
	}
	for i, seq := range []int64{1, 3, 4} {
		copies, err := l.Copies(t.Context(), list[i].ID)
		must(t, err)
		if diff := cmp.Diff(copies, list[i].Copies); diff != "" || list[i].Seq != seq || len(copies) == 0 {
			t.Errorf("offload %d, seq %d (-want +got):\n%s", i, list[i].Seq, diff)
		}
	}
}

// What is asked a ledger of a million files must go along an index.
func TestFind_usesItsIndex(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	for query, want := range map[string]string{
		"SELECT f.file_no FROM files f INDEXED BY files_by_name WHERE f.offload_seq NOT IN (SELECT seq FROM offloads WHERE status = 'void') AND f.name = 'x' ORDER BY f.name, f.offload_seq DESC LIMIT 9": "SEARCH f USING INDEX files_by_name (name=?)",
		"SELECT f.file_no FROM files f INDEXED BY files_by_name WHERE lower(f.name) GLOB 'x*' AND f.name >= 'x' AND f.name < 'y' ORDER BY f.name, f.offload_seq DESC LIMIT 9":                             "SEARCH f USING INDEX files_by_name (name>? AND name<?)",
		"SELECT f.path FROM files f WHERE f.offload_seq = 1 AND lower(f.name) GLOB '*x' ORDER BY f.path LIMIT 9":                                                                                          "SEARCH f USING INDEX sqlite_autoindex_files_1 (offload_seq=?)",
		strings.NewReplacer("?1", "'x'", "?2", "1").Replace(provenOfCard):                                                                                                                                 "SEARCH v USING INDEX offloads_by_card (card_key=?)",
		"SELECT lower(f.name) FROM files f INDEXED BY files_by_name WHERE TRUE ORDER BY f.name LIMIT 1 OFFSET 9":                                                                                          "SCAN f USING INDEX files_by_name",
		"SELECT file_no, path FROM files WHERE file_no BETWEEN 1 AND 9 ORDER BY file_no":                                                                                                                  "SEARCH files USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)",
		"SELECT first_file, marks FROM name_sheets ORDER BY first_file":                                                                                                                                   "SCAN name_sheets",
		"SELECT last_file FROM name_sheets ORDER BY first_file DESC LIMIT 1":                                                                                                                              "SCAN name_sheets",
		"SELECT seq FROM offloads WHERE status = 'void'":                                                                                                                                                  "SCAN offloads USING COVERING INDEX offloads_void",
	} {
		plan, err := queryAll(t.Context(), l.read, func(rows *sql.Rows) (s string, err error) {
			var a, b, c int
			err = rows.Scan(&a, &b, &c, &s)
			return s, err
		}, "EXPLAIN QUERY PLAN "+query)
		must(t, err)
		if len(plan) == 0 || plan[0] != want || slices.ContainsFunc(plan, func(s string) bool { return strings.Contains(s, "TEMP B-TREE") }) {
			t.Errorf("%s:\n%v, want first %s", query, plan, want)
		}
	}
}

package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// smallSizes make sheets and ends of what is kept come soon.
var smallSizes = sizes{sheet: 8, sheetBytes: 500, few: 3, stretch: 0, kept: 4}

// smallLedger is a ledger of small sheets on which an offload is open.
func smallLedger(t *testing.T) (*Ledger, Offload) {
	t.Helper()
	l := newLedger(t)
	l.size = smallSizes
	o, err := l.BeginOffload(t.Context(), offload("c", 100))
	must(t, err)
	return l, o
}

// called are files of these names.
func called(names ...string) (list []File) {
	for _, n := range names {
		list = append(list, File{Path: "DCIM/" + n})
	}
	return list
}

// numbered are files NAME00, NAME01 and so on.
func numbered(name string, from, to int) (list []File) {
	for i := from; i < to; i++ {
		list = append(list, called(fmt.Sprintf("%s%02d", name, i))...)
	}
	return list
}

func find(t *testing.T, l *Ledger, name string) (paths []string) {
	t.Helper()
	list, _, err := l.FindFiles(t.Context(), FileQuery{Name: name})
	must(t, err)
	for _, f := range list {
		paths = append(paths, f.Path)
	}
	return paths
}

func sheetsOf(t *testing.T, l *Ledger) (list []string) {
	t.Helper()
	list, err := queryAll(t.Context(), l.read, func(rows *sql.Rows) (string, error) {
		var s sheet
		err := rows.Scan(&s.first, &s.last, &s.sum, &s.seal, &s.marks, &s.names)
		if s.sum != sumOf(s.names) || s.seal != s.computeSeal() || !bytes.Equal(s.marks, marksOf(s.names)) {
			t.Errorf("sheet of %d to %d does not fit itself", s.first, s.last)
		}
		return fmt.Sprintf("%d-%d %s", s.first, s.last, s.names), err
	}, "SELECT first_file, last_file, names_sum, seal, marks, names FROM name_sheets ORDER BY first_file")
	must(t, err)
	return list
}

func wantSheets(t *testing.T, l *Ledger, want ...string) {
	t.Helper()
	if diff := cmp.Diff(want, sheetsOf(t, l)); diff != "" {
		t.Errorf("sheets (-want +got):\n%s", diff)
	}
}

func alter(t *testing.T, l *Ledger, statement string, args ...any) {
	t.Helper()
	result, err := l.write.ExecContext(t.Context(), statement, args...)
	must(t, err)
	if n, err := result.RowsAffected(); err != nil || n == 0 {
		t.Fatalf("%s: %d rows, %v", statement, n, err)
	}
}

// A sheet is there as soon as its last file is, whoever records that, and not when
// what was recorded was taken back.
func TestSheets_areWritten(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	l, o := smallLedger(t)
	must(t, l.RecordFiles(ctx, o.ID, numbered("A", 0, 7)))
	wantSheets(t, l)
	// Other facts of a known file give no new number.
	again := numbered("A", 3, 4)
	again[0].Checksum = "other"
	must(t, l.RecordFiles(ctx, o.ID, again))
	wantSheets(t, l)
	must(t, l.RecordFiles(ctx, o.ID, called("\u00c5\nB.mov")))
	first := "1-8 /a00/a01/a02/a03/a04/a05/a06/\u00c5\nb.mov/"
	wantSheets(t, l, first)
	must(t, l.UpdateOffload(ctx, o.ID, "hold", "", OffloadDone, at(1)))
	if err := l.RecordFiles(ctx, o.ID, numbered("B", 0, 20)); !errors.Is(err, ErrRefused) {
		t.Fatal(err)
	}
	wantSheets(t, l, first)
	_, _, err := l.Import(ctx, Found{Offload: Offload{ID: "theirs-1"}, Files: numbered("T", 0, 17)})
	must(t, err)
	wantSheets(t, l, first, "9-16 /t00/t01/t02/t03/t04/t05/t06/t07/", "17-24 /t08/t09/t10/t11/t12/t13/t14/t15/")
	if got := find(t, l, "*t1?"); len(got) != 7 {
		t.Errorf("%v", got)
	}
}

// What cannot be kept on a sheet is found all the same.
func TestSheets_namesThatAreNotKept(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	for what, name := range map[string]string{ // two of them nobody can record
		"no text": "Puffin\xb5\xff.mov", "a NUL": "puffin\x00.mov", "too long": strings.Repeat("x", 500) + "puffin",
	} {
		l, o := smallLedger(t)
		rows := make([]fileRow, 8)
		for i, f := range append(numbered("A", 0, 7), called(name)...) {
			rows[i] = fileRow{file: f}
		}
		must(t, l.change(ctx, func(tx *sql.Tx) error {
			_, _, err := putFiles(ctx, tx, o.Seq, rows)
			return errors.Join(err, addSheets(ctx, tx, l.size))
		}))
		wantSheets(t, l, "1-8 ")
		want := []string{"DCIM/" + name}
		if what == "a NUL" { // its column name is empty
			want = nil
		}
		if got := find(t, l, "*uffin*"); !slices.Equal(got, want) {
			t.Errorf("%s: %q", what, got)
		}
		if got := find(t, l, "*\u00b5*"); (len(got) > 0) != (what == "no text") { // as SQLite reads it
			t.Errorf("%s: %q", what, got)
		}
	}
}

// A sheet that is missing, or in which a bit is flipped, costs time and no answer.
func TestSheets_damage(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	for _, damage := range []string{
		"DELETE FROM name_sheets WHERE first_file = 9",
		"DELETE FROM name_sheets",
		"UPDATE name_sheets SET names = CAST(replace(CAST(names AS TEXT), 'puffin', 'muffin') AS BLOB) WHERE first_file = 9",
		"UPDATE name_sheets SET names = x'' WHERE first_file = 9",
		"UPDATE name_sheets SET marks = zeroblob(1024) WHERE first_file = 9",
		"UPDATE name_sheets SET marks = x'' WHERE first_file = 9",
		"UPDATE name_sheets SET marks = zeroblob(1), seal = 0 WHERE first_file = 9",
		"UPDATE name_sheets SET names_sum = names_sum + 1 WHERE first_file = 9",
		"UPDATE name_sheets SET seal = seal + 1 WHERE first_file = 9",
		"UPDATE name_sheets SET last_file = 24 WHERE first_file = 1",
		"UPDATE name_sheets SET last_file = 9223372036854775807 WHERE first_file = 17",
		"UPDATE name_sheets SET last_file = 1000 WHERE first_file = 17",
		"UPDATE name_sheets SET first_file = -5, last_file = -1 WHERE first_file = 17",
		"UPDATE name_sheets SET first_file = 3 WHERE first_file = 9",
		"UPDATE name_sheets SET first_file = 9223372036854775807, last_file = 9223372036854775807 WHERE first_file = 9",
	} {
		l, o := smallLedger(t)
		names := numbered("A", 0, 30)
		names[10].Path, names[20].Path, names[28].Path = "x/Puffin1", "x/Puffin2", "x/Puffin3"
		must(t, l.RecordFiles(ctx, o.ID, names))
		alter(t, l, damage)
		want := []string{"x/Puffin1", "x/Puffin2", "x/Puffin3"}
		if got := find(t, l, "*puffin*"); !slices.Equal(got, want) {
			t.Errorf("%s: found %q", damage, got)
		}
		if got := find(t, l, "*A1?"); len(got) != 9 {
			t.Errorf("%s: found %q", damage, got)
		}
		// And what is recorded next is recorded, and found.
		must(t, l.RecordFiles(ctx, o.ID, append(numbered("B", 0, 20), called("Puffin4")...)))
		if got := find(t, l, "*puffin*"); !slices.Equal(got, append(want, "DCIM/Puffin4")) {
			t.Errorf("%s: later found %q", damage, got)
		}
		var made int
		must(t, l.read.QueryRowContext(ctx, "SELECT count(*) FROM name_sheets WHERE last_file IN (40, 48)").Scan(&made))
		if made != 2 {
			t.Errorf("%s: sheets are made no more", damage)
		}
	}
}

// A sheet that claims to be sound and tells of files what they are not gives no
// wrong file.
func TestSheets_lie(t *testing.T) {
	t.Parallel()
	l, o := smallLedger(t)
	must(t, l.RecordFiles(t.Context(), o.ID, numbered("A", 0, 30)))
	lie := func(first, last int64, names string, marks []byte) {
		t.Helper()
		s := sheet{first: first, last: last, sum: sumOf([]byte(names)), marks: marks, names: []byte(names)}
		alter(t, l, "INSERT OR REPLACE INTO name_sheets (first_file, last_file, names_sum, seal, marks, names) VALUES (?,?,?,?,?,?)",
			s.first, s.last, s.sum, s.computeSeal(), s.marks, s.names)
	}
	names := "/puffin/a17/puffin/puffin/puffin/puffin/puffin/puffin/puffin/puffin/"
	lie(9, 16, names, marksOf([]byte(names)))
	for _, q := range []FileQuery{{Name: "*puffin*"}, {OffloadQuery{Card: "skua*"}, "*puffin*"}} {
		if list, _, err := l.FindFiles(t.Context(), q); err != nil || len(list) > 0 {
			t.Errorf("%v, %+v", err, list)
		}
	}
	names = "/a02/a03/a04/a05/a06/a07/a08/a09/"
	lie(3, 10, names, marksOf([]byte(names))) // others tell of these too
	lie(17, 24, "/a16/a17/a18/a19/a20/a21/a22/a23/", []byte{1})
	for _, name := range []string{"A17", "A02", "A07"} {
		if got := find(t, l, "*"+strings.ToLower(name)); !slices.Equal(got, []string{"DCIM/" + name}) {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// Nothing of ours removes a file or renames it. Should anybody, no sheet tells of it.
func TestSheets_goWithTheirFiles(t *testing.T) {
	t.Parallel()
	l, o := smallLedger(t)
	must(t, l.RecordFiles(t.Context(), o.ID, numbered("A", 0, 33)))
	f := File{Path: "DCIM/Puffin"}
	r := fileRow{seq: o.Seq, file: f}
	alter(t, l, "UPDATE files SET path = ?, seal = ? WHERE file_no = 3", f.Path, r.computeSeal())
	alter(t, l, "DELETE FROM files WHERE file_no = 12")
	alter(t, l, "DELETE FROM files WHERE file_no = 32 OR file_no = 33")
	wantSheets(t, l, "17-24 /a16/a17/a18/a19/a20/a21/a22/a23/")
	must(t, l.RecordFiles(t.Context(), o.ID, numbered("Tern", 0, 2))) // gets numbers that others had
	for name, want := range map[string]int{"*uff*": 1, "*a02*": 0, "*a11": 0, "*a31": 0, "*a32": 0, "*a1?": 9, "*ern*": 2, "*a*": 29} {
		if got := find(t, l, name); len(got) != want {
			t.Errorf("%s: %q", name, got)
		}
	}
	// A number that no file has leaves its sheet empty.
	alter(t, l, "DELETE FROM name_sheets")
	must(t, l.fillSheets(t.Context()))
	if got := sheetsOf(t, l); len(got) != 4 || got[1] != "9-16 " || got[0] != "1-8 /a00/a01/puffin/a03/a04/a05/a06/a07/" {
		t.Errorf("%q", got)
	}
	if got := find(t, l, "*a1?"); len(got) != 9 {
		t.Errorf("%q", got)
	}
}

// What another box left on a drive may have any numbers: as many sheets are made as
// there are files, at most.
func TestSheets_farNumbers(t *testing.T) {
	t.Parallel()
	l, o := smallLedger(t)
	must(t, l.RecordFiles(t.Context(), o.ID, numbered("A", 0, 33)))
	alter(t, l, "DELETE FROM name_sheets")
	alter(t, l, "UPDATE files SET file_no = 4611686018427387904 + file_no WHERE file_no > 10")
	alter(t, l, "UPDATE files SET file_no = 9223372036854775807 WHERE path LIKE '%A32'")
	must(t, l.fillSheets(t.Context()))
	if got := sheetsOf(t, l); len(got) != 5 || got[4] != "4611686018427387931-4611686018427387938 " {
		t.Errorf("%q", got)
	}
	for name, want := range map[string]int{"*a0?": 10, "*a3?": 3, "*a2?": 10, "*a*": 33} {
		if got := find(t, l, name); len(got) != want {
			t.Errorf("%s: %q", name, got)
		}
	}
}

// Opening a ledger of before there were sheets makes them, all of them or none.
func TestOpen_makesSheets(t *testing.T) {
	t.Parallel()
	ctx := t.Context()
	path := filepath.Join(t.TempDir(), "ledger.db")
	l, err := Open(ctx, path)
	must(t, err)
	n := int(2*usualSizes.sheet) + 5
	begin(t, l, "c", n)
	want := sheetsOf(t, l)
	if len(want) != 2 {
		t.Fatalf("%d sheets of %d files", len(want), n)
	}
	alter(t, l, "DELETE FROM name_sheets")
	ended, end := context.WithCancel(ctx)
	end()
	if err := l.fillSheets(ended); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	// Cut off after the first sheet: none stands.
	_, err = l.write.ExecContext(ctx, fmt.Sprintf("CREATE TRIGGER cut BEFORE INSERT ON name_sheets WHEN new.first_file > %d BEGIN SELECT raise(ABORT, 'cut'); END", usualSizes.sheet))
	must(t, err)
	if err := l.fillSheets(ctx); err == nil || !strings.Contains(err.Error(), "write the sheets of names: ") {
		t.Error(err)
	}
	wantSheets(t, l)
	_, err = l.write.ExecContext(ctx, "DROP TRIGGER cut")
	must(t, err)
	must(t, l.Close())
	l = openLedger(t, path)
	wantSheets(t, l, want...)
	// Those that have come since are made as well, and nothing else.
	alter(t, l, "DELETE FROM name_sheets WHERE first_file > 1")
	alter(t, l, "UPDATE name_sheets SET seal = seal + 1 - 1")
	must(t, l.fillSheets(ctx))
	wantSheets(t, l, want...)
}

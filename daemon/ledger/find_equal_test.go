package ledger

import (
	"bytes"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// odd are parts that names and globs are made of here.
var odd = []string{
	"a", "A", "b", "Z", "z", "0", "1", "42", ".", ".MOV", ".mov", "skua", "SKUA", "_", "-", " ", "\n", "'", "\"", "%", "[", "]", "^",
	"*", "?", "\\", "!", "\u00c5", "\u00e5", "\u00b5", "\u212a", "k", "\ufb00", "\ufffd", "\ufffe", "\uffff", "\U0010ffff", "\u65e5\u672c", "\x01", "\x7f",
}

// noText are bytes that SQLite reads as a character or another.
var noText = []string{"\xb5", "\xff", "\xc1\x81", "\xed\xa0\x80", "\xe2\x84", "\xc3\xa5\xa5"}

func oddName(r *rand.Rand, parts []string) string {
	var b strings.Builder
	for range 1 + r.IntN(6) {
		b.WriteString(parts[r.IntN(len(parts))])
	}
	return b.String()
}

// oddGlob makes a glob that is likely to mean a name, or takes one together anew.
func oddGlob(r *rand.Rand, name string) string {
	if r.IntN(4) == 0 || strings.ToValidUTF8(name, "") != name {
		name = oddName(r, odd)
	}
	var b strings.Builder
	for _, c := range name {
		switch n := r.IntN(16); {
		case n == 0:
			b.WriteString("*")
		case n == 1:
			b.WriteString("?")
		case n == 2 && !strings.ContainsRune(`\]^!-[`, c):
			b.WriteString("[" + string(c) + "x]")
		case n == 3:
			b.WriteString("[!q]")
		case n == 4:
			b.WriteString("[a-z0-9]")
		case strings.ContainsRune(`*?[\`, c):
			b.WriteString(`\` + string(c))
		case n == 5:
			b.WriteString(strings.ToUpper(string(c)))
		default:
			b.WriteRune(c)
		}
	}
	glob := b.String()
	switch r.IntN(8) {
	case 0:
		return glob
	case 1:
		return glob + "*"
	case 2, 3:
		return "*" + glob
	case 4:
		return "*/*" + glob + "*"
	case 5:
		return "dcim/*" + glob
	}
	return "*" + glob + "*"
}

// oddLedger records names in several offloads, some void, by turns, and lets another
// box tell of one.
func oddLedger(t *testing.T, r *rand.Rand) (l *Ledger, names []string) {
	t.Helper()
	ctx := t.Context()
	l = newLedger(t)
	l.size = sizes{sheet: 16, sheetBytes: 300, few: 200, stretch: 0, kept: 8}
	must(t, l.PutDrive(ctx, drive(0)), l.PutDrive(ctx, drive(1)))
	offloads, count := make([]Offload, 9), 300
	for i := range offloads {
		o := offload(fmt.Sprint("card-", i), count)
		o.CardLabel, o.Started.Wall = fmt.Sprint("SKUA_", i%3), time.Date(2026, 11, 1+i, 8, 0, 0, 0, time.UTC)
		o, err := l.BeginOffload(ctx, o)
		must(t, err)
		offloads[i] = o
	}
	record := func(o Offload, parts []string, n int) {
		rows := make([]fileRow, n)
		for i := range rows {
			name := oddName(r, parts)
			names = append(names, name)
			rows[i] = fileRow{file: File{Path: []string{"DCIM/", "", "DCIM/101A/", "dcim/b/"}[r.IntN(4)] + name, SizeBytes: int64(r.IntN(3))}}
		}
		must(t, l.change(ctx, func(tx *sql.Tx) error {
			_, _, err := putFiles(ctx, tx, o.Seq, rows)
			return errors.Join(err, addSheets(ctx, tx, l.size))
		}))
	}
	for range 10 {
		for _, o := range offloads {
			record(o, odd, count/10)
		}
	}
	record(offloads[1], append(noText, odd[:14]...), 40)
	record(offloads[1], odd[:14], 300) // short ones, of which many are the same
	for i, o := range offloads {
		status := OffloadDone
		if i%4 == 3 {
			status = OffloadVoid
		}
		must(t, l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: drive(i % 2).ID, Folder: "f", Status: CopyUnproven}),
			l.UpdateOffload(ctx, o.ID, "hold", "", status, at(1)))
	}
	_, _, err := l.Import(ctx, Found{Offload: Offload{ID: "theirs-1", CardLabel: "SKUA_0"}, Files: numbered("skua42", 0, 99)})
	must(t, err)
	return l, names
}

// plainScan asks every row of files, in the order that FindFiles promises.
func plainScan(t *testing.T, l *Ledger, q FileQuery) (found []string, more bool) {
	t.Helper()
	s := search{ctx: t.Context(), query: q, size: l.size}
	name := q.Name[strings.LastIndexByte(q.Name, '/')+1:]
	var err error
	s.name, err = parseGlob(name)
	must(t, err)
	if name != q.Name {
		whole, err := parseGlob(q.Name)
		must(t, err)
		s.whole = &whole
	}
	parts, more2 := s.conditions()
	var where string
	var args []any
	var files int64
	must(t, l.view(t.Context(), func(tx *sql.Tx) (err error) {
		if where, args, err = q.where(t.Context(), tx); err != nil {
			return err
		}
		return tx.QueryRowContext(t.Context(), "SELECT coalesce(sum(files), 0) FROM offloads o WHERE "+where, args...).Scan(&files)
	}))
	order := "f.offload_seq DESC, f.path, f.file_no"
	if q.all() || s.name.prefix != "" && files > l.size.few {
		order = "f.name COLLATE NOCASE, f.offload_seq DESC, f.file_no"
	}
	found, err = queryAll(t.Context(), l.read, func(rows *sql.Rows) (f string, err error) {
		var seq int64
		err = rows.Scan(&seq, &f)
		return fmt.Sprintf("%d %q", seq, f), err
	}, "SELECT f.offload_seq, f.path FROM files f NOT INDEXED, offloads o WHERE o.seq = f.offload_seq AND "+where+" AND "+strings.Join(parts, " AND ")+" ORDER BY "+order,
		append(args, more2...)...)
	must(t, err)
	if len(found) > q.limit() {
		return found[:q.limit()], true
	}
	return found, false
}

// Whichever way a question takes, through sheets or past damaged ones, the answer is
// that of a plain scan.
func TestFindFiles_asAPlainScan(t *testing.T) {
	t.Parallel()
	r := rand.New(rand.NewPCG(1, 0))
	l, names := oddLedger(t, r)
	if n := len(sheetsOf(t, l)); n < 150 {
		t.Fatalf("%d sheets", n)
	}
	compareToScan(t, l, r, names)
	// As a drive keeps it, and with sheets that are not whole.
	var copied bytes.Buffer
	must(t, l.Snapshot(t.Context(), &copied))
	again, err := OpenSnapshot(t.Context(), &copied, t.TempDir())
	must(t, err)
	defer func() { must(t, again.Close()) }()
	again.size = l.size
	alter(t, again, "DELETE FROM name_sheets WHERE first_file / 16 % 5 = 2")
	alter(t, again, "UPDATE name_sheets SET names = substr(names, 3) WHERE names <> x'' AND first_file / 16 % 7 = 3")
	alter(t, again, "UPDATE name_sheets SET marks = CAST(substr(marks, 3) || x'0000' AS BLOB) WHERE names <> x'' AND first_file / 16 % 7 = 4")
	alter(t, again, "UPDATE name_sheets SET last_file = last_file + 40 WHERE first_file / 16 % 7 = 5")
	compareToScan(t, again, r, names)
}

func compareToScan(t *testing.T, l *Ledger, r *rand.Rand, names []string) {
	t.Helper()
	day := func() time.Time { return time.Date(2026, 11, 1+r.IntN(9), 0, 0, 0, 0, time.UTC) }
	found, lookedAt, cut := 0, 0, 0
	questions := 400
	if raceDetector {
		questions = 60
	}
	for range questions {
		l.size.few, l.size.stretch, l.size.kept = int64(r.IntN(400)), r.IntN(2), 1+r.IntN(60)
		q := FileQuery{OffloadQuery{Limit: 1 + r.IntN(30)}, oddGlob(r, names[r.IntN(len(names))])}
		if name := q.Name[strings.LastIndexByte(q.Name, '/')+1:]; name != "" && name[0] >= 0x80 {
			continue // SQLite takes what is no text for characters, but not in an index
		}
		if r.IntN(30) == 0 {
			q.Limit = 0
		}
		switch r.IntN(10) {
		case 0:
			q.Card = "*_1"
		case 1:
			q.DriveID = drive(r.IntN(2)).ID
		case 2:
			q.Since = day()
		case 3:
			q.Until = day()
		}
		want, wantMore := plainScan(t, l, q)
		list, more, err := l.FindFiles(t.Context(), q)
		must(t, err)
		var got []string
		for _, f := range list {
			got = append(got, fmt.Sprintf("%d %q", f.Offload.Seq, f.Path))
		}
		if diff := cmp.Diff(want, got); diff != "" || more != wantMore {
			t.Fatalf("%q of %+v with %+v (more %v, want %v, -want +got):\n%s", q.Name, q.OffloadQuery, l.size, more, wantMore, diff)
		}
		found += len(got)
		if len(got) > 0 {
			lookedAt++
		}
		if more {
			cut++
		}
	}
	if lookedAt < questions/4 || cut < questions/20 {
		t.Fatalf("of %d questions %d found something, %d more than was asked for: that tries too little", questions, lookedAt, cut)
	}
	t.Logf("%d files found by %d questions, %d of them cut off", found, lookedAt, cut)
}

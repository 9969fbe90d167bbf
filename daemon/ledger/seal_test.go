package ledger

import (
	"database/sql"
	"errors"
	"reflect"
	"testing"
)

// A seal is worth as much as what it covers: no exported field of any noun may
// be left out of it.
func TestSeals_coverEveryField(t *testing.T) {
	t.Parallel()
	l := newLedger(t)
	fill(t, l)
	for _, table := range []string{"box", "drives", "offloads", "files", "copies", "conditions", "verdicts"} {
		columns, err := queryAll(t.Context(), l.read, func(rows *sql.Rows) (c [2]string, err error) {
			err = rows.Scan(&c[0], &c[1])
			return c, err
		}, "SELECT name, type FROM pragma_table_info(?)", table)
		must(t, err)
		for _, c := range columns {
			name, kind := c[0], c[1]
			switch name {
			case "proven_up_to": // the order of work, on which nothing rests
				continue
			case "only", "drive_no", "file_no", "copy_no", "offload_seq": // keys, vouched for by what they lead to
				continue
			}
			if name == "seq" && (table == "conditions" || table == "verdicts") {
				continue
			}
			t.Run(table+"."+name, func(t *testing.T) {
				t.Parallel()
				checkSealCovers(t, table, name, kind)
			})
		}
	}
}

func checkSealCovers(t *testing.T, table, column, kind string) {
	l := newLedger(t)
	fill(t, l)
	before, err := readAll(t.Context(), l)
	must(t, err)
	value := column + " || 'x'"
	if kind == "INTEGER" {
		value = column + " + 1"
	}
	switch column { // unique, and what the checks of the schema allow
	case "seq":
		value = "seq + 100"
	case "status":
		value = map[string]string{"offloads": "CASE status WHEN 'open' THEN 'done' ELSE 'open' END",
			"verdicts": "CASE status WHEN 'open' THEN 'done' ELSE 'open' END",
			"copies":   "CASE status WHEN 'proven' THEN 'open' ELSE 'proven' END"}[table]
	case "verdict":
		value = "CASE verdict WHEN 'release' THEN 'hold' ELSE 'release' END"
	case "raised", "started_trusted", "ended_trusted", "at_trusted", "updated_trusted", "first_seen_trusted", "last_seen_trusted":
		value = "1 - " + column
	}
	_, err = l.write.ExecContext(t.Context(), "PRAGMA foreign_keys = 0")
	must(t, err)
	_, err = l.write.ExecContext(t.Context(), "UPDATE "+table+" SET "+column+" = "+value+
		" WHERE rowid = (SELECT min(rowid) FROM "+table+")")
	must(t, err)
	if table == "box" {
		again, err := Open(t.Context(), l.path)
		if !errors.Is(err, ErrDamaged) {
			t.Errorf("open: %v, want ErrDamaged", err)
		}
		if err == nil {
			must(t, again.Close())
		}
		return
	}
	after, err := readAll(t.Context(), l)
	if !errors.Is(err, ErrDamaged) {
		t.Errorf("read: %v, want ErrDamaged; changed: %v", err, !reflect.DeepEqual(before, after))
	}
}

// A proof that slipped to another file, drive or moment is no proof.
func TestSeals_proofs(t *testing.T) {
	t.Parallel()
	for _, slip := range []string{"file_no = 33", "drive_no = 2", "proof_no = proof_no + 1", "seal = seal + 1"} {
		l := newLedger(t)
		fill(t, l)
		_, err := l.write.ExecContext(t.Context(), "UPDATE proven SET "+slip+" WHERE file_no = 1 AND drive_no = 1")
		must(t, err)
		if _, err := readAll(t.Context(), l); !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: %v, want ErrDamaged", slip, err)
		}
	}
}

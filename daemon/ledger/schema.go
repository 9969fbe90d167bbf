package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// compareSchema finds damage in the text of the schema, which no check of
// SQLite's own would see: it must be what the steps make of an empty database.
// Indexes, views and tables that somebody added for their own queries are
// theirs; a foreign trigger would change our rows and is not accepted.
func compareSchema(ctx context.Context, db queryer, steps []string) error {
	want, err := schemaOf(ctx, steps)
	if err != nil {
		return err
	}
	got, err := readSchema(ctx, db)
	if err != nil {
		return err
	}
	for name, text := range want {
		if got[name] != text {
			return fmt.Errorf("%w: its schema differs at %s", ErrDamaged, name)
		}
	}
	for name := range got {
		if _, ours := want[name]; !ours && name.kind == "trigger" {
			return fmt.Errorf("%w: %s is not ours", ErrDamaged, name)
		}
	}
	return nil
}

type schemaEntry struct{ kind, name, table string }

func (e schemaEntry) String() string { return fmt.Sprintf("%s %q", e.kind, e.name) }

func schemaOf(ctx context.Context, steps []string) (schema map[schemaEntry]string, err error) {
	db, err := sql.Open("sqlite", "file::memory:")
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	db.SetMaxOpenConns(1) // every connection to :memory: is a database of its own
	for _, step := range steps {
		if _, err := db.ExecContext(ctx, step); err != nil {
			return nil, err
		}
	}
	return readSchema(ctx, db)
}

func readSchema(ctx context.Context, db queryer) (map[schemaEntry]string, error) {
	type line struct {
		entry schemaEntry
		text  string
	}
	lines, err := queryAll(ctx, db, func(rows *sql.Rows) (l line, err error) {
		err = rows.Scan(&l.entry.kind, &l.entry.name, &l.entry.table, &l.text)
		return l, err
	}, "SELECT type, name, tbl_name, coalesce(sql, '') FROM sqlite_schema WHERE name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\'")
	if err != nil {
		return nil, err
	}
	schema := make(map[schemaEntry]string, len(lines))
	for _, l := range lines {
		schema[l.entry] = l.text
	}
	return schema, nil
}

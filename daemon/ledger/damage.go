package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"

	"modernc.org/sqlite"
)

// classify marks the errors of SQLite that mean the file is not what was
// written: https://www.sqlite.org/rescode.html, primary codes in the low byte.
func classify(err error) error {
	const (
		ioError    = 10
		corrupt    = 11
		notADB     = 26
		format     = 24
		readFailed = ioError | 1<<8
		shortRead  = ioError | 2<<8
		corruptFS  = ioError | 33<<8
	)
	var from *sqlite.Error
	if err == nil || !errors.As(err, &from) || errors.Is(err, ErrDamaged) {
		return err
	}
	code := from.Code()
	damaged := code == readFailed || code == shortRead || code == corruptFS
	switch code & 0xff {
	case corrupt, notADB, format:
		damaged = true
	}
	if !damaged {
		return err
	}
	return fmt.Errorf("%w: %w", ErrDamaged, err)
}

// classifyOpening is classify for the statements that open a ledger. They are
// known to be right, so "no such table" and its like mean a changed schema.
func classifyOpening(err error) error {
	const generic = 1
	var from *sqlite.Error
	if errors.As(err, &from) && from.Code() == generic {
		return fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	return classify(err)
}

// headerBytes is the size of the header of a SQLite database file.
const headerBytes = 100

// checkHeader compares what never changes in the header of a ledger. Source of
// offsets and values: https://www.sqlite.org/fileformat2.html#the_database_header
func checkHeader(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	if !info.Mode().IsRegular() {
		return fmt.Errorf("%w: %s is not a file", ErrDamaged, path)
	}
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	header := make([]byte, headerBytes)
	if _, err := io.ReadFull(file, header); err != nil {
		return fmt.Errorf("%w: read header of %s: %w", ErrDamaged, path, err)
	}
	switch {
	case !bytes.HasPrefix(header, []byte("SQLite format 3\x00")):
		return fmt.Errorf("%w: %s is not a database", ErrDamaged, path)
	case binary.BigEndian.Uint32(header[68:]) != applicationID:
		return fmt.Errorf("%w: %s is a database of another program", ErrDamaged, path)
	}
	fixed := []struct {
		offset int
		want   []byte
	}{
		{20, []byte{0, 64, 32, 32}}, // reserved bytes, payload fractions
		{44, []byte{0, 0, 0, 4}},    // schema format
		{52, []byte{0, 0, 0, 0}},    // no auto-vacuum
		{56, []byte{0, 0, 0, 1}},    // UTF-8
		{64, make([]byte, 4)},       // no incremental vacuum
		{72, make([]byte, 20)},      // kept for expansion
	}
	for _, f := range fixed {
		if !bytes.Equal(header[f.offset:f.offset+len(f.want)], f.want) {
			return fmt.Errorf("%w: header of %s differs at byte %d", ErrDamaged, path, f.offset)
		}
	}
	if v := header[18]; (v != 1 && v != 2) || header[19] != v {
		return fmt.Errorf("%w: header of %s differs at byte 18", ErrDamaged, path)
	}
	return nil
}

// Examining a file costs reading it, and a box must start in seconds. Up to
// fullCheckBytes everything is examined, indexes too; up to quickCheckBytes all
// but the agreement of indexes with their tables; a larger ledger only where it
// is read, by the seals. Check has no such bounds.
const (
	fullCheckBytes  = 64 << 20
	quickCheckBytes = 512 << 20
)

// examine looks for damage in the structure of the database.
func examine(ctx context.Context, db queryer, path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	switch {
	case info.Size() <= fullCheckBytes:
		return runCheck(ctx, db, "PRAGMA integrity_check(5)")
	case info.Size() <= quickCheckBytes:
		return runCheck(ctx, db, "PRAGMA quick_check(5)")
	}
	return nil
}

func runCheck(ctx context.Context, db queryer, pragma string) error {
	found, err := queryAll(ctx, db, func(rows *sql.Rows) (string, error) {
		var line string
		err := rows.Scan(&line)
		return line, err
	}, pragma)
	if err != nil {
		return classify(err)
	}
	if len(found) == 1 && found[0] == "ok" {
		return nil
	}
	return fmt.Errorf("%w: %s", ErrDamaged, strings.Join(found, "; "))
}

// Check examines the whole file, however large (about the time it takes to read
// it), without holding up writers. It returns ErrDamaged with what was found.
func (l *Ledger) Check(ctx context.Context) error {
	if err := runCheck(ctx, l.read, "PRAGMA quick_check(5)"); err != nil {
		return fmt.Errorf("check ledger %s: %w", l.path, err)
	}
	return nil
}

// queryAll runs a query and reads every row with scan.
func queryAll[T any](ctx context.Context, q queryer, scan func(*sql.Rows) (T, error), query string, args ...any) (all []T, err error) {
	rows, err := q.QueryContext(ctx, query, args...)
	if err != nil {
		return nil, err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		one, err := scan(rows)
		if err != nil {
			return nil, err
		}
		all = append(all, one)
	}
	return all, rows.Err()
}

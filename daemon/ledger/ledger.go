// Package ledger is the box's own memory: which cards came, which files they
// held, which drives have them, and what was proven when. It is one SQLite
// database that anyone may open with their own client; the schema, in the words
// of the project, is migrations/0001_begin.sql.
//
// What it guarantees:
//   - A call that returned nil has been flushed: it survives a kill and, on a
//     disk that keeps its word about flushing, a power cut.
//   - A claim is never invented. Rows carry seals, the file is examined when it
//     is opened, and damage is an error (ErrDamaged), not an answer. Proofs
//     belong to a file's exact facts; recording other facts removes them.
//   - Offloads are ordered and identified by a sequence number that is never
//     given twice, whatever the clock does.
//   - A file written by a newer program is refused (ErrNewer), never changed.
//
// What it will not do: decide a verdict, look at a drive, or repair a damaged
// file. It moves a damaged one aside and begins anew, which costs needless
// copying and nothing else. What damage can do unnoticed: a bit flipped in the
// last commit of the write-ahead log, or a log cut short, takes commits back as if
// power had failed just before them. Commits that withdraw a claim, set a verdict
// or give out a sequence number are therefore moved out of the log at once; those
// that can be lost this way only ever add claims.
//
// All methods may be called from several goroutines, and from several processes:
// writers wait for each other, readers see the newest commit and never wait. A
// method whose context ends returns the context's error and has changed nothing.
package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"path/filepath"

	_ "modernc.org/sqlite" // the driver called "sqlite"
)

// Errors that a caller may want to tell apart.
var (
	// ErrDamaged: what is in the file cannot be what this package wrote.
	ErrDamaged = errors.New("ledger is damaged")
	// ErrNewer: the schema is newer than this program.
	ErrNewer = errors.New("ledger was written by a newer program")
	// ErrUnknown: the offload, drive or file named is not in the ledger.
	ErrUnknown = errors.New("not in the ledger")
	// ErrRefused: the change would make a claim that the ledger's own rows deny,
	// or would bring a closed offload back.
	ErrRefused = errors.New("refused by the ledger")
)

// busyMilliseconds is how long a writer waits for another process.
const busyMilliseconds = 10_000

// readers bounds the read connections, and with them memory (2 MiB cache each).
const readers = 4

// Ledger is an open ledger. Close it to let go of the file.
type Ledger struct {
	path  string
	boxID string
	write *sql.DB // exactly one connection
	read  *sql.DB // cannot write
	size  sizes
}

// BoxID returns the identity made at random together with the ledger, eight
// characters of a-z and 2-7. A new ledger is a new box: offload ids never clash
// with those that a lost ledger gave out.
func (l *Ledger) BoxID() string { return l.boxID }

// Path returns the name of the database file.
func (l *Ledger) Path() string { return l.path }

// Close waits for running calls, moves the write-ahead log into the database and
// lets go of it. Methods called afterwards return an error.
func (l *Ledger) Close() error {
	// The last connection that closes would do it too, but a reader whose call was
	// cancelled may be the last, and may not write. What is not moved now is when the
	// ledger is opened the next time, so an error loses nothing.
	// Nobody who reads meanwhile is waited for.
	_, _ = l.write.Exec("PRAGMA busy_timeout(0); PRAGMA wal_checkpoint(TRUNCATE)")
	return errors.Join(l.read.Close(), l.write.Close())
}

// dial opens a handle on the database at path, which must exist. mode is "rw" or
// "ro".
func dial(path, mode string, connections int, pragmas ...string) (*sql.DB, error) {
	absolute, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	query := url.Values{"_txlock": {"immediate"}, "_defensive": {"1"}, "mode": {mode}}
	query["_pragma"] = append([]string{
		fmt.Sprintf("busy_timeout(%d)", busyMilliseconds),
		"trusted_schema(0)",
		"cell_size_check(1)",
	}, pragmas...)
	name := url.URL{Scheme: "file", Path: absolute, RawQuery: query.Encode()}
	db, err := sql.Open("sqlite", name.String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(connections)
	db.SetMaxIdleConns(connections)
	return db, nil
}

func dialWriter(path string) (*sql.DB, error) {
	return dial(path, "rw", 1, "journal_mode(WAL)", "synchronous(FULL)", "foreign_keys(1)", "journal_size_limit(16777216)")
}

func dialReader(path string) (*sql.DB, error) {
	return dial(path, "rw", readers, "query_only(1)")
}

// change runs do in one write transaction: all of it is durable when change
// returns nil, none of it was done otherwise.
func (l *Ledger) change(ctx context.Context, do func(tx *sql.Tx) error) error {
	return changeIn(ctx, l.write, do)
}

func changeIn(ctx context.Context, db *sql.DB, do func(tx *sql.Tx) error) error {
	tx, err := db.BeginTx(ctx, nil)
	if err != nil {
		return classify(err)
	}
	if err := do(tx); err != nil {
		return endedBy(ctx, classify(errors.Join(err, ignoreDone(tx.Rollback()))))
	}
	return endedBy(ctx, classify(tx.Commit()))
}

// endedBy says that ctx has ended where a statement or transaction is only said
// to be closed or over: a caller who gave up must not take that for a fault. What
// the ledger itself has found wrong stays as it is.
func endedBy(ctx context.Context, err error) error {
	if err == nil || ctx.Err() == nil || errors.Is(err, ctx.Err()) {
		return err
	}
	for _, own := range []error{ErrDamaged, ErrUnknown, ErrRefused} {
		if errors.Is(err, own) {
			return err
		}
	}
	return errors.Join(ctx.Err(), err)
}

// ignoreDone drops the error of rolling back what a context has rolled back.
func ignoreDone(err error) error {
	if errors.Is(err, sql.ErrTxDone) {
		return nil
	}
	return err
}

// view runs do on one unchanging picture of the ledger.
func (l *Ledger) view(ctx context.Context, do func(tx *sql.Tx) error) error {
	tx, err := l.read.BeginTx(ctx, &sql.TxOptions{ReadOnly: true})
	if err != nil {
		return classify(err)
	}
	return endedBy(ctx, classify(errors.Join(do(tx), ignoreDone(tx.Rollback()))))
}

// changeAndMove is change for commits that must not be taken back by a damaged
// write-ahead log.
func (l *Ledger) changeAndMove(ctx context.Context, do func(tx *sql.Tx) error) error {
	if err := l.change(ctx, do); err != nil {
		return err
	}
	return l.moveLog(ctx)
}

// moveLog follows a commit. That is durable already, so it is no error when ctx
// ends meanwhile.
func (l *Ledger) moveLog(ctx context.Context) error {
	if err := checkpoint(ctx, l.write); err != nil && ctx.Err() == nil {
		return fmt.Errorf("move the write-ahead log into %s: %w", l.path, err)
	}
	return nil
}

// checkpoint moves the write-ahead log into the database and empties it. It is
// a second line of defence (see the package comment), so a reader that is in the
// way is no error; the next checkpoint gets there.
func checkpoint(ctx context.Context, db *sql.DB) error {
	var busy, logFrames, moved int
	err := db.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &logFrames, &moved)
	return classify(err)
}

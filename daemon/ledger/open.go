package ledger

import (
	"context"
	"crypto/rand"
	"database/sql"
	"encoding/base32"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/unix"
)

// companions are the files that SQLite keeps beside a database.
var companions = [...]string{"-wal", "-shm", "-journal"}

// Open opens the ledger at path, beginning a new one when there is none, and
// brings an older schema up to date. It returns ErrDamaged when the file is not
// what was written and ErrNewer when a newer program wrote it; the file is left
// as it is then.
func Open(ctx context.Context, path string) (*Ledger, error) {
	l, err := open(ctx, path)
	if err != nil {
		return nil, fmt.Errorf("open ledger: %w", err)
	}
	return l, nil
}

// OpenOrReplace is Open, but a damaged ledger is moved aside (aside is its new
// name, "" otherwise; nothing is deleted) and a new one is begun. Cards in it are
// then not recognised and are copied anew. ErrNewer is returned, not replaced.
func OpenOrReplace(ctx context.Context, path string) (l *Ledger, aside string, err error) {
	sweep(path)
	l, err = open(ctx, path)
	if errors.Is(err, ErrDamaged) {
		damage := err
		if aside, err = moveAside(path); err != nil {
			return nil, "", fmt.Errorf("replace ledger: %w", errors.Join(err, damage))
		}
		l, err = open(ctx, path)
	}
	if err != nil {
		return nil, aside, fmt.Errorf("open ledger: %w", err)
	}
	return l, aside, nil
}

func open(ctx context.Context, path string) (*Ledger, error) {
	steps, err := migrations()
	if err != nil {
		return nil, err
	}
	if _, err := os.Lstat(path); errors.Is(err, fs.ErrNotExist) {
		if err := create(ctx, path, steps); err != nil {
			return nil, fmt.Errorf("begin %s: %w", path, err)
		}
	}
	if err := checkHeader(path); err != nil {
		return nil, err
	}
	if err := checkLog(path + "-wal"); err != nil {
		return nil, err
	}
	if err := inspect(ctx, path, steps); err != nil {
		return nil, err
	}
	write, err := dialWriter(path)
	if err != nil {
		return nil, err
	}
	boxID, err := update(ctx, write, steps)
	if err != nil {
		return nil, errors.Join(classifyOpening(err), write.Close())
	}
	read, err := dialReader(path)
	if err != nil {
		return nil, errors.Join(err, write.Close())
	}
	l := &Ledger{path: path, boxID: boxID, write: write, read: read, size: usualSizes}
	if err := l.fillSheets(ctx); err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// inspect looks whether the database is whole and not newer than this program,
// through a handle that cannot write: what is refused stays as it was found.
func inspect(ctx context.Context, path string, steps []string) error {
	db, err := dial(path, "ro", 1)
	if err != nil {
		return err
	}
	err = func() error {
		version, err := schemaVersion(ctx, db)
		if err != nil {
			return err
		}
		if version < 1 {
			return fmt.Errorf("%w: its version is %d", ErrDamaged, version)
		}
		if _, err := readBox(ctx, db, version); err != nil {
			return err
		}
		if version > len(steps) {
			return fmt.Errorf("%w: %s has version %d, this program knows up to %d; update the program, or move the file away to begin anew",
				ErrNewer, path, version, len(steps))
		}
		if err := examine(ctx, db, path); err != nil {
			return err
		}
		return compareSchema(ctx, db, steps[:version])
	}()
	return errors.Join(classifyOpening(err), db.Close())
}

// update brings a whole database to the newest version.
func update(ctx context.Context, db *sql.DB, steps []string) (boxID string, err error) {
	if err := migrate(ctx, db, steps, ""); err != nil {
		return "", err
	}
	if err := checkpoint(ctx, db); err != nil {
		return "", err
	}
	return readBox(ctx, db, len(steps))
}

// create makes a new ledger under a passing name and gives it its own name when
// it is whole and flushed: a power cut leaves a ledger or none.
func create(ctx context.Context, path string, steps []string) (err error) {
	for _, suffix := range companions {
		if _, err := os.Lstat(path + suffix); err == nil {
			// SQLite would replay it into the new database.
			return fmt.Errorf("%w: %s is there without its database", ErrDamaged, path+suffix)
		}
	}
	boxID, err := newBoxID()
	if err != nil {
		return err
	}
	file, err := os.CreateTemp(filepath.Dir(path), filepath.Base(path)+newMark+"*")
	if err != nil {
		return err
	}
	passing := file.Name()
	defer removeWithCompanions(passing) // nothing is left of it after the rename
	if err := errors.Join(file.Chmod(0o644), file.Close()); err != nil {
		return err
	}
	db, err := dialWriter(passing)
	if err != nil {
		return err
	}
	if err := errors.Join(migrate(ctx, db, steps, boxID), db.Close()); err != nil {
		return err
	}
	if err := syncPath(passing); err != nil {
		return err
	}
	err = unix.Renameat2(unix.AT_FDCWD, passing, unix.AT_FDCWD, path, unix.RENAME_NOREPLACE)
	if err != nil && !errors.Is(err, fs.ErrExist) { // another process was quicker: then theirs
		return &os.LinkError{Op: "rename", Old: passing, New: path, Err: err}
	}
	return syncPath(filepath.Dir(path))
}

// newMark and snapshotMark are part of the names of passing files.
const (
	newMark      = ".new-"
	snapshotMark = ".snapshot-"
)

// sweep removes passing files that an earlier life left behind. Failing to is
// no harm.
func sweep(path string) {
	entries, err := os.ReadDir(filepath.Dir(path))
	if err != nil {
		return
	}
	for _, entry := range entries {
		rest, ok := strings.CutPrefix(entry.Name(), filepath.Base(path))
		if ok && (strings.HasPrefix(rest, newMark) || strings.HasPrefix(rest, snapshotMark)) {
			_ = os.RemoveAll(filepath.Join(filepath.Dir(path), entry.Name()))
		}
	}
}

func removeWithCompanions(path string) {
	_ = os.Remove(path)
	for _, suffix := range companions {
		_ = os.Remove(path + suffix)
	}
}

// moveAside renames a damaged ledger and its companions to PATH.damaged-N, N
// being the first number that is free for all of them.
func moveAside(path string) (aside string, err error) {
	for n := 1; ; n++ {
		aside = fmt.Sprintf("%s.damaged-%d", path, n)
		if !anyExists(aside) {
			break
		}
	}
	// The database first: were a power cut to leave it without its log, it would
	// open as an older state of itself.
	for _, suffix := range append([]string{""}, companions[:]...) {
		if err := os.Rename(path+suffix, aside+suffix); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return "", err
		}
	}
	return aside, syncPath(filepath.Dir(path))
}

func anyExists(path string) bool {
	for _, suffix := range append([]string{""}, companions[:]...) {
		if _, err := os.Lstat(path + suffix); err == nil {
			return true
		}
	}
	return false
}

func syncPath(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(file.Sync(), file.Close())
}

// newBoxID returns 40 random bits as eight characters that survive any file system.
func newBoxID() (string, error) {
	var raw [5]byte
	if _, err := rand.Read(raw[:]); err != nil {
		return "", err
	}
	return strings.ToLower(base32.StdEncoding.EncodeToString(raw[:])), nil
}

package ledger

import (
	"context"
	"database/sql"
	"embed"
	"fmt"
	"io/fs"
	"slices"
)

// applicationID marks the file as a ledger of this project: "BthL" in the
// header field that SQLite keeps for the purpose and file(1) can read.
const applicationID = 0x4274684c

//go:embed migrations/*.sql
var migrationFiles embed.FS

// migrations returns the steps of the schema: step i leads from version i to
// version i+1. A step that was ever released is never changed.
func migrations() ([]string, error) {
	names, err := fs.Glob(migrationFiles, "migrations/*.sql")
	if err != nil {
		return nil, err
	}
	slices.Sort(names) // numbered with leading zeros
	steps := make([]string, 0, len(names))
	for _, name := range names {
		step, err := fs.ReadFile(migrationFiles, name)
		if err != nil {
			return nil, err
		}
		steps = append(steps, string(step))
	}
	return steps, nil
}

// migrate brings the database to the newest version in one transaction. The
// steps run on an empty database too; boxID is used only then.
func migrate(ctx context.Context, db *sql.DB, steps []string, boxID string) error {
	return changeIn(ctx, db, func(tx *sql.Tx) error {
		version, err := schemaVersion(ctx, tx) // again: another process may have been quicker
		if err != nil {
			return err
		}
		if version >= len(steps) {
			return nil
		}
		for number, step := range steps[version:] {
			if _, err := tx.ExecContext(ctx, step); err != nil {
				return fmt.Errorf("migrate ledger to version %d: %w", version+number+1, err)
			}
		}
		if version > 0 {
			if boxID, err = readBox(ctx, tx, version); err != nil {
				return err
			}
		}
		return stamp(ctx, tx, boxID, len(steps))
	})
}

// stamp writes who and what the ledger is, twice where it matters.
func stamp(ctx context.Context, tx *sql.Tx, boxID string, version int) error {
	for _, pragma := range []string{
		fmt.Sprintf("PRAGMA application_id = %d", applicationID),
		fmt.Sprintf("PRAGMA user_version = %d", version),
	} {
		if _, err := tx.ExecContext(ctx, pragma); err != nil {
			return err
		}
	}
	_, err := tx.ExecContext(ctx, "INSERT OR REPLACE INTO box (only, id, schema, seal) VALUES (1, ?, ?, ?)",
		boxID, version, sealBox(boxID, version))
	return err
}

type queryer interface {
	QueryRowContext(ctx context.Context, query string, args ...any) *sql.Row
	QueryContext(ctx context.Context, query string, args ...any) (*sql.Rows, error)
}

func schemaVersion(ctx context.Context, q queryer) (int, error) {
	var version int
	if err := q.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return 0, err
	}
	return version, nil
}

// readBox returns the box's id, if the row agrees with the header's version.
func readBox(ctx context.Context, q queryer, version int) (string, error) {
	var id string
	var recorded int
	var seal int64
	err := q.QueryRowContext(ctx, "SELECT id, schema, seal FROM box WHERE only = 1").Scan(&id, &recorded, &seal)
	if err == sql.ErrNoRows {
		return "", fmt.Errorf("%w: it does not say whose it is", ErrDamaged)
	}
	if err != nil {
		return "", err
	}
	if seal != sealBox(id, recorded) || recorded != version {
		return "", fmt.Errorf("%w: its header says version %d, its box row disagrees", ErrDamaged, version)
	}
	return id, nil
}

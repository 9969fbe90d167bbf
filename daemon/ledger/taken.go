package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// TakenOver tells what a drive told of other boxes and was taken over already: by
// source, its stamp. Nothing for a drive that is not known.
func (l *Ledger) TakenOver(ctx context.Context, driveID string) (map[string]string, error) {
	taken := map[string]string{}
	err := l.view(ctx, func(tx *sql.Tx) error {
		drive, err := driveByID(ctx, tx, driveID)
		if errors.Is(err, ErrUnknown) {
			return nil
		}
		if err != nil {
			return err
		}
		_, err = queryAll(ctx, tx, func(rows *sql.Rows) (none struct{}, err error) {
			var source, stamp string
			err = rows.Scan(&source, &stamp)
			taken[source] = stamp
			return none, err
		}, "SELECT source, stamp FROM taken_over WHERE drive_no = ?", drive.number)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list what was taken over from drive %s: %w", driveID, err)
	}
	return taken, nil
}

// TakeOver records that what a source on a drive told was taken over, as it was by
// its stamp.
func (l *Ledger) TakeOver(ctx context.Context, driveID, source, stamp string) error {
	err := l.change(ctx, func(tx *sql.Tx) error {
		drive, err := driveByID(ctx, tx, driveID)
		if err != nil {
			return err
		}
		_, err = tx.ExecContext(ctx, "INSERT OR REPLACE INTO taken_over (drive_no, source, stamp) VALUES (?,?,?)",
			drive.number, cleanText(source), cleanText(stamp))
		return err
	})
	if err != nil {
		return fmt.Errorf("record what was taken over from drive %s: %w", driveID, err)
	}
	return nil
}

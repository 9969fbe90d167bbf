package ledger

import (
	"context"
	"database/sql"
	"fmt"
)

// Values of DriveEvent.What.
const (
	DriveRenamed  = "renamed"
	DriveRetired  = "retired"
	DriveEnrolled = "enrolled" // again, after it was retired
)

// DriveEvent is something that happened to a drive's identity.
type DriveEvent struct {
	What       string // one of the values above
	Name       string // from then on
	NameBefore string
	At         Moment
}

// Retire puts a drive out of use, or into use again. What it holds stays recorded.
// A drive that is so already is left as it is; one that is not known is ErrUnknown.
func (l *Ledger) Retire(ctx context.Context, driveID string, retired bool, at Moment) error {
	err := l.changeAndMove(ctx, func(tx *sql.Tx) error {
		r, err := driveByID(ctx, tx, driveID)
		if err != nil || r.drive.Retired == retired {
			return err
		}
		if r.retired = number(retired); retired {
			err = putDriveEvent(ctx, tx, r.number, DriveEvent{DriveRetired, r.drive.Name, r.drive.Name, at})
		} else {
			err = putDriveEvent(ctx, tx, r.number, DriveEvent{DriveEnrolled, r.drive.Name, r.drive.Name, at})
		}
		if err != nil {
			return err
		}
		return r.put(ctx, tx)
	})
	if err != nil {
		return fmt.Errorf("retire drive %s: %w", driveID, err)
	}
	return nil
}

func (e *DriveEvent) seal(driveNo int64, at momentColumns) int64 {
	return newSealer("drive_events").addInt(driveNo).add(e.What, e.Name, e.NameBefore).addMoment(at).sum()
}

func putDriveEvent(ctx context.Context, tx *sql.Tx, driveNo int64, e DriveEvent) error {
	at := e.At.columns()
	args := append([]any{driveNo, e.What, e.Name, e.NameBefore}, at.args()...)
	_, err := tx.ExecContext(ctx, `INSERT INTO drive_events (drive_no, what, name, name_before,
		at_wall, at_trusted, at_boot, at_since_boot_ns, seal) VALUES (?,?,?,?,?,?,?,?,?)`, append(args, e.seal(driveNo, at))...)
	return err
}

// DriveEvents returns what happened to the identities of drives, by drive id,
// oldest first.
func (l *Ledger) DriveEvents(ctx context.Context) (map[string][]DriveEvent, error) {
	all := map[string][]DriveEvent{}
	err := l.view(ctx, func(tx *sql.Tx) error {
		drives, err := drivesByNumber(ctx, tx)
		if err != nil {
			return err
		}
		_, err = queryAll(ctx, tx, func(rows *sql.Rows) (none struct{}, err error) {
			var e DriveEvent
			var at momentColumns
			var driveNo, seal int64
			targets := append([]any{&driveNo, &e.What, &e.Name, &e.NameBefore}, at.targets()...)
			if err := rows.Scan(append(targets, &seal)...); err != nil {
				return none, err
			}
			if seal != e.seal(driveNo, at) {
				return none, broken("drive_events", drives[driveNo].ID)
			}
			e.At, err = at.moment()
			all[drives[driveNo].ID] = append(all[drives[driveNo].ID], e)
			return none, err
		}, `SELECT drive_no, what, name, name_before, at_wall, at_trusted, at_boot, at_since_boot_ns, seal FROM drive_events ORDER BY seq`)
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list what happened to drives: %w", err)
	}
	return all, nil
}

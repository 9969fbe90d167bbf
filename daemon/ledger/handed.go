package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Why a copy that counted does not any more: only by these words is it known when
// its drive counts again.
const (
	wasProven     = "its drive is a shuttle now; it was proven"
	wasIncomplete = "its drive is a shuttle now; it was what could be saved of a damaged card"
)

// SetCounting says whether finished copies on a drive count. When they do not,
// those that did become CopyHanded. When they do again, just those are what they
// were, unless a file of them has lost its proof since; what was brought to the
// drive as a shuttle stays CopyHanded. A drive that is not known is no error.
func (l *Ledger) SetCounting(ctx context.Context, driveID string, counts bool) error {
	var drive driveRow
	find := func(tx *sql.Tx) (list []offloadRow, err error) {
		if drive, err = driveByID(ctx, tx, driveID); errors.Is(err, ErrUnknown) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		return queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+` FROM offloads o WHERE EXISTS (
			SELECT 1 FROM copies c WHERE c.offload_seq = o.seq AND c.drive_no = ?1
			AND CASE WHEN ?2 THEN c.status = ?3 AND c.reason IN (?4, ?5) ELSE c.status IN (?6, ?7) END)`,
			drive.number, counts, CopyHanded, wasProven, wasIncomplete, CopyProven, CopyIncomplete)
	}
	some := false
	err := l.view(ctx, func(tx *sql.Tx) error {
		list, err := find(tx)
		some = len(list) > 0
		return err
	})
	if err == nil && some {
		err = l.changeAndMove(ctx, func(tx *sql.Tx) error {
			list, err := find(tx)
			if err != nil {
				return err
			}
			for _, o := range list {
				if err := setCounting(ctx, tx, o.offload, drive, counts); err != nil {
					return err
				}
			}
			return nil
		})
	}
	if err != nil {
		return fmt.Errorf("record whether copies on drive %s count: %w", driveID, err)
	}
	return nil
}

func setCounting(ctx context.Context, tx *sql.Tx, o Offload, drive driveRow, counts bool) error {
	copies, err := copiesOf(ctx, tx, o)
	if err != nil {
		return err
	}
	for _, r := range copies {
		if r.driveNo != drive.number {
			continue
		}
		c := &r.copy
		switch {
		case !counts && c.Status == CopyProven:
			c.Status, c.Reason = CopyHanded, wasProven
		case !counts && c.Status == CopyIncomplete:
			c.Status, c.Reason = CopyHanded, wasIncomplete
		case counts && c.Status == CopyHanded && c.Reason == wasProven:
			err := checkProven(ctx, tx, o, r.driveNo)
			if errors.Is(err, ErrRefused) {
				continue
			}
			if err != nil {
				return err
			}
			c.Status, c.Reason = CopyProven, ""
		case counts && c.Status == CopyHanded && c.Reason == wasIncomplete:
			c.Status, c.Reason = CopyIncomplete, ""
		default:
			continue
		}
		if err := r.put(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

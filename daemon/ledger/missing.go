package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Missing returns the offloads that a drive lacks, newest first, and whether
// there are more than limit (1 to MaxFound; whatever else is MaxFound): another
// drive has a copy of it that is proven, or what was saved of a damaged card, and
// this one has no finished copy, nor all of its files with other offloads of the
// same card. A drive that is not known is ErrUnknown.
func (l *Ledger) Missing(ctx context.Context, driveID string, limit int) (list []Whereabouts, more bool, err error) {
	limit = OffloadQuery{Limit: limit}.limit()
	err = l.view(ctx, func(tx *sql.Tx) error {
		drive, err := driveByID(ctx, tx, driveID)
		if err != nil {
			return err
		}
		rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+` FROM offloads o WHERE status <> 'void'
			AND EXISTS (SELECT 1 FROM copies c WHERE c.offload_seq = o.seq AND c.drive_no <> ?1 AND c.status IN ('proven', 'incomplete'))
			AND NOT EXISTS (SELECT 1 FROM copies c WHERE c.offload_seq = o.seq AND c.drive_no = ?1 AND c.status IN `+finished+`)
			ORDER BY seq DESC`, drive.number)
		if err != nil {
			return err
		}
		var lacking []offloadRow
		var seqs []int64
		for _, r := range rows {
			there, err := covers(ctx, tx, r.offload, drive)
			if err != nil {
				return err
			}
			if there {
				continue
			}
			if more = len(lacking) == limit; more {
				break
			}
			lacking, seqs = append(lacking, r), append(seqs, r.offload.Seq)
		}
		list, err = withCopies(ctx, tx, lacking, "SELECT value FROM json_each(?)", jsonNumbers(seqs))
		return err
	})
	if err != nil {
		return nil, false, fmt.Errorf("list what drive %s lacks: %w", driveID, err)
	}
	return list, more, nil
}

// Covers reports whether all files of an offload stand on a drive in proven
// copies of offloads of the same card, this one or others: of a card that came
// again with more on it, each drive got what it lacked.
func (l *Ledger) Covers(ctx context.Context, o Offload, driveID string) (there bool, err error) {
	err = l.view(ctx, func(tx *sql.Tx) error {
		drive, err := driveByID(ctx, tx, driveID)
		if errors.Is(err, ErrUnknown) {
			return nil
		}
		if err != nil {
			return err
		}
		there, err = covers(ctx, tx, o, drive)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("look whether drive %s has what offload %s holds: %w", driveID, o.ID, err)
	}
	return there, nil
}

func covers(ctx context.Context, tx *sql.Tx, o Offload, drive driveRow) (bool, error) {
	if o.CardKey == "" {
		return false, nil
	}
	var there bool
	// The rows alone, which says quickly of most drives that they lack it.
	err := tx.QueryRowContext(ctx, `SELECT EXISTS (`+provenOfCard+`) AND NOT EXISTS (SELECT 1 FROM files f WHERE f.offload_seq = ?3
		AND NOT EXISTS (`+provenOfCard+` AND `+sameContent+`))`, o.CardKey, drive.number, o.Seq).Scan(&there)
	if err != nil || !there {
		return false, err
	}
	// That it has it is said by rows whose seals are whole, and by nothing less.
	files, err := filesOf(ctx, tx, o.Seq)
	if err != nil {
		return false, err
	}
	known, err := knownFiles(ctx, tx, o.CardKey)
	if err != nil {
		return false, err
	}
	held := map[content]bool{}
	for _, k := range known {
		for _, p := range k.On {
			if p.DriveID == drive.drive.ID && p.CopyStatus == CopyProven {
				held[contentOf(k.File)] = true
			}
		}
	}
	for _, f := range files {
		if !held[contentOf(f.file)] {
			return false, nil
		}
	}
	return len(held) > 0, nil
}

// provenOfCard, card first, are the proofs on drive ?2 of files g in proven copies of card ?1.
const provenOfCard = `SELECT 1 FROM offloads v CROSS JOIN copies c ON c.offload_seq = v.seq AND c.drive_no = ?2 AND c.status = 'proven'
	CROSS JOIN files g ON g.offload_seq = v.seq JOIN proven p ON p.file_no = g.file_no AND p.drive_no = ?2
	WHERE v.card_key = ?1 AND v.card_key <> '' AND v.status <> 'void'`

const sameContent = `g.path = f.path AND g.size_bytes = f.size_bytes AND g.algorithm = f.algorithm AND g.checksum = f.checksum`

// content is what makes a file the same at another place.
type content struct {
	path, algorithm, sum string
	bytes                int64
}

func contentOf(f File) content { return content{f.Path, f.Algorithm, f.Checksum, f.SizeBytes} }

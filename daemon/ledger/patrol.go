package ledger

import (
	"cmp"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
)

// verifySize is the value of Offload.Verify that asks for no reading back.
const verifySize = "size"

// Round is a copy as a patrol takes it: one that is proven, or one that another
// box has called so.
type Round struct {
	Offload Offload
	Copy    Copy
	// ProvenUpTo is the number of the proof up to which the whole copy was proven
	// when the round before was over. Files with a newer proof have been proven in
	// this one already.
	ProvenUpTo int64
	// At is when that proof was; zero when it is not known.
	At Moment
}

// Rounds returns the copies on drives that are to be proven again, those first
// that were proven whole the longest ago or never, by the order of proofs and not
// by any clock.
func (l *Ledger) Rounds(ctx context.Context, driveIDs ...string) ([]Round, error) {
	var list []Round
	err := l.view(ctx, func(tx *sql.Tx) error {
		for _, id := range driveIDs {
			drive, err := driveByID(ctx, tx, id)
			if errors.Is(err, ErrUnknown) {
				continue
			}
			if err != nil {
				return err
			}
			of, err := roundsOn(ctx, tx, drive)
			if err != nil {
				return err
			}
			list = append(list, of...)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list copies by their proofs: %w", err)
	}
	sortRounds(list)
	return list, nil
}

// sortRounds puts those first that were proven whole the longest ago.
func sortRounds(list []Round) {
	slices.SortStableFunc(list, func(a, b Round) int {
		return cmp.Or(cmp.Compare(a.ProvenUpTo, b.ProvenUpTo), cmp.Compare(a.Offload.Seq, b.Offload.Seq), cmp.Compare(a.Copy.DriveID, b.Copy.DriveID))
	})
}

func roundsOn(ctx context.Context, tx *sql.Tx, drive driveRow) ([]Round, error) {
	type line struct{ seq, upTo int64 }
	lines, err := queryAll(ctx, tx, func(rows *sql.Rows) (l line, err error) {
		err = rows.Scan(&l.seq, &l.upTo)
		return l, err
	}, "SELECT offload_seq, proven_up_to FROM copies WHERE drive_no = ? AND status IN (?, ?)", drive.number, CopyProven, CopyUnproven)
	if err != nil {
		return nil, err
	}
	var list []Round
	for _, l := range lines {
		r, err := scanOffload(tx.QueryRowContext(ctx, "SELECT "+offloadColumns+" FROM offloads WHERE seq = ?", l.seq))
		if err != nil {
			return nil, err
		}
		if r.offload.Status == OffloadVoid {
			continue
		}
		copies, err := copiesOf(ctx, tx, r.offload)
		if err != nil {
			return nil, err
		}
		round := Round{Offload: r.offload, ProvenUpTo: l.upTo}
		for _, c := range copies {
			if c.driveNo == drive.number {
				round.Copy = c.copy
			}
		}
		if round.Copy.Status == CopyUnproven && r.offload.Verify == verifySize {
			continue // it was never asked for
		}
		if round.At, err = proofMoment(ctx, tx, l.upTo); err != nil {
			return nil, err
		}
		list = append(list, round)
	}
	return list, nil
}

// ProofAges says how old the proofs of a drive's copies are.
type ProofAges struct {
	// Oldest is when the copy that was proven whole the longest ago was, of those
	// whose proof was taken by a clock that was right; zero when there is none.
	Oldest Moment
	// Undated counts the copies of which it is not known when they were.
	Undated int
}

// ProofAges looks at the copies on a drive that a patrol would take. It is for
// showing: the clock that a proof was taken by is believed without its seal, but
// for the oldest one. A drive that is not known has none.
func (l *Ledger) ProofAges(ctx context.Context, driveID string) (ages ProofAges, err error) {
	err = l.view(ctx, func(tx *sql.Tx) error {
		drive, err := driveByID(ctx, tx, driveID)
		if errors.Is(err, ErrUnknown) {
			return nil
		}
		if err != nil {
			return err
		}
		var oldest int64
		if err := tx.QueryRowContext(ctx, `SELECT coalesce(min(p.proof_no), 0), count(*) - count(p.proof_no)
			FROM copies c JOIN offloads o ON o.seq = c.offload_seq
			LEFT JOIN proofs p ON p.proof_no = c.proven_up_to AND p.at_trusted = 1 AND p.at_wall <> ''
			WHERE c.drive_no = ? AND o.status <> ? AND (c.status = ? OR c.status = ? AND o.verify <> ?)`,
			drive.number, OffloadVoid, CopyProven, CopyUnproven, verifySize).Scan(&oldest, &ages.Undated); err != nil {
			return err
		}
		ages.Oldest, err = proofMoment(ctx, tx, oldest)
		return err
	})
	if err != nil {
		return ProofAges{}, fmt.Errorf("look how old the proofs on drive %s are: %w", driveID, err)
	}
	return ages, nil
}

// proofMoment is zero for a proof that is not there.
func proofMoment(ctx context.Context, q queryer, number int64) (Moment, error) {
	var at momentColumns
	var seal int64
	err := q.QueryRowContext(ctx, "SELECT at_wall, at_trusted, at_boot, at_since_boot_ns, seal FROM proofs WHERE proof_no = ?", number).
		Scan(append(at.targets(), &seal)...)
	if errors.Is(err, sql.ErrNoRows) {
		return Moment{}, nil
	}
	if err != nil {
		return Moment{}, err
	}
	if seal != newSealer("proofs").addMoment(at).sum() {
		return Moment{}, broken("proofs", fmt.Sprint(number))
	}
	return at.moment()
}

// ProvenSince returns the paths of an offload's files that have a proof on a drive
// with a number beyond upTo.
func (l *Ledger) ProvenSince(ctx context.Context, offloadID, driveID string, upTo int64) (map[string]bool, error) {
	paths := map[string]bool{}
	err := l.view(ctx, func(tx *sql.Tx) error {
		offload, drive, err := offloadAndDrive(ctx, tx, offloadID, driveID)
		if err != nil {
			return err
		}
		list, err := queryAll(ctx, tx, func(rows *sql.Rows) (path string, err error) {
			err = rows.Scan(&path)
			return path, err
		}, `SELECT f.path FROM files f JOIN proven p ON p.file_no = f.file_no AND p.drive_no = ?
			WHERE f.offload_seq = ? AND p.proof_no > ?`, drive.number, offload.Seq, upTo)
		for _, path := range list {
			paths[path] = true
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list newer proofs of offload %s on drive %s: %w", offloadID, driveID, err)
	}
	return paths, nil
}

// RoundDone records that every file of a proven copy has been proven again, and
// by which manifest that is told on the drive. ErrRefused while a file has no
// proof beyond the round's ProvenUpTo.
func (l *Ledger) RoundDone(ctx context.Context, r Round, manifestPath, manifestC4 string, at Moment) error {
	err := l.change(ctx, func(tx *sql.Tx) error {
		offload, drive, err := offloadAndDrive(ctx, tx, r.Offload.ID, r.Copy.DriveID)
		if err != nil {
			return err
		}
		if err := checkProven(ctx, tx, offload, drive.number); err != nil {
			return err
		}
		var old int
		if err := tx.QueryRowContext(ctx, `SELECT count(*) FROM files f JOIN proven p ON p.file_no = f.file_no AND p.drive_no = ?
			WHERE f.offload_seq = ? AND p.proof_no <= ?`, drive.number, offload.Seq, r.ProvenUpTo).Scan(&old); err != nil {
			return err
		}
		if old > 0 {
			return fmt.Errorf("%w: %d files have not been proven again", ErrRefused, old)
		}
		c := r.Copy
		c.Status, c.Reason, c.Updated = CopyProven, "", at
		c.ManifestPath, c.ManifestC4 = cleanText(manifestPath), cleanText(manifestC4)
		row := copyRow{seq: offload.Seq, driveNo: drive.number, copy: c, updated: at.columns()}
		return row.put(ctx, tx)
	})
	if err != nil {
		return fmt.Errorf("record that offload %s was proven again on drive %s: %w", r.Offload.ID, r.Copy.DriveID, err)
	}
	return nil
}

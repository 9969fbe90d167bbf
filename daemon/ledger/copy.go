package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// Values of Copy.Status.
const (
	CopyOpen       = "open"       // being written, or to be resumed
	CopyFinishing  = "finishing"  // manifest and rename are under way
	CopyProven     = "proven"     // whole, read back, under its final name
	CopyUnproven   = "unproven"   // whole, under its final name, not read back: its rule does not ask for it
	CopyIncomplete = "incomplete" // salvage of a card that could not be read whole
	CopyFailed     = "failed"     // given up after faults
	CopyLost       = "lost"       // was proven once; is missing or changed now
	// CopyHanded: what was chosen of it stands proven on a shuttle, under its final
	// name. It counts for nothing, even when all of it was chosen.
	CopyHanded = "handed-over"
)

// Copy is one offload on one drive.
type Copy struct {
	OffloadID    string
	DriveID      string
	Folder       string // relative to the drive
	Status       string // one of the values above
	Reason       string
	ManifestPath string // relative to the drive
	ManifestC4   string
	Updated      Moment
}

// Begun reports whether this box has begun to write the copy and has not finished it:
// only then is an unfinished folder of its name the box's own. What another ledger
// told of was not begun here.
func (c Copy) Begun() bool {
	return c.Status == CopyOpen || c.Status == CopyFinishing || c.Status == CopyFailed
}

// copyRow is a Copy as it is stored.
type copyRow struct {
	seq     int64 // of its offload
	driveNo int64
	copy    Copy
	updated momentColumns
	seal    int64
}

const copyColumns = `offload_seq, drive_no, folder, status, reason, manifest_path, manifest_c4,
	updated_wall, updated_trusted, updated_boot, updated_since_boot_ns, seal`

func (r *copyRow) computeSeal() int64 {
	c := &r.copy
	return newSealer("copies").add(c.OffloadID, c.DriveID, c.Folder, c.Status, c.Reason, c.ManifestPath, c.ManifestC4).
		addMoment(r.updated).sum()
}

// PutCopy records where a copy stands. Status CopyProven is ErrRefused unless
// every file that the offload plans is recorded and has a proof on that drive.
// With CopyLost the proofs on that drive are gone too: what was found missing or
// changed speaks for nothing else that was read there before. ErrUnknown when the
// offload or the drive is not in the ledger.
func (l *Ledger) PutCopy(ctx context.Context, c Copy) error {
	for _, text := range []*string{&c.Folder, &c.Reason, &c.ManifestPath, &c.ManifestC4} {
		*text = cleanText(*text)
	}
	do := l.change
	if c.Status != CopyProven {
		do = l.changeAndMove // it may withdraw a claim
	}
	err := do(ctx, func(tx *sql.Tx) error {
		offload, err := offloadByID(ctx, tx, c.OffloadID)
		if err != nil {
			return err
		}
		drive, err := driveByID(ctx, tx, c.DriveID)
		if err != nil {
			return err
		}
		if c.Status == CopyProven {
			if err := checkProven(ctx, tx, offload.offload, drive.number); err != nil {
				return err
			}
		}
		if c.Status == CopyLost {
			if err := forgetProofs(ctx, tx, offload.offload.Seq, drive.number); err != nil {
				return err
			}
		}
		r := copyRow{seq: offload.offload.Seq, driveNo: drive.number, copy: c, updated: c.Updated.columns()}
		return r.put(ctx, tx)
	})
	if err != nil {
		return fmt.Errorf("record copy of offload %s on drive %s: %w", c.OffloadID, c.DriveID, err)
	}
	return nil
}

func (r *copyRow) put(ctx context.Context, tx *sql.Tx) error {
	c := &r.copy
	args := []any{r.seq, r.driveNo, c.Folder, c.Status, c.Reason, c.ManifestPath, c.ManifestC4}
	args = append(args, r.updated.args()...)
	_, err := tx.ExecContext(ctx, `INSERT INTO copies (`+copyColumns+`, proven_up_to) VALUES (?,?,?,?,?,?,?, ?,?,?,?, ?,
			CASE ?4 WHEN 'proven' THEN (SELECT coalesce(max(proof_no), 0) FROM proofs) ELSE 0 END)
		ON CONFLICT (offload_seq, drive_no) DO UPDATE SET folder = excluded.folder, status = excluded.status,
			reason = excluded.reason, manifest_path = excluded.manifest_path, manifest_c4 = excluded.manifest_c4,
			updated_wall = excluded.updated_wall, updated_trusted = excluded.updated_trusted,
			updated_boot = excluded.updated_boot, updated_since_boot_ns = excluded.updated_since_boot_ns,
			seal = excluded.seal,
			proven_up_to = CASE excluded.status WHEN 'proven' THEN excluded.proven_up_to ELSE proven_up_to END`,
		append(args, r.computeSeal())...)
	return err
}

// Copies returns the copies of an offload, by drive id.
func (l *Ledger) Copies(ctx context.Context, offloadID string) ([]Copy, error) {
	var copies []Copy
	err := l.view(ctx, func(tx *sql.Tx) error {
		offload, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		rows, err := copiesOf(ctx, tx, offload.offload)
		for _, r := range rows {
			copies = append(copies, r.copy)
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("list copies of offload %s: %w", offloadID, err)
	}
	return copies, nil
}

// copiesOf reads the copies of an offload, each only with its seal.
func copiesOf(ctx context.Context, q queryer, o Offload) ([]copyRow, error) {
	return copiesIn(ctx, q, map[int64]string{o.Seq: o.ID}, "SELECT ?", o.Seq)
}

// copiesIn reads the copies of several offloads, each only with its seal, by
// offload and drive id: those of which the query which gives the seqs. ids are
// the offloads' ids by seq; a copy of another is damage.
func copiesIn(ctx context.Context, q queryer, ids map[int64]string, which string, args ...any) ([]copyRow, error) {
	return queryAll(ctx, q, func(rows *sql.Rows) (r copyRow, err error) {
		c := &r.copy
		var driveID sql.NullString
		targets := []any{&driveID, &r.seq, &r.driveNo, &c.Folder, &c.Status, &c.Reason, &c.ManifestPath, &c.ManifestC4}
		if err := rows.Scan(append(append(targets, r.updated.targets()...), &r.seal)...); err != nil {
			return r, err
		}
		id, ok := ids[r.seq]
		c.OffloadID, c.DriveID = id, driveID.String
		if !ok || !driveID.Valid || r.seal != r.computeSeal() {
			return r, broken("copies", c.OffloadID+" on "+c.DriveID)
		}
		c.Updated, err = r.updated.moment()
		return r, err
	}, `SELECT d.id, c.offload_seq, c.drive_no, c.folder, c.status, c.reason, c.manifest_path, c.manifest_c4,
			c.updated_wall, c.updated_trusted, c.updated_boot, c.updated_since_boot_ns, c.seal
		FROM copies c LEFT JOIN drives d ON d.drive_no = c.drive_no
		WHERE c.offload_seq IN (`+which+`) ORDER BY c.offload_seq, d.id`, args...)
}

// checkProven refuses the claim that a copy is proven while its rows deny it.
func checkProven(ctx context.Context, q queryer, o Offload, driveNo int64) error {
	var files, proofs int
	err := q.QueryRowContext(ctx, `SELECT count(*), count(p.file_no) FROM files f
		LEFT JOIN proven p ON p.file_no = f.file_no AND p.drive_no = ? WHERE f.offload_seq = ?`,
		driveNo, o.Seq).Scan(&files, &proofs)
	switch {
	case err != nil:
		return err
	case o.Files > 0 && files != o.Files:
		return fmt.Errorf("%w: %d of %d files are recorded", ErrRefused, files, o.Files)
	case proofs != files:
		return fmt.Errorf("%w: %d of %d files have a proof", ErrRefused, proofs, files)
	}
	return nil
}

// demote turns every proven copy of an offload that does not deserve the word
// any more into a lost one.
func demote(ctx context.Context, tx *sql.Tx, o Offload) error {
	copies, err := copiesOf(ctx, tx, o)
	if err != nil {
		return err
	}
	for _, r := range copies {
		if r.copy.Status != CopyProven {
			continue
		}
		err := checkProven(ctx, tx, o, r.driveNo)
		if err == nil {
			continue
		}
		if !errors.Is(err, ErrRefused) {
			return err
		}
		r.copy.Status, r.copy.Reason = CopyLost, "files of it are not proven any more"
		if err := r.put(ctx, tx); err != nil {
			return err
		}
	}
	return nil
}

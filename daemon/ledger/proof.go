package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
)

// proofSeal binds a proof to one file's exact facts, one drive and one moment.
func proofSeal(fileSeal int64, driveID string, proofNo int64) int64 {
	return newSealer("proven").addInt(fileSeal, proofNo).add(driveID).sum()
}

// RecordProven records, in one commit, that the files at paths were read back
// from the drive and were the same. All of them must be recorded: ErrUnknown
// otherwise, and nothing is recorded. A void offload is ErrRefused.
func (l *Ledger) RecordProven(ctx context.Context, offloadID, driveID string, paths []string, at Moment) error {
	if len(paths) == 0 {
		return nil
	}
	err := l.change(ctx, func(tx *sql.Tx) error {
		offload, drive, err := offloadAndDrive(ctx, tx, offloadID, driveID)
		if err != nil {
			return err
		}
		if offload.Status == OffloadVoid {
			return fmt.Errorf("%w: the offload is void", ErrRefused)
		}
		proofNo, err := putProof(ctx, tx, at)
		if err != nil {
			return err
		}
		return eachFile(ctx, tx, offload.Seq, paths,
			"INSERT OR REPLACE INTO proven (file_no, drive_no, proof_no, seal) VALUES (?,?,?,?)",
			func(r fileRow) []any {
				return []any{r.number, drive.number, proofNo, proofSeal(r.seal, driveID, proofNo)}
			})
	})
	if err != nil {
		return fmt.Errorf("record proof of offload %s on drive %s: %w", offloadID, driveID, err)
	}
	return nil
}

// RecordUnproven takes the proofs of the files at paths on a drive back. If the
// copy there was proven it is CopyLost now. Proofs that do not exist are no
// error; a path that is not recorded is ErrUnknown, and nothing is taken back.
func (l *Ledger) RecordUnproven(ctx context.Context, offloadID, driveID string, paths []string) error {
	if len(paths) == 0 {
		return nil
	}
	err := l.changeAndMove(ctx, func(tx *sql.Tx) error {
		offload, drive, err := offloadAndDrive(ctx, tx, offloadID, driveID)
		if err != nil {
			return err
		}
		if err := eachFile(ctx, tx, offload.Seq, paths, "DELETE FROM proven WHERE file_no = ? AND drive_no = ?",
			func(r fileRow) []any { return []any{r.number, drive.number} }); err != nil {
			return err
		}
		return demote(ctx, tx, offload)
	})
	if err != nil {
		return fmt.Errorf("take back proof of offload %s on drive %s: %w", offloadID, driveID, err)
	}
	return nil
}

// ForgetProofs takes the proofs of all files of an offload on a drive back, as
// RecordUnproven does: they were taken in a folder that is not gone on with.
func (l *Ledger) ForgetProofs(ctx context.Context, offloadID, driveID string) error {
	err := l.changeAndMove(ctx, func(tx *sql.Tx) error {
		offload, drive, err := offloadAndDrive(ctx, tx, offloadID, driveID)
		if err != nil {
			return err
		}
		if err := forgetProofs(ctx, tx, offload.Seq, drive.number); err != nil {
			return err
		}
		return demote(ctx, tx, offload)
	})
	if err != nil {
		return fmt.Errorf("take back proofs of offload %s on drive %s: %w", offloadID, driveID, err)
	}
	return nil
}

func forgetProofs(ctx context.Context, tx *sql.Tx, seq, driveNo int64) error {
	_, err := tx.ExecContext(ctx, "DELETE FROM proven WHERE drive_no = ? AND file_no IN (SELECT file_no FROM files WHERE offload_seq = ?)", driveNo, seq)
	return err
}

func offloadAndDrive(ctx context.Context, q queryer, offloadID, driveID string) (Offload, driveRow, error) {
	offload, err := offloadByID(ctx, q, offloadID)
	if err != nil {
		return Offload{}, driveRow{}, err
	}
	drive, err := driveByID(ctx, q, driveID)
	return offload.offload, drive, err
}

func putProof(ctx context.Context, tx *sql.Tx, at Moment) (int64, error) {
	columns := at.columns()
	result, err := tx.ExecContext(ctx, `INSERT INTO proofs (at_wall, at_trusted, at_boot, at_since_boot_ns, seal) VALUES (?,?,?,?,?)`,
		append(columns.args(), newSealer("proofs").addMoment(columns).sum())...)
	if err != nil {
		return 0, err
	}
	return result.LastInsertId()
}

// eachFile runs statement once for every path, with the arguments made of its row.
func eachFile(ctx context.Context, tx *sql.Tx, seq int64, paths []string, statement string, args func(fileRow) []any) error {
	find, err := tx.PrepareContext(ctx, "SELECT "+fileColumns+" FROM files WHERE offload_seq = ? AND path = ?")
	if err != nil {
		return err
	}
	defer find.Close()
	do, err := tx.PrepareContext(ctx, statement)
	if err != nil {
		return err
	}
	defer do.Close()
	for _, path := range paths {
		rows, err := find.QueryContext(ctx, seq, path)
		if err != nil {
			return err
		}
		r, err := oneFile(rows, path)
		if err != nil {
			return err
		}
		if r.file.Path != path || r.seq != seq {
			return broken("files", path)
		}
		if _, err := do.ExecContext(ctx, args(r)...); err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
	}
	return nil
}

func oneFile(rows *sql.Rows, path string) (r fileRow, err error) {
	defer func() { err = errors.Join(err, rows.Close()) }()
	if !rows.Next() {
		return r, errors.Join(rows.Err(), fmt.Errorf("file %q: %w", path, ErrUnknown))
	}
	return scanFile(rows)
}

// Proven returns the paths of the offload's files that are proven on a drive;
// an empty set for a drive that the ledger does not know.
func (l *Ledger) Proven(ctx context.Context, offloadID, driveID string) (map[string]bool, error) {
	paths := map[string]bool{}
	err := l.view(ctx, func(tx *sql.Tx) error {
		offload, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		return eachProof(ctx, tx, offload.offload.Seq, func(file fileRow, driveNo int64, onDrive string) {
			if onDrive == driveID {
				paths[file.file.Path] = true
			}
		})
	})
	if err != nil {
		return nil, fmt.Errorf("list what is proven of offload %s on drive %s: %w", offloadID, driveID, err)
	}
	return paths, nil
}

// eachProof calls do for every proof of an offload's files, by path, after
// checking the seals of file and proof.
func eachProof(ctx context.Context, q queryer, seq int64, do func(file fileRow, driveNo int64, driveID string)) (err error) {
	rows, err := q.QueryContext(ctx, `SELECT f.file_no, f.offload_seq, f.path, f.size_bytes, f.modified, f.algorithm,
			f.checksum, f.sample, f.seal, p.drive_no, coalesce(d.id, ''), p.proof_no, p.seal
		FROM files f JOIN proven p ON p.file_no = f.file_no LEFT JOIN drives d ON d.drive_no = p.drive_no
		WHERE f.offload_seq = ? ORDER BY f.path, d.id`, seq)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var driveNo, proofNo, seal int64
		var driveID string
		file, err := scanFile(rows, &driveNo, &driveID, &proofNo, &seal)
		if err != nil {
			return err
		}
		if file.seq != seq || seal != proofSeal(file.seal, driveID, proofNo) {
			return broken("proven", file.file.Path+" on "+driveID)
		}
		do(file, driveNo, driveID)
	}
	return rows.Err()
}

package ledger

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"iter"
	"time"
)

// BegunBetween returns the offloads that began from one time on until before
// another, void ones too, with their copies, in the order of their numbers.
func (l *Ledger) BegunBetween(ctx context.Context, from, to time.Time) ([]Whereabouts, error) {
	var list []Whereabouts
	err := l.view(ctx, func(tx *sql.Tx) error {
		// Stamps are text of several lengths: whole days are told apart by it, and
		// the rest by the times that it means.
		rows, err := queryAll(ctx, tx, scanOffloads, "SELECT "+offloadColumns+" FROM offloads WHERE started_wall >= ? AND started_wall < ? ORDER BY seq",
			from.UTC().Format(time.DateOnly), to.UTC().AddDate(0, 0, 1).Format(time.DateOnly))
		if err != nil {
			return err
		}
		for _, r := range rows {
			if at := r.offload.Started.Wall; at.Before(from) || !at.Before(to) {
				continue
			}
			w := Whereabouts{Offload: r.offload}
			copies, err := copiesOf(ctx, tx, r.offload)
			if err != nil {
				return err
			}
			for _, c := range copies {
				w.Copies = append(w.Copies, c.copy)
			}
			list = append(list, w)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list the offloads that began on a day: %w", err)
	}
	return list, nil
}

// ConditionsBetween returns the newest lines of the log of conditions that were
// written from one time on until before another, oldest first, at most limit of
// them, and how many older ones there are.
func (l *Ledger) ConditionsBetween(ctx context.Context, from, to time.Time, limit int) (list []Condition, more int, err error) {
	err = l.view(ctx, func(tx *sql.Tx) error {
		rows, err := queryAll(ctx, tx, scanCondition, `SELECT seq, code, subject, detail, raised,
			at_wall, at_trusted, at_boot, at_since_boot_ns, seal FROM conditions WHERE at_wall >= ? AND at_wall < ? ORDER BY seq`,
			from.UTC().Format(time.DateOnly), to.UTC().AddDate(0, 0, 1).Format(time.DateOnly))
		for _, c := range rows {
			if !c.At.Wall.Before(from) && c.At.Wall.Before(to) {
				list = append(list, c)
			}
		}
		return err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("list the conditions of a day: %w", err)
	}
	more = max(0, len(list)-limit)
	return list[more:], more, nil
}

// FileProofs is a file with the moments of its proofs.
type FileProofs struct {
	File
	Proofs []FileProof // by drive id
}

// FileProof says when a file was last read back from a drive and was the same.
type FileProof struct {
	DriveID string
	At      Moment
}

// filesAtOnce bounds what EachFile holds in memory, and how long it reads.
const filesAtOnce = 512

// EachFile gives the recorded files of an offload, by path (byte order), with
// their proofs. It reads some hundred at a time, each portion as of one moment, so
// that whoever is slow to take them holds up nothing. An error is the last it gives.
func (l *Ledger) EachFile(ctx context.Context, offloadID string) iter.Seq2[FileProofs, error] {
	return func(yield func(FileProofs, error) bool) {
		for after := ""; ; {
			page, err := l.filesAfter(ctx, offloadID, after)
			if err != nil {
				yield(FileProofs{}, fmt.Errorf("list files of offload %s: %w", offloadID, err))
				return
			}
			for _, f := range page {
				if !yield(f, nil) {
					return
				}
			}
			if len(page) < filesAtOnce {
				return
			}
			after = page[len(page)-1].Path
		}
	}
}

func (l *Ledger) filesAfter(ctx context.Context, offloadID, after string) (page []FileProofs, err error) {
	err = l.view(ctx, func(tx *sql.Tx) error {
		o, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		rows, err := queryAll(ctx, tx, func(rows *sql.Rows) (fileRow, error) { return scanFile(rows) },
			"SELECT "+fileColumns+" FROM files WHERE offload_seq = ? AND path > ? ORDER BY path LIMIT ?", o.offload.Seq, after, filesAtOnce)
		if err != nil || len(rows) == 0 {
			return err
		}
		index := make(map[int64]int, len(rows))
		for i, r := range rows {
			if r.seq != o.offload.Seq || r.file.Path <= after {
				return broken("files", r.file.Path)
			}
			index[r.number] = i
			page = append(page, FileProofs{File: r.file})
		}
		return dayProofsOf(ctx, tx, o.offload.Seq, after, rows[len(rows)-1].file.Path, func(number int64, seal func(fileSeal int64) bool, p FileProof) error {
			i, ok := index[number]
			if !ok || !seal(rows[i].seal) {
				return broken("proven", fmt.Sprint("file ", number, " on ", p.DriveID))
			}
			page[i].Proofs = append(page[i].Proofs, p)
			return nil
		})
	})
	return page, err
}

// dayProofsOf gives the proofs of an offload's files whose paths come after one and
// not after another. seal says whether the proof's own seal is that for a file.
func dayProofsOf(ctx context.Context, q queryer, seq int64, after, upTo string, do func(file int64, seal func(int64) bool, p FileProof) error) (err error) {
	rows, err := q.QueryContext(ctx, `SELECT p.file_no, coalesce(d.id, ''), p.proof_no, p.seal,
			g.at_wall, g.at_trusted, g.at_boot, g.at_since_boot_ns, g.seal
		FROM files f JOIN proven p ON p.file_no = f.file_no JOIN proofs g ON g.proof_no = p.proof_no
			LEFT JOIN drives d ON d.drive_no = p.drive_no
		WHERE f.offload_seq = ? AND f.path > ? AND f.path <= ? ORDER BY f.path, d.id`, seq, after, upTo)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, rows.Close()) }()
	for rows.Next() {
		var number, proofNo, seal, momentSeal int64
		var p FileProof
		var at momentColumns
		targets := append([]any{&number, &p.DriveID, &proofNo, &seal}, at.targets()...)
		if err := rows.Scan(append(targets, &momentSeal)...); err != nil {
			return err
		}
		if momentSeal != newSealer("proofs").addMoment(at).sum() {
			return broken("proofs", fmt.Sprint(proofNo))
		}
		if p.At, err = at.moment(); err != nil {
			return err
		}
		same := func(fileSeal int64) bool { return seal == proofSeal(fileSeal, p.DriveID, proofNo) }
		if err := do(number, same, p); err != nil {
			return err
		}
	}
	return rows.Err()
}

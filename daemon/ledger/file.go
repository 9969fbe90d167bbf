package ledger

import (
	"context"
	"database/sql"
	"fmt"
	"time"
)

// File is one file of an offload, as the card gave it.
type File struct {
	Path      string // on the card, with slashes; valid UTF-8
	SizeBytes int64
	ModTime   time.Time // UTC, with nanoseconds; zero when the card's claim is outside years 1 to 9999
	Algorithm string    // name of the checksum's algorithm
	Checksum  string    // taken while the card was read
	Sample    string    // checksum of a few blocks, to recognise the file by; may be empty
}

// fileRow is a File as it is stored.
type fileRow struct {
	number   int64
	seq      int64 // of its offload
	file     File
	modified string
	seal     int64
}

const fileColumns = "file_no, offload_seq, path, size_bytes, modified, algorithm, checksum, sample, seal"

func (r *fileRow) computeSeal() int64 {
	f := &r.file
	return newSealer("files").addInt(r.seq, f.SizeBytes).add(f.Path, r.modified, f.Algorithm, f.Checksum, f.Sample).sum()
}

// scanFile reads a row of files and believes it only with its seal.
func scanFile(rows *sql.Rows, more ...any) (r fileRow, err error) {
	f := &r.file
	targets := append([]any{&r.number, &r.seq, &f.Path, &f.SizeBytes, &r.modified, &f.Algorithm, &f.Checksum, &f.Sample, &r.seal}, more...)
	if err := rows.Scan(targets...); err != nil {
		return r, err
	}
	if r.seal != r.computeSeal() {
		return r, broken("files", f.Path)
	}
	f.ModTime, err = timeOf(r.modified)
	return r, err
}

// RecordFiles records files of an open offload, all in one commit. A file that
// is there already with other facts gets the new ones and loses its proofs; a
// copy that was proven before and is not any more becomes CopyLost. A done
// offload accepts what it holds already and nothing else, a void one nothing:
// ErrRefused.
func (l *Ledger) RecordFiles(ctx context.Context, offloadID string, files []File) error {
	rows := make([]fileRow, len(files))
	for i, f := range files {
		if err := checkKey("path", f.Path); err != nil {
			return fmt.Errorf("record files of offload %s: %w", offloadID, err)
		}
		if f.SizeBytes < 0 {
			return fmt.Errorf("record files of offload %s: %s: size %d is negative", offloadID, f.Path, f.SizeBytes)
		}
		f.Algorithm, f.Checksum, f.Sample = cleanText(f.Algorithm), cleanText(f.Checksum), cleanText(f.Sample)
		rows[i] = fileRow{file: f, modified: stampOf(f.ModTime)}
	}
	altered := false
	err := l.change(ctx, func(tx *sql.Tx) error {
		r, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		if r.offload.Status == OffloadVoid {
			return fmt.Errorf("%w: the offload is void", ErrRefused)
		}
		var written int64
		if altered, written, err = putFiles(ctx, tx, r.offload.Seq, rows); err != nil {
			return err
		}
		if written > 0 && r.offload.Status != OffloadOpen {
			return fmt.Errorf("%w: the offload is %s, and this is not what it holds", ErrRefused, r.offload.Status)
		}
		if err := addSheets(ctx, tx, l.size); err != nil {
			return err
		}
		return demote(ctx, tx, r.offload)
	})
	if err == nil && altered {
		err = l.moveLog(ctx)
	}
	if err != nil {
		return fmt.Errorf("record files of offload %s: %w", offloadID, err)
	}
	return nil
}

// putFiles reports whether a file that was there already got other facts, and
// how many rows it wrote. The trigger files_other_facts has taken proofs back.
func putFiles(ctx context.Context, tx *sql.Tx, seq int64, rows []fileRow) (altered bool, written int64, err error) {
	var last, added int64
	if err := tx.QueryRowContext(ctx, "SELECT coalesce(max(file_no), 0) FROM files").Scan(&last); err != nil {
		return false, 0, err
	}
	put, err := tx.PrepareContext(ctx, `INSERT INTO files (`+fileColumns+`) VALUES (NULL,?,?,?,?,?,?,?,?)
		ON CONFLICT (offload_seq, path) DO UPDATE SET size_bytes = excluded.size_bytes, modified = excluded.modified,
			algorithm = excluded.algorithm, checksum = excluded.checksum, sample = excluded.sample, seal = excluded.seal
		WHERE seal <> excluded.seal`)
	if err != nil {
		return false, 0, err
	}
	defer put.Close()
	for i := range rows {
		r := &rows[i]
		r.seq = seq
		f := &r.file
		result, err := put.ExecContext(ctx, seq, f.Path, f.SizeBytes, r.modified, f.Algorithm, f.Checksum, f.Sample, r.computeSeal())
		if err != nil {
			return false, 0, fmt.Errorf("%s: %w", f.Path, err)
		}
		affected, err := result.RowsAffected()
		if err != nil {
			return false, 0, err
		}
		written += affected
	}
	err = tx.QueryRowContext(ctx, "SELECT count(*) FROM files WHERE file_no > ?", last).Scan(&added)
	return written > added, written, err
}

// Files returns the recorded files of an offload, by path (byte order).
func (l *Ledger) Files(ctx context.Context, offloadID string) ([]File, error) {
	var files []File
	err := l.view(ctx, func(tx *sql.Tx) error {
		offload, err := offloadByID(ctx, tx, offloadID)
		if err != nil {
			return err
		}
		rows, err := filesOf(ctx, tx, offload.offload.Seq)
		if err != nil {
			return err
		}
		files = make([]File, len(rows))
		for i, r := range rows {
			files[i] = r.file
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list files of offload %s: %w", offloadID, err)
	}
	return files, nil
}

func filesOf(ctx context.Context, q queryer, seq int64) ([]fileRow, error) {
	rows, err := queryAll(ctx, q, func(rows *sql.Rows) (fileRow, error) { return scanFile(rows) },
		"SELECT "+fileColumns+" FROM files WHERE offload_seq = ? ORDER BY path", seq)
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		if r.seq != seq {
			return nil, broken("files", r.file.Path)
		}
	}
	return rows, nil
}

package ledger

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"github.com/klauspost/compress/zstd"
)

// Snapshot writes a consistent copy of the whole ledger to w, compressed with
// zstd (RFC 8878). Decompressed it is a database like any other. Writers are not
// held up. It needs room for one uncompressed copy beside the ledger while it
// runs. When it returns an error, what w has received is worthless.
//
// A snapshot knows nothing of the offloads that came after it. A box that goes on
// from one would give out the same sequence numbers a second time.
func (l *Ledger) Snapshot(ctx context.Context, w io.Writer) error {
	if err := l.snapshot(ctx, w); err != nil {
		return fmt.Errorf("copy ledger %s: %w", l.path, err)
	}
	return nil
}

func (l *Ledger) snapshot(ctx context.Context, w io.Writer) (err error) {
	folder, err := os.MkdirTemp(filepath.Dir(l.path), filepath.Base(l.path)+snapshotMark+"*")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, os.RemoveAll(folder)) }()
	passing := filepath.Join(folder, "ledger.db")
	// A connection of its own: the readers' may not write, not even elsewhere,
	// and others wait for the writer's.
	db, err := dial(l.path, "rw", 1)
	if err != nil {
		return err
	}
	_, err = db.ExecContext(ctx, "VACUUM INTO ?", passing)
	if err := errors.Join(classify(err), db.Close()); err != nil {
		return err
	}
	return compress(ctx, passing, w)
}

func compress(ctx context.Context, path string, w io.Writer) (err error) {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, file.Close()) }()
	out, err := zstd.NewWriter(w, zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(true))
	if err != nil {
		return err
	}
	if _, err := io.Copy(out, &ctxReader{ctx: ctx, from: file}); err != nil {
		return errors.Join(err, out.Close())
	}
	return out.Close()
}

// ctxReader ends a long copy when its context does.
type ctxReader struct {
	ctx  context.Context
	from io.Reader
}

func (r *ctxReader) Read(p []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.from.Read(p)
}

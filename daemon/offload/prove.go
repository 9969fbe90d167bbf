package offload

import (
	"context"
	"errors"
	"fmt"
	"io"

	"bothy/daemon/checksum"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// proveFiles reads back what the writer has flushed, as it comes, or after the
// last write where seeking would hurt.
func (t *target) proveFiles(ctx context.Context, writerDone <-chan struct{}) {
	buf := t.run.proofBuffer()
	if t.drive.ReadBackAfter {
		select {
		case <-writerDone:
		case <-t.gone:
		}
	}
	for r := range t.toProve {
		select {
		case <-r.done:
		case <-t.gone:
		}
		// A stop must not wait for hours of proving; the files are proven when
		// the offload goes on.
		if t.isSetAside() || ctx.Err() != nil || r.err != nil {
			continue
		}
		t.proveFile(ctx, r.file, buf)
	}
}

// proveFile reads one file back and reports it to the books when it agrees.
func (t *target) proveFile(ctx context.Context, f *file, buf []byte) {
	want, ok := f.checksums(t.run.job.Checksum)
	if !ok {
		return // a second reading of the card differed
	}
	if t.phaseIs(state.CopyCopying) {
		t.setPhase(state.CopyProving)
	}
	var err error
	if t.run.job.Verify == VerifySize {
		err = t.call(func() error { return t.checkSize(f) })
	} else {
		err = t.compare(ctx, f, want, buf)
	}
	if err == nil {
		t.run.books.readBack(t, f)
		return
	}
	if errors.Is(err, errStopped) {
		return
	}
	if errors.Is(err, ErrMismatch) {
		t.run.mismatches.Add(1)
	}
	if !t.hung() {
		t.call(func() error { return t.drive.FS.Remove(t.at(f.Path)) })
	}
	t.fault(f, fmt.Errorf("read back %q: %w", t.at(f.Path), err), false)
}

func (t *target) phaseIs(p state.CopyPhase) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return t.phase == p
}

// errStopped: ctx ended while a drive was being proven. It is no fault.
var errStopped = errors.New("stopped")

// compare reads a whole file from the medium. The bytes also go to others.
func (t *target) compare(ctx context.Context, f *file, want Checksums, buf []byte, others ...checksum.Hash) error {
	var src Source
	err := t.call(func() (err error) {
		src, err = t.drive.FS.OpenMedium(t.at(f.Path))
		return err
	})
	if err != nil {
		return err
	}
	defer src.Close()
	if src.Size() != f.SizeBytes {
		return fmt.Errorf("%w: %d bytes instead of %d", ErrMismatch, src.Size(), f.SizeBytes)
	}
	sum := mustHash(t.run.job.Checksum)
	for at := int64(0); at < f.SizeBytes; {
		var n int
		err := t.call(func() (err error) {
			n, err = src.ReadAt(buf, at)
			return err
		})
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if n == 0 {
			return fmt.Errorf("%w: it ends after %d of %d bytes", ErrMismatch, at, f.SizeBytes)
		}
		sum.Write(buf[:n])
		for _, h := range others {
			h.Write(buf[:n])
		}
		t.readBack.Add(int64(n))
		at += int64(n)
		if t.isSetAside() {
			return t.reason()
		}
		if ctx.Err() != nil {
			return errStopped
		}
	}
	if got := sum.Sum(); got != want.Sum {
		return fmt.Errorf("%w: %s %s instead of %s", ErrMismatch, t.run.job.Checksum, got, want.Sum)
	}
	return nil
}

func (t *target) checkSize(f *file) error {
	item, err := t.drive.FS.Lstat(t.at(f.Path))
	if err != nil {
		return err
	}
	if item.SizeBytes != f.SizeBytes {
		return fmt.Errorf("%w: %d bytes instead of %d", ErrMismatch, item.SizeBytes, f.SizeBytes)
	}
	return nil
}

// secondLook samples every file after the last write of all. A medium that
// lies about its capacity gave each file back rightly when it was read, and
// has since written another one over it.
func (t *target) secondLook(ctx context.Context) error {
	block := volume.AlignedBuffer(checksum.SampleBlockBytes)
	for _, f := range t.run.files {
		if t.standing[f.index] != proven {
			continue
		}
		if ctx.Err() != nil {
			return errStopped
		}
		want, ok := f.checksums(t.run.job.Checksum)
		if !ok {
			return fmt.Errorf("second look at %q: its checksum is gone", f.Path)
		}
		err := t.call(func() error {
			src, err := t.drive.FS.OpenMedium(t.at(f.Path))
			if err != nil {
				return err
			}
			defer src.Close()
			if src.Size() != f.SizeBytes {
				return ErrMismatch
			}
			got, err := checksum.SampleReaderAt(src, f.SizeBytes, block)
			if err == nil && got != want.Sample {
				err = ErrMismatch
			}
			return err
		})
		if errors.Is(err, ErrMismatch) {
			t.run.mismatches.Add(1)
			return fmt.Errorf("second look at %q: %w, though it agreed at first: the drive may be smaller than it says", t.at(f.Path), ErrMismatch)
		}
		if err != nil {
			return fmt.Errorf("second look at %q: %w", t.at(f.Path), err)
		}
		if t.isSetAside() {
			return t.reason()
		}
	}
	return nil
}

package offload

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"

	"bothy/daemon/checksum"
	"bothy/daemon/volume"
)

// secondLooks is how many files are looked at side by side on a solid state
// drive; seeking would hurt on others.
const secondLooks = 8

// secondLook samples every file after the last write of all. A medium that
// lies about its capacity gave each file back rightly when it was read, and
// has since written another one over it.
func (t *target) secondLook(ctx context.Context) error {
	lookers := secondLooks
	if t.drive.ReadBackAfter {
		lookers = 1
	}
	var next atomic.Int64
	var first error
	var once sync.Once
	var all sync.WaitGroup
	failed := make(chan struct{})
	files := t.run.all()
	for range min(lookers, len(files)) {
		all.Go(func() {
			if err := t.lookAtFiles(ctx, files, &next, failed); err != nil {
				once.Do(func() { first = err; close(failed) })
			}
		})
	}
	all.Wait()
	return first
}

// lookAtFiles looks at one file after the other that nobody else has taken.
func (t *target) lookAtFiles(ctx context.Context, files []*file, next *atomic.Int64, failed <-chan struct{}) error {
	block := volume.AlignedBuffer(checksum.SampleBlockBytes)
	for {
		i := int(next.Add(1)) - 1
		if i >= len(files) {
			return nil
		}
		select {
		case <-failed:
			return nil
		case <-ctx.Done():
			return errStopped
		case <-t.gone:
			return t.reason()
		default:
		}
		if err := t.run.giveWay(ctx); err != nil {
			return err
		}
		if f := files[i]; t.stands(f) == proven {
			if err := t.lookAgain(f, block); err != nil {
				return err
			}
		}
	}
}

func (t *target) lookAgain(f *file, block []byte) error {
	want, ok := f.checksums()
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
	return nil
}

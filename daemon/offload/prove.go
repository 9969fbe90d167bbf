package offload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"

	"bothy/daemon/checksum"
)

// proveFiles reads back what the writer has flushed, as it comes, or after the
// last write where seeking would hurt.
func (s *stint) proveFiles(ctx context.Context) {
	t := s.target
	p := newProver(t)
	if t.drive.ReadBackAfter {
		select {
		case <-s.written:
		case <-t.gone:
		}
	}
	for l := range s.toProve {
		// A stop must not wait for hours of proving; the files are proven when
		// the offload goes on.
		if t.isSetAside() || ctx.Err() != nil {
			continue
		}
		s.prove(ctx, l, p)
	}
}

// prove reads one file back and reports it to the books when it agrees.
func (s *stint) prove(ctx context.Context, l *landing, p *prover) {
	t, f := s.target, l.reading.file
	var err error
	if t.run.job.Verify == VerifySize {
		err = t.call(func() error { return t.checkSize(f) })
	} else {
		err = p.readBack(ctx, f, func(at int64) (int64, error) {
			if err := s.afterWriting(ctx); err != nil {
				return 0, err
			}
			if err := t.run.giveWay(ctx); err != nil {
				return 0, err
			}
			return l.await(at, t.gone, ctx.Done())
		})
	}
	if err == nil {
		err = p.agrees(ctx, l.reading)
	}
	switch {
	case err == nil:
		t.run.books.readBack(t, f)
		return
	case errors.Is(err, errStopped), errors.Is(err, errLost):
		return
	}
	t.run.countReadBack(err)
	if l.spoil() {
		t.putAside(t.at(f.Path)) // else the writer does
	}
	t.fault(f, fmt.Errorf("read back %q: %w", t.at(f.Path), err), false)
}

// countReadBack counts a file that a drive did not give back as it was.
func (r *run) countReadBack(err error) {
	if errors.Is(err, ErrMismatch) {
		r.mismatches.Add(1)
	} else {
		r.readBackErrors.Add(1)
	}
}

// prover reads files of one drive back, one after the other.
type prover struct {
	target *target
	buf    []byte
	sum    checksum.Hash
	others []checksum.Hash // also given the bytes
}

func newProver(t *target) *prover {
	return &prover{target: t, buf: t.run.proofBuffer(), sum: mustHash(t.run.job.Checksum)}
}

// readBack reads a file from the medium. limit says how far that may go by now,
// and waits when it is asked about more than there is.
func (p *prover) readBack(ctx context.Context, f *file, limit func(at int64) (int64, error)) error {
	p.sum.Reset()
	for _, h := range p.others {
		h.Reset()
	}
	upTo, err := limit(0)
	if err != nil {
		return err
	}
	src, growing, err := p.open(f, upTo, limit)
	if err != nil {
		return err
	}
	defer src.Close()
	if !growing && src.Size() != f.SizeBytes {
		return fmt.Errorf("%w: %d bytes instead of %d", ErrMismatch, src.Size(), f.SizeBytes)
	}
	for at := int64(0); at < f.SizeBytes; {
		if upTo, err = limit(at); err != nil {
			return err
		}
		n, err := p.portion(src, f, at, upTo)
		if err != nil {
			return err
		}
		at += int64(n)
		if p.target.isSetAside() || ctx.Err() != nil {
			return errStopped
		}
	}
	if !growing {
		return nil
	}
	return p.target.call(func() error { return p.target.checkSize(f) })
}

// open opens a file that may still be growing. Where reading such a file from
// the medium cannot be assured, it waits for the file's end.
func (p *prover) open(f *file, upTo int64, limit func(int64) (int64, error)) (src Source, growing bool, err error) {
	t := p.target
	name := t.at(f.Path)
	if upTo < f.SizeBytes {
		err = t.call(func() (err error) {
			src, err = t.drive.FS.OpenGrowing(name)
			return err
		})
		if err == nil {
			return src, true, nil
		}
		if _, err = limit(f.SizeBytes - 1); err != nil {
			return nil, false, err
		}
	}
	err = t.call(func() (err error) {
		src, err = t.drive.FS.OpenMedium(name)
		return err
	})
	return src, false, err
}

// portion reads and sums up one portion of a file.
func (p *prover) portion(src Source, f *file, at, upTo int64) (n int, err error) {
	want := p.buf
	if rest := upTo - at; upTo < f.SizeBytes && rest < int64(len(want)) {
		want = want[:rest] // what was flushed is a multiple of the alignment
	}
	err = p.target.call(func() (err error) {
		n, err = src.ReadAt(want, at)
		return err
	})
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	if n == 0 {
		return 0, fmt.Errorf("%w: it ends after %d of %d bytes", ErrMismatch, at, f.SizeBytes)
	}
	p.sum.Write(want[:n])
	for _, h := range p.others {
		h.Write(want[:n])
	}
	p.target.readBack.Add(int64(n))
	return n, nil
}

// agrees holds what was read back against what was read from the card.
func (p *prover) agrees(ctx context.Context, r *reading) error {
	if err := waitFor(r.done, p.target.gone, ctx.Done()); err != nil {
		return err
	}
	if r.err != nil {
		return errLost // it has to be read again; whoever read it has said why
	}
	want, ok := r.file.checksums()
	if !ok {
		return errStopped // a second reading of the card differed
	}
	if p.target.run.job.Verify == VerifySize {
		return nil
	}
	return p.same(want)
}

func (p *prover) same(want Checksums) error {
	if got := p.sum.Sum(); got != want.Sum {
		return fmt.Errorf("%w: %s %s instead of %s", ErrMismatch, p.target.run.job.Checksum, got, want.Sum)
	}
	return nil
}

// checkSize looks at a file's length.
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

// proveHeld reads back what an earlier run proved. The bytes are those of the
// card when they agree, so what the card's own manifests have to be compared
// with is taken from them.
func (t *target) proveHeld(ctx context.Context) {
	p := newProver(t)
	all := func(int64) (int64, error) { return 1<<63 - 1, t.run.giveWay(ctx) }
	for _, f := range t.run.files {
		held, ok := t.drive.Held[f.Path]
		if !ok || t.isSetAside() || ctx.Err() != nil {
			continue
		}
		if want, ok := f.checksums(); !ok || want != held {
			continue
		}
		var others []int // of the run's algorithms
		p.others = nil
		for i, algorithm := range t.run.algorithms[1:] {
			if _, ok := t.run.job.Earlier[f.Path][algorithm]; ok {
				others, p.others = append(others, i+1), append(p.others, mustHash(algorithm))
			}
		}
		err := p.readBack(ctx, f, all)
		if err == nil {
			err = p.same(held)
		}
		if err != nil {
			// It is copied again, to another place.
			if !errors.Is(err, errStopped) && !errors.Is(err, fs.ErrNotExist) && !t.isSetAside() {
				t.run.countReadBack(err)
				t.putAside(t.at(f.Path))
			}
			continue
		}
		for i, h := range p.others {
			f.addSum(others[i], h.Sum())
		}
		t.isProven(f) // the recorder knows it already
	}
}

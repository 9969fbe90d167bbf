package offload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"time"
)

// errReadDiffers: the card gave other bytes than on an earlier reading.
var errReadDiffers = errors.New("the card gave other bytes than when it was first read")

// settleEvery is after how many small files the card itself is asked whether
// it is still the same; after a file of singleFlush or more it is always asked.
const settleEvery = 32

// errCopyDiffers: a proven copy gives other bytes than the card did.
var errCopyDiffers = errors.New("the copy that was read from differs from the card")

// errYielded: reading was given up so that other work goes first.
var errYielded = errors.New("other work goes first")

// cardReader reads files of the card in order and gives them to everybody who
// needs them.
type cardReader struct {
	reader
	provisional []*reading // read since the card last confirmed itself
	waits       int        // for a device to disappear after an error
	broken      []*file    // whose reading failed
	takers      func(*file) []consumer
}

// read brings one file to the consumers. The error is about the card as a
// whole; a file that cannot be read is noted as such and is none.
func (c *cardReader) read(ctx context.Context, f *file, takers []consumer) error {
	if err := c.check(); err != nil {
		return err
	}
	src, err := c.open(f)
	if err != nil {
		return c.judge(ctx, f, err)
	}
	defer src.Close()
	r := newReading(f, len(c.hashes), false)
	if err := c.give(ctx, src, r, takers); err != nil {
		c.broken = append(c.broken, f)
		return c.judge(ctx, f, err)
	}
	if err := c.check(); err != nil {
		return err
	}
	c.provisional = append(c.provisional, r)
	if c.run.job.flushedAlone(f.SizeBytes) || len(c.provisional) >= settleEvery {
		return c.settle()
	}
	return nil
}

// open opens a file that is still as long as it was when it was listed.
func (c *cardReader) open(f *file) (Source, error) {
	src, err := c.run.job.Card.FS.Open(f.Path)
	if err != nil {
		return nil, fmt.Errorf("open: %w", err)
	}
	if src.Size() != f.SizeBytes {
		src.Close()
		return nil, fmt.Errorf("it has %d bytes now and had %d when it was listed", src.Size(), f.SizeBytes)
	}
	return src, nil
}

// reader streams files to the checksums and to whoever takes them.
type reader struct {
	run    *run
	hashes []*hashing
	all    []consumer                  // reused
	counts bool                        // what is read is the card's
	before func(context.Context) error // asked before each portion; nil: nobody is
}

// begin starts the checksums; end ends them and waits.
func (c *reader) begin() (end func()) {
	var hashes sync.WaitGroup
	for i, algorithm := range c.run.algorithms {
		h := newHashing(algorithm, i)
		c.hashes = append(c.hashes, h)
		hashes.Go(h.run)
	}
	return func() {
		for _, h := range c.hashes {
			h.close()
		}
		hashes.Wait()
		c.run.ring.unshare()
	}
}

// give streams one file. The error is about the source; everybody has thrown
// away what they have of the file then.
func (c *reader) give(ctx context.Context, src Source, r *reading, takers []consumer) error {
	all := c.all[:0]
	for _, h := range c.hashes {
		all = append(all, h)
	}
	all = append(all, takers...)
	c.all = all
	all = tell(all, message{what: fileBegins, reading: r})
	all, err := c.stream(ctx, src, r, all)
	if err != nil {
		tell(all, message{what: fileAborted, reading: r})
		r.giveUp(err)
		return err
	}
	tell(all, message{what: fileEnds, reading: r})
	return nil
}

// tell gives a message to all, and returns those who still listen.
func tell(all []consumer, m message) []consumer {
	listening := all[:0]
	for _, to := range all {
		if to.give(m) {
			listening = append(listening, to)
		}
	}
	return listening
}

func (c *reader) stream(ctx context.Context, src Source, r *reading, all []consumer) ([]consumer, error) {
	size := r.file.SizeBytes
	for at := int64(0); at < size; {
		if ctx.Err() != nil { // with buffers to spare nobody else would ask
			return all, context.Cause(ctx)
		}
		if err := c.yield(ctx); err != nil {
			return all, err
		}
		ch, err := c.run.nextChunk(ctx, size-at)
		if err != nil {
			return all, err
		}
		n, err := src.ReadAt(ch.buf, at)
		if n > int(size-at) {
			n = int(size - at) // it grew: what was listed counts
		}
		if err != nil && !(errors.Is(err, io.EOF) && at+int64(n) == size) {
			if errors.Is(err, ErrDriveHung) {
				c.run.ring.replace() // the one that is stuck has the buffer
				return all, err
			}
			ch.release()
			if errors.Is(err, io.EOF) {
				err = fmt.Errorf("it ends after %d of %d bytes", at+int64(n), size)
			}
			return all, fmt.Errorf("read at byte %d: %w", at, err)
		}
		if n == 0 {
			ch.release()
			return all, fmt.Errorf("read at byte %d: it ends after %d of %d bytes", at, at, size)
		}
		ch.n = n
		at += int64(n)
		if c.counts {
			c.run.bytesRead.Add(int64(n))
		}
		all = share(all, r, ch)
	}
	return all, nil
}

// yield lets other work go first.
func (c *reader) yield(ctx context.Context) error {
	if c.before == nil {
		return nil
	}
	if err := c.before(ctx); err != nil {
		return fmt.Errorf("%w: %w", errYielded, err)
	}
	return nil
}

func share(all []consumer, r *reading, ch *chunk) []consumer {
	listening := all[:0]
	for _, to := range all {
		ch.refs.Add(1)
		if to.give(message{what: fileData, reading: r, chunk: ch}) {
			listening = append(listening, to)
		} else {
			ch.release()
		}
	}
	ch.release()
	return listening
}

func (c *cardReader) check() error {
	if m := c.run.job.Card.Medium; m != nil {
		return m.Check()
	}
	return nil
}

// settle asks the card whether it is still the one that was plugged in. Only
// then do the files read since the last time count.
func (c *cardReader) settle() error {
	if len(c.provisional) == 0 {
		return nil
	}
	if err := c.confirm(); err != nil {
		return err
	}
	c.run.books.settle(c.provisional)
	c.provisional = nil
	return nil
}

// confirm asks the card itself.
func (c *cardReader) confirm() error {
	if m := c.run.job.Card.Medium; m != nil {
		return m.Confirm()
	}
	return nil
}

// maxWaits bounds how often an error is given time to turn out a pulled card.
const maxWaits = 5

// judge tells a card that went away from a file that cannot be read.
func (c *cardReader) judge(ctx context.Context, f *file, err error) error {
	if gone := c.cardGone(ctx); gone != nil {
		return gone
	}
	c.run.unreadable(f, err)
	return nil
}

// cardGone is asked after an error. It gives the card time to turn out pulled,
// the first few times.
func (c *cardReader) cardGone(ctx context.Context) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if gone := c.confirm(); gone != nil || c.waits >= maxWaits {
		return gone
	}
	c.waits++
	return c.confirmLater(ctx)
}

// confirmLater is confirm after an error that may have come before the news that
// the card was pulled.
func (c *cardReader) confirmLater(ctx context.Context) error {
	if c.run.job.Card.Medium == nil {
		return nil
	}
	select {
	case <-time.After(c.run.job.settle()):
		return c.confirm()
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

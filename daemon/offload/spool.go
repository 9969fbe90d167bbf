package offload

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"syscall"

	"bothy/daemon/checksum"
	"bothy/daemon/state"
)

// spool is what was salvaged of one file, on one of the drives: the pieces come
// out of order, each is read from the card once, and none is given up again.
// When all are there it is read from its beginning in place of the card's file.
// It is no copy, and a checksum of each piece says whether the drive gives back
// what the card gave.
type spool struct {
	target *target
	name   string
	size   int64
	sink   Patchwork
	err    error // of the drive; the first

	pieces   []piece // in order once it is sealed
	sum      checksum.Hash
	now      piece // being added to
	unsynced int64
}

// piece is a part of a file that was written in one go, with its checksum.
type piece struct {
	state.ByteRange
	sum string
}

// A piece grows to pieceBytes where its neighbours follow in order. So many
// bytes are written between two flushes, which bounds what waits in memory.
const (
	pieceBytes = 8 << 20
	spoolFlush = 32 << 20
)

// errSpool: the drive that holds what is salvaged fails.
var errSpool = errors.New("the drive did not keep what was salvaged")

func (t *target) newSpool(size int64) (*spool, error) {
	s := &spool{target: t, size: size, sum: mustHash(checksum.XXH128)}
	err := s.call(func() (err error) {
		if s.name, err = t.asidePlace(); err != nil {
			return err
		}
		s.sink, err = t.drive.FS.CreatePatchwork(s.name)
		return err
	})
	if err != nil {
		return nil, err
	}
	return s, nil
}

func (s *spool) call(op func() error) error {
	if s.err != nil {
		return s.err
	}
	if err := s.target.patiently(op, func() {
		if s.sink != nil {
			s.sink.Close()
		}
	}); err != nil {
		s.err = fmt.Errorf("%w: %w", errSpool, err)
	}
	return s.err
}

// keep writes a piece. When it fails because the drive hangs, somebody still
// has p.
func (s *spool) keep(p []byte, at int64) error {
	err := s.call(func() error {
		_, err := s.sink.WriteAt(p, at)
		return err
	})
	if err != nil {
		return err
	}
	if at != s.now.To || s.now.Bytes() >= pieceBytes {
		s.endPiece()
		s.now.ByteRange = state.ByteRange{From: at, To: at}
	}
	s.sum.Write(p)
	s.now.To += int64(len(p))
	if s.unsynced += int64(len(p)); s.unsynced < spoolFlush {
		return nil
	}
	s.unsynced = 0
	return s.call(s.sink.Sync)
}

func (s *spool) endPiece() {
	if s.now.Bytes() > 0 {
		s.now.sum = s.sum.Sum()
		s.pieces = append(s.pieces, s.now)
		s.now = piece{}
	}
	s.sum.Reset()
}

// seal ends the writing.
func (s *spool) seal() error {
	s.endPiece()
	slices.SortFunc(s.pieces, func(a, b piece) int { return cmp.Compare(a.From, b.From) })
	sink := s.sink
	s.sink = nil // closed it is, also when it wakes up late
	return s.call(func() error { return errors.Join(sink.Truncate(s.size), sink.Sync(), sink.Close()) })
}

// giveUp closes a spool that was not sealed. The file stays where it is put
// aside, since it may lie on a bad place, unless it took up too much.
func (s *spool) giveUp() {
	if errors.Is(s.err, ErrDriveHung) {
		return
	}
	if sink := s.sink; sink != nil {
		s.sink = nil
		s.target.patiently(sink.Close, func() {})
	}
	if isFull(s.err) {
		s.target.patiently(func() error { return s.target.drive.FS.Remove(s.name) }, func() {})
	}
}

func isFull(err error) bool { return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) }

// open opens a sealed spool for reading from its beginning, with zeros for what
// is missing.
func (s *spool) open(missing []state.ByteRange) (Source, error) {
	c, err := s.target.openPatiently(func() (Source, error) { return s.target.drive.FS.Open(s.name) })
	if err != nil {
		return nil, fmt.Errorf("%w: %w", errSpool, err)
	}
	if c.Size() != s.size {
		c.Close()
		return nil, fmt.Errorf("%w: it has %d bytes and not %d", errSpool, c.Size(), s.size)
	}
	s.sum.Reset()
	return &spoolSource{Source: c, spool: s, pieces: s.pieces, missing: missing}, nil
}

// spoolSource can be read in order only.
type spoolSource struct {
	Source
	spool   *spool
	at      int64
	pieces  []piece           // still to come
	missing []state.ByteRange // likewise
}

// ReadAt gives the next bytes. A piece that is not what it was is an error when
// its end is reached.
func (s *spoolSource) ReadAt(p []byte, off int64) (int, error) {
	n, err := s.Source.ReadAt(p, off)
	n = int(min(int64(n), s.spool.size-off))
	if off != s.at {
		err = errors.New("it is not read in order")
	}
	if errors.Is(err, io.EOF) && off+int64(n) < s.spool.size {
		err = errors.New("it ends early")
	}
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, fmt.Errorf("%w: %w", errSpool, err)
	}
	for rest := p[:n]; len(rest) > 0; {
		taken, err := s.take(rest)
		if err != nil {
			return 0, fmt.Errorf("%w: %w", errSpool, err)
		}
		rest = rest[taken:]
		s.at += int64(taken)
	}
	return n, nil
}

// take deals with the next bytes: they are missing, or belong to a piece.
func (s *spoolSource) take(p []byte) (int, error) {
	if len(s.missing) > 0 && s.missing[0].From <= s.at {
		n := min(int64(len(p)), s.missing[0].To-s.at)
		clear(p[:n])
		if s.at+n == s.missing[0].To {
			s.missing = s.missing[1:]
		}
		return int(n), nil
	}
	if len(s.pieces) == 0 || s.pieces[0].From > s.at {
		return 0, fmt.Errorf("nobody knows of byte %d", s.at)
	}
	now := s.pieces[0]
	n := min(int64(len(p)), now.To-s.at)
	s.spool.sum.Write(p[:n])
	if s.at+n < now.To {
		return int(n), nil
	}
	if got := s.spool.sum.Sum(); got != now.sum {
		return 0, fmt.Errorf("bytes %v are not what they were", now.ByteRange)
	}
	s.spool.sum.Reset()
	s.pieces = s.pieces[1:]
	return int(n), nil
}

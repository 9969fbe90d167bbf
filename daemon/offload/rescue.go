package offload

import (
	"context"
	"errors"
	"fmt"
	"time"

	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// How a damaged file is read. The first way through it takes what comes easily,
// since a medium that dies may not give it later: where a portion fails, it goes
// on a little farther, and twice as far each time it fails again. Then it comes
// back over what it passed by, with ever smaller reads: a read that fails says
// only that something of it cannot be read.
const (
	rescuePortion  = 256 << 10
	rescueSkip     = 64 << 10
	rescueSkipMost = 16 << 20
	rescuePiece    = 64 << 10
	rescueBlock    = volume.Alignment
	rescueSector   = volume.SectorBytes
)

// What one card may cost. A bad sector takes a reader up to the kernel's limit
// for one command, which is 30 s; after half an hour of that the reader is
// wanted for the next card, and this one should see somebody who opens cards.
// Only reads that fail and what is read when coming back count: the first way
// through is as long as the files are. Media that fail at once are bounded by
// the number of failures.
const (
	SalvageTime  = 30 * time.Minute
	SalvageReads = 1 << 16
)

// allowance is what is left of it. No file takes more than half of the rest for
// coming back, so that there is some for the first way through the next one.
type allowance struct {
	time  time.Duration
	reads int // that fail
}

func newAllowance() *allowance { return &allowance{SalvageTime, SalvageReads} }

func (a allowance) half() allowance { return allowance{a.time / 2, a.reads / 2} }

func (a *allowance) spend(took time.Duration, failed bool) {
	a.time -= took
	if failed {
		a.reads--
	}
}

func (a *allowance) atMost(floor allowance) bool {
	return a.time <= floor.time || a.reads <= floor.reads
}

// rescue reads one damaged file.
type rescue struct {
	src    Source
	size   int64
	left   *allowance
	keep   func(p []byte, at int64) error // takes what was read
	failed func(error) error              // is told of each read that failed; its error ends all
	buf    []byte

	missing []state.ByteRange // in order
	whole   bool              // all came on the first way through, and nothing failed
	coarse  bool              // it gives no single sectors
}

// run reads what can be read. The error is not about the file.
func (s *rescue) run(ctx context.Context) error {
	s.buf = volume.AlignedBuffer(rescuePortion)
	if err := s.forward(ctx); err != nil {
		return err
	}
	s.whole = len(s.missing) == 0
	floor := s.left.half()
	units := []int64{rescuePiece, rescueBlock, rescueBlock}
	if _, ok := s.src.(SectorSource); ok {
		units = []int64{rescuePiece, rescueBlock, rescueSector, rescueSector}
	}
	for _, unit := range units {
		if err := s.comeBack(ctx, unit, floor); err != nil {
			return err
		}
	}
	return nil
}

func (s *rescue) forward(ctx context.Context) error {
	skip := int64(rescueSkip)
	for at := int64(0); at < s.size; {
		if s.left.atMost(allowance{}) {
			s.miss(at, s.size)
			return nil
		}
		to := min(at+rescuePortion, s.size)
		got, took, err := s.attempt(ctx, at, to, false)
		if err != nil {
			return err
		}
		if at = got; got == to {
			skip = rescueSkip
			continue
		}
		s.left.spend(took, true)
		at = min((got+skip)/rescueBlock*rescueBlock, s.size)
		s.miss(got, at)
		skip = min(2*skip, rescueSkipMost)
	}
	return nil
}

// comeBack tries what is missing in parts of one unit, until the allowance is
// down to a floor.
func (s *rescue) comeBack(ctx context.Context, unit int64, floor allowance) error {
	todo := s.missing
	s.missing = nil
	for _, r := range todo {
		for at := r.From; at < r.To; {
			if s.left.atMost(floor) {
				s.miss(at, r.To)
				break
			}
			unit := unit
			if s.coarse {
				unit = max(unit, rescueBlock)
			}
			to := min((at/unit+1)*unit, r.To)
			got, took, err := s.attempt(ctx, at, to, unit < rescueBlock)
			if err != nil {
				return err
			}
			s.left.spend(took, got < to)
			s.miss(got, to)
			at = to
		}
	}
	return nil
}

// attempt reads the bytes from at up to to, keeps what came, and says up to
// where.
func (s *rescue) attempt(ctx context.Context, at, to int64, sector bool) (got int64, took time.Duration, err error) {
	if ctx.Err() != nil {
		return at, 0, context.Cause(ctx)
	}
	want := s.buf[:to-at]
	if to == s.size { // a direct read takes whole blocks, and ends where the file does
		want = s.buf[:min(int64(len(s.buf)), (to-at+rescueBlock-1)/rescueBlock*rescueBlock)]
	}
	begun := time.Now()
	var n int
	var readErr error
	if sector {
		n, readErr = s.src.(SectorSource).ReadSector(s.buf[:rescueSector], at)
	} else {
		n, readErr = s.src.ReadAt(want, at)
	}
	took = time.Since(begun)
	s.coarse = s.coarse || sector && errors.Is(readErr, volume.ErrCached)
	n = int(min(int64(n), to-at))
	if got = at + int64(n); got < to {
		got = got / rescueSector * rescueSector // what is a part of a sector is none
		got = max(got, at)
	}
	if got > at {
		if err := s.keep(s.buf[:got-at], at); err != nil {
			return got, took, err
		}
	}
	if got == to {
		return got, took, nil
	}
	if readErr == nil {
		readErr = fmt.Errorf("it gave %d of %d bytes", n, to-at)
	}
	return got, took, s.failed(fmt.Errorf("read at byte %d: %w", got, readErr))
}

// miss notes that bytes are missing, which may be none.
func (s *rescue) miss(from, to int64) {
	if from >= to {
		return
	}
	if n := len(s.missing); n > 0 && s.missing[n-1].To == from {
		s.missing[n-1].To = to
		return
	}
	s.missing = append(s.missing, state.ByteRange{From: from, To: to})
}

// bytesOf sums ranges up.
func bytesOf(ranges []state.ByteRange) (n int64) {
	for _, r := range ranges {
		n += r.Bytes()
	}
	return n
}

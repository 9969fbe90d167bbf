// Package pace says how far an offload is and how long it will still take.
//
// It is given looks at a running engine (how much was read from the card, and
// written to, read back from and proven on each drive) and answers with the
// part that is done, the card's speed, and the time left until the needed
// number of copies is proven, parted into copying and proving.
//
// It guarantees that the part done never falls while one offload runs, that it
// is 1 only when the needed copies are there, and that no answer is negative or
// not a number, whatever the looks say. A time left of 0 means "not known" as
// long as the part done is below 1. On a card and drives of steady speed the
// time left is right to 10 % once the first 10 % of the time are over; a stall
// makes it grow.
//
// It reads no clock (moments are passed in and should be monotonic), touches no
// device, decides nothing, and gives no promise about speeds that change.
package pace

import (
	"time"

	"bothy/daemon/state"
)

// Plan is what is known before the first byte.
type Plan struct {
	Files  []int64 // sizes in bytes, in the order in which the card is read
	Needed int     // proven copies that somebody waits for; else than 1 to len(Copies): all
	// NoProof: nothing is read back, a written copy is as good as it gets.
	NoProof bool
	// Twice: the card is read a second time, after the copies were read back.
	Twice    bool
	CardRate float64 // bytes per second that this card gave earlier; 0: not known
	Copies   []Copy
}

// Copy is one drive of a Plan.
type Copy struct {
	// ReadBackAfter: the proof begins after the last write. Otherwise files are
	// read back as they come.
	ReadBackAfter bool
	// FollowBytes: a file of more is read back in portions of that many bytes
	// while the rest of it is still being written. 0: files are read back whole.
	FollowBytes int64
	// Held says which files an earlier run proved there. They are read back
	// again before anything is copied, and count as done. nil: none.
	Held  func(file int) bool
	Rates Rates // of this drive earlier; zero: not known
}

// Rates are speeds of a drive in bytes per second; 0 is not known.
type Rates struct{ Write, ReadBack float64 }

// Look is one look at the running engine.
type Look struct {
	At        time.Duration // since any fixed moment, by a monotonic clock
	BytesRead int64         // of the card, all passes together
	Copies    []CopyLook    // in the order of Plan.Copies
}

// CopyLook is one copy in a Look.
type CopyLook struct {
	Phase         state.CopyPhase
	BytesWritten  int64 // with what was thrown away and written again
	BytesReadBack int64 // likewise, and with what an earlier run proved
	BytesProven   int64 // may fall
}

// Estimate is the answer to a Look.
type Estimate struct {
	Done           float64 // 0 to 1, never less than before; of the needed copies
	BytesPerSecond int64   // of the card; 0 while it is not read, or not known
	Left           Left    // until the needed copies are proven
	Copies         []CopyEstimate
}

// CopyEstimate is the answer for one copy.
type CopyEstimate struct {
	Done float64 // 0 to 1, never less than before
	Left Left
}

// Left is a time still to go, in whole seconds, at least one second each time
// that it is known; all are 0 when it is not known or there is nothing to do.
type Left struct {
	Total time.Duration // Copy and Proof together
	Copy  time.Duration // until everything is written
	// Proof is what goes on after that: reading back, the manifest, and the
	// last steps. Reading back that goes on beside the copying is not in it.
	Proof time.Duration
}

// Package report writes what was shot on a day: which cards came, where each
// clip stands, its checksum, when it was proven, and what was lost. It is for
// whoever was not there, an editor first of all: one HTML file that prints on A4
// and reads on a phone without script, and a CSV table for programs.
//
// It is pure: no clock, no device, no database; the same Day gives the same bytes.
// It guarantees that every name is shown so that it can act neither as markup nor
// as a formula nor turn the text around it, that "release" is written only of an
// offload whose verdict is exactly that, and that memory does not grow with the
// number of files, which are taken one at a time.
//
// It decides nothing and proves nothing: it repeats what the ledger says.
package report

import (
	"errors"
	"fmt"
	"iter"
	"time"

	"bothy/daemon/state"
)

// ErrNoDay: what was asked for names no day.
var ErrNoDay = errors.New("a day is YYYY-MM-DD, 'today' or 'yesterday'")

// NoDay is the error of what names no day.
func NoDay(day string) error { return fmt.Errorf("%w, not %q", ErrNoDay, day) }

// Day is what is told of one day. Strings may be hostile.
type Day struct {
	Date         string // YYYY-MM-DD, in Zone
	Zone         string // the name of the zone
	Location     *time.Location
	BoxName      string
	BoxID        string    // a-z, 0-9 and '-' only; it marks the files as this box's
	Made         time.Time // when the ledger was asked
	ClockTrusted bool      // at every offload, and at Made
	Note         string    // a sentence above all others; may be empty
	Offloads     []Offload // in order
	Conditions   []Condition
	// MoreConditions were raised or cleared before those listed.
	MoreConditions int
}

// Offload is one card's content at one insertion.
type Offload struct {
	ID        string
	CardLabel string
	CardKey   string // tells cards apart; not shown. Empty: a card of its own
	Folder    string
	Started   time.Time
	Verdict   string // "release"; whatever else counts as a hold
	Reason    string
	Void      bool   // another card got in between: nothing of it is believed
	Verify    string // the level of verification
	Planned   int    // files that it is to hold; 0 when not known
	RefersTo  []string
	LeftOut   []string // sentences
	Salvaged  []state.Salvage
	Copies    []Copy
	// Files gives the files in order, as often as it is asked; nil is none. An
	// error ends it, and the report with it.
	Files iter.Seq2[File, error]
}

// Copy is one offload on one drive.
type Copy struct {
	DriveID string
	Drive   string // its name
	Folder  string
	Status  string // one of the values below
	Reason  string
}

// Values of Copy.Status.
const (
	Open       = "open"
	Finishing  = "finishing"
	Proven     = "proven"
	Unproven   = "unproven"
	Incomplete = "incomplete"
	Failed     = "failed"
	Lost       = "lost"
	HandedOver = "handed-over"
)

// File is one file of an offload.
type File struct {
	Path      string
	SizeBytes int64
	ModTime   time.Time // zero when the card's claim is of no use
	Algorithm string
	Checksum  string
	// ProvenAt says for each of the offload's copies, in their order, when this
	// file was last read back there and was the same; zero for never.
	ProvenAt []time.Time
}

// provenAt is when the file was proven in copy i.
func (f *File) provenAt(i int) time.Time {
	if i < len(f.ProvenAt) {
		return f.ProvenAt[i]
	}
	return time.Time{}
}

// Condition is something that was the matter, or was over again.
type Condition struct {
	At       time.Time
	Raised   bool // false: it was over
	Severity string
	Sentence string
	Subject  string
	Detail   string
}

// totals of one offload, or of the day.
type totals struct {
	cards       int
	files       int
	bytes       int64
	first, last time.Time
	algorithm   string // of all files; empty when they have several
	mixed       bool
	proofs      []proofs // by copy
}

// proofs of one copy.
type proofs struct {
	files       int
	first, last time.Time
}

// sum goes through the files of an offload once.
func sum(o *Offload) (totals, error) {
	t := totals{proofs: make([]proofs, len(o.Copies))}
	if o.Files == nil {
		return t, nil
	}
	for f, err := range o.Files {
		if err != nil {
			return t, err
		}
		t.files++
		t.bytes += f.SizeBytes
		t.span(f.ModTime)
		if t.files == 1 {
			t.algorithm = f.Algorithm
		} else if f.Algorithm != t.algorithm {
			t.mixed = true
		}
		for i := range o.Copies {
			t.proofs[i].add(f.provenAt(i))
		}
	}
	return t, nil
}

func (p *proofs) add(at time.Time) {
	if at.IsZero() {
		return
	}
	p.files++
	p.first, p.last = earlier(p.first, at), later(p.last, at)
}

func (t *totals) span(at time.Time) { t.first, t.last = earlier(t.first, at), later(t.last, at) }

func earlier(a, b time.Time) time.Time {
	if a.IsZero() || !b.IsZero() && b.Before(a) {
		return b
	}
	return a
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// sumAll gives the totals of each offload, and those of the day. Of a void one
// nothing counts.
func (d *Day) sumAll() (all []totals, day totals, err error) {
	cards := map[string]bool{}
	for i := range d.Offloads {
		o := &d.Offloads[i]
		t, err := sum(o)
		if err != nil {
			return nil, day, err
		}
		all = append(all, t)
		if o.Void {
			continue
		}
		if o.CardKey == "" || !cards[o.CardKey] {
			day.cards++
		}
		cards[o.CardKey] = true
		day.files += t.files
		day.bytes += t.bytes
		day.first, day.last = earlier(day.first, t.first), later(day.last, t.last)
	}
	return all, day, nil
}

// released: the one reading of a verdict that is not a hold.
func (o *Offload) released() bool { return o.Verdict == string(state.Release) && !o.Void }

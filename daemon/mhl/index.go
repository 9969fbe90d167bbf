package mhl

import (
	"bytes"
	"errors"
	"slices"
	"time"

	"bothy/daemon/checksum"
)

// index has what generations say of the files of one history, in about 100
// bytes for a file besides its path: a history may know a million of them.
//
// The values of one file are a list from the newest to the oldest. What a
// manifest says is put behind the rest first (stage) and only counts when the
// whole manifest turned out to be sound (commit).
type index struct {
	newest  map[string]int32 // by path: the newest of values, or none
	values  []indexed
	digests []byte // in pieces of digestAlign
	stamps  []stamp
	stamped map[stamp]uint32

	staged       []staged
	stageValues  int // where the staged ones begin
	stageDigests int
	stageStamps  int
}

const (
	none        = -1
	digestAlign = 4 // every digest's length is a multiple
	noTime      = -1
	// maxValues is how many different ones a file may have. Each is compared
	// with all before, so that somebody could buy much time with a few bytes.
	maxValues = 1000
)

var errIndex = errors.New("it has more checksums than this program takes")

// indexed is one value of one file.
type indexed struct {
	sizeBytes     int64
	modSeconds    int64
	hashedSeconds int64
	modNanos      int32 // noTime: not recorded
	hashedNanos   int32
	stamp         uint32 // in stamps
	digest        uint32 // in digests, counted in digestAlign
	older         int32  // in values, or none
}

// stamp is what the values of many files have in common.
type stamp struct {
	algorithm  int8
	generation int16
	action     Action
}

// staged is a file of which a manifest said something.
type staged struct {
	path, previous string
	end            int32 // of its values; they begin where those before end
}

func newIndex() *index {
	return &index{newest: map[string]int32{}, stamped: map[stamp]uint32{}}
}

// begin makes ready to stage the files of one generation.
func (x *index) begin() {
	x.stageValues, x.stageDigests, x.stageStamps = len(x.values), len(x.digests), len(x.stamps)
	x.staged = nil
}

// stage notes what generation says of f. A file that failed gets no value: the
// ones it had say what it should be.
func (x *index) stage(generation int, f FileHash) error {
	if f.Action != Failed {
		// Backwards, so that reading from the newest gives the schema's order.
		for i := len(algorithms) - 1; i >= 0; i-- {
			value, ok := f.Others[algorithms[i]]
			if algorithms[i] == f.Algorithm {
				value, ok = f.Value, true
			}
			if !ok {
				continue
			}
			if err := x.stageValue(stamp{int8(i), int16(generation), f.Action}, value, f); err != nil {
				return err
			}
		}
	}
	x.staged = append(x.staged, staged{f.Path, f.PreviousPath, int32(len(x.values))})
	return nil
}

func (x *index) stageValue(s stamp, value string, f FileHash) (err error) {
	if len(x.values) == 1<<31-1 || len(x.digests)/digestAlign > 1<<32-64 {
		return errIndex
	}
	v := indexed{sizeBytes: f.SizeBytes, digest: uint32(len(x.digests) / digestAlign), older: none}
	v.modSeconds, v.modNanos = packTime(f.ModTime)
	v.hashedSeconds, v.hashedNanos = packTime(f.HashedAt)
	var known bool
	if v.stamp, known = x.stamped[s]; !known {
		v.stamp = uint32(len(x.stamps))
		x.stamps = append(x.stamps, s)
		x.stamped[s] = v.stamp
	}
	if x.digests, err = checksum.AppendDigest(x.digests, algorithms[s.algorithm], value); err != nil {
		return err
	}
	x.values = append(x.values, v)
	return nil
}

// packTime takes the place of a time.Time, which is twice as long.
func packTime(t time.Time) (seconds int64, nanos int32) {
	if t.IsZero() {
		return 0, noTime
	}
	return t.Unix(), int32(t.Nanosecond())
}

func unpackTime(seconds int64, nanos int32) time.Time {
	if nanos == noTime {
		return time.Time{}
	}
	return time.Unix(seconds, int64(nanos)).UTC()
}

// drop forgets what was staged.
func (x *index) drop() {
	for _, s := range x.stamps[x.stageStamps:] {
		delete(x.stamped, s)
	}
	x.stamps = x.stamps[:x.stageStamps]
	x.values, x.digests, x.staged = x.values[:x.stageValues], x.digests[:x.stageDigests], nil
}

// commit puts what was staged before what was known. A value that is said again
// takes the place of the older one, so that a folder that is proven every week
// doesn't grow. An error says that some values were too many; the others are
// known all the same.
func (x *index) commit() (err error) {
	from := int32(x.stageValues)
	values, digests := x.stageValues, x.stageDigests // the ends of what is kept
	for _, s := range x.staged {
		head, known := x.newest[s.path]
		if !known {
			head = none
		}
		if s.previous != "" && s.previous != s.path && !x.full(head) {
			head = x.moved(head, s.previous)
		}
		if x.full(head) {
			err = errIndex
			from = s.end
		}
		for ; from < s.end; from++ {
			v := x.values[from]
			at, rest := x.unlink(head, v)
			for again := at; again != none; { // twice only where a moved file's list was joined
				again, rest = x.unlink(rest, v)
			}
			if at == none {
				at = int32(values)
				size := len(x.digest(v))
				copy(x.digests[digests:], x.digest(v))
				v.digest = uint32(digests / digestAlign)
				values, digests = values+1, digests+size
			} else {
				v.digest = x.values[at].digest
			}
			v.older = rest
			x.values[at] = v
			head = at
		}
		x.newest[s.path] = head
	}
	x.values, x.digests, x.staged = x.values[:values], x.digests[:digests], nil
	return err
}

// full reports whether a list has more than maxValues.
func (x *index) full(head int32) bool {
	n := 0
	for ; head != none && n <= maxValues; head = x.values[head].older {
		n++
	}
	return n > maxValues
}

// moved takes over the list of a file that had another path: its values count
// as newer than those under head.
func (x *index) moved(head int32, previous string) int32 {
	first, ok := x.newest[previous]
	delete(x.newest, previous)
	if !ok || first == none {
		return head
	}
	last := first
	for x.values[last].older != none {
		last = x.values[last].older
	}
	x.values[last].older = head
	return first
}

// unlink takes what says the same as v out of a list; it gives that value's
// place or none, and the list without it.
func (x *index) unlink(head int32, v indexed) (at, rest int32) {
	before := int32(none)
	for at = head; at != none; before, at = at, x.values[at].older {
		known := x.values[at]
		if x.stamps[known.stamp].algorithm != x.stamps[v.stamp].algorithm || !bytes.Equal(x.digest(known), x.digest(v)) {
			continue
		}
		if before == none {
			return at, known.older
		}
		x.values[before].older = known.older
		return at, head
	}
	return none, head
}

func (x *index) digest(v indexed) []byte {
	at := int(v.digest) * digestAlign
	return x.digests[at:][:checksum.DigestBytes(algorithms[x.stamps[v.stamp].algorithm])]
}

// latest lists the values of a file, newest first.
func (x *index) latest(path string) []Known {
	at, ok := x.newest[path]
	if !ok {
		return nil
	}
	var all []Known
	for ; at != none; at = x.values[at].older {
		v := x.values[at]
		s := x.stamps[v.stamp]
		value, err := checksum.Encode(algorithms[s.algorithm], x.digest(v))
		if err != nil { // can't be: it has the algorithm's length
			continue
		}
		all = append(all, Known{Algorithm: algorithms[s.algorithm], Value: value, Action: s.action, SizeBytes: v.sizeBytes,
			ModTime: unpackTime(v.modSeconds, v.modNanos), HashedAt: unpackTime(v.hashedSeconds, v.hashedNanos),
			Generation: int(s.generation)})
	}
	return all
}

// trim gives back memory when no more is to come.
func (x *index) trim() {
	x.stamped = nil
	x.values, x.digests, x.stamps = slices.Clip(x.values), slices.Clip(x.digests), slices.Clip(x.stamps)
}

package offload

import (
	"sync"

	"bothy/daemon/checksum"
)

// file is one file of the plan while the engine works on it.
type file struct {
	Entry
	index int

	mu       sync.Mutex
	sums     map[string]string // guarded by mu; algorithm to value, once read whole
	sample   string            // guarded by mu
	changed  bool              // guarded by mu; a second reading differed
	readings int               // guarded by mu
}

// reading is one pass over one file of the card.
type reading struct {
	file *file
	// done is closed when every checksum of this reading is known, or when it
	// was given up; err says which and must be read only afterwards.
	done chan struct{}
	err  error

	mu      sync.Mutex
	pending int // guarded by mu; checksums still to come
	sums    map[string]string
	sample  string
}

func newReading(f *file, checksums int) *reading {
	return &reading{file: f, done: make(chan struct{}), pending: checksums, sums: map[string]string{}}
}

// settleSum notes one checksum; the last one closes the reading.
func (r *reading) settleSum(algorithm, sum, sample string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sums[algorithm] = sum
	if sample != "" {
		r.sample = sample
	}
	r.pending--
	if r.pending == 0 {
		r.err = r.file.agree(r.sums, r.sample)
		close(r.done)
	}
}

// agree takes over the first reading's checksums, and compares later ones.
func (f *file) agree(sums map[string]string, sample string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.sums == nil {
		f.sums = map[string]string{}
	}
	f.readings++
	if f.sample == "" {
		f.sample = sample
	}
	var err error
	if f.sample != sample {
		err = errReadDiffers
	}
	for algorithm, sum := range sums {
		if old, ok := f.sums[algorithm]; ok && old != sum {
			err = errReadDiffers
		} else if !ok {
			f.sums[algorithm] = sum
		}
	}
	if err != nil {
		f.changed = true
	}
	return err
}

// addSums takes over values that were computed from a copy of the file.
func (f *file) addSums(sums map[string]checksum.Hash) {
	f.mu.Lock()
	defer f.mu.Unlock()
	for algorithm, h := range sums {
		f.sums[algorithm] = h.Sum()
	}
}

func (f *file) checksums(algorithm string) (c Checksums, ok bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	sum, ok := f.sums[algorithm]
	return Checksums{Sum: sum, Sample: f.sample}, ok && !f.changed
}

// message tells a consumer what happens to the file being read.
type message struct {
	what    event
	reading *reading
	chunk   *chunk // with data only
}

type event uint8

const (
	fileBegins event = iota
	fileData
	fileEnds
	fileAborted // what was given of it must be thrown away
)

// consumer takes the stream of messages of one pass: a drive or a checksum.
type consumer interface {
	// give hands over a message. It blocks only while the consumer is behind,
	// and returns false when the consumer has given up.
	give(message) bool
}

// giveUp ends a reading that did not reach the file's end.
func (r *reading) giveUp(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.err = err
	close(r.done)
}

package offload

import (
	"slices"
	"sync"
)

// file is one file of the plan while the engine works on it.
type file struct {
	*Entry
	index int
	// salvaged: it stands for what the card gave of a file, and for no file of
	// the card. Nobody is told of it but the manifest and who asks for salvages.
	salvaged bool

	mu sync.Mutex
	// sums are guarded by mu: one for each of the run's algorithms, empty while
	// it is not known; the job's own is the first.
	sums     []string
	sample   string // guarded by mu
	changed  bool   // guarded by mu; a second reading differed
	readings uint8  // guarded by mu; of the card, 2 stands for more
}

// reading is one pass over one file, of the card or of a proven copy.
type reading struct {
	file *file
	// fromCopy: what a copy gives says nothing about the card.
	fromCopy bool
	// done is closed when every checksum of this reading is known, or when it
	// was given up; err says which and must be read only afterwards.
	done chan struct{}
	err  error

	mu      sync.Mutex
	pending int // guarded by mu; checksums still to come
	sums    []string
	sample  string
}

func newReading(f *file, checksums int, fromCopy bool) *reading {
	return &reading{file: f, fromCopy: fromCopy, done: make(chan struct{}), pending: checksums, sums: make([]string, checksums)}
}

// settleSum notes one checksum; the last one closes the reading.
func (r *reading) settleSum(algorithm int, sum, sample string) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.sums[algorithm] = sum
	if sample != "" {
		r.sample = sample
	}
	r.pending--
	if r.pending > 0 {
		return
	}
	if r.fromCopy {
		r.err = r.file.confirm(r.sums[0], r.sample)
	} else {
		r.err = r.file.agree(r.sums, r.sample)
	}
	close(r.done)
}

// giveUp ends a reading that did not reach the file's end.
func (r *reading) giveUp(err error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.err = err
	close(r.done)
}

// agree takes over the first reading's checksums, and compares later ones.
func (f *file) agree(sums []string, sample string) error {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.readings = min(f.readings+1, 2)
	if f.sums == nil {
		f.sums = make([]string, len(sums))
	}
	if f.sample == "" {
		f.sample = sample
	}
	var err error
	if f.sample != sample {
		err = errReadDiffers
	}
	for i, sum := range sums {
		switch f.sums[i] {
		case "":
			f.sums[i] = sum
		case sum:
		default:
			err = errReadDiffers
		}
	}
	if err != nil {
		f.changed = true
	}
	return err
}

// confirm holds what a copy gave against what the card gave. Of a card that was
// read long ago the sample may not be known.
func (f *file) confirm(sum, sample string) error {
	c, ok := f.checksums()
	if !ok || c.Sum != sum || c.Sample != sample && c.Sample != "" {
		return errCopyDiffers
	}
	if c.Sample == "" {
		f.mu.Lock()
		f.sample = sample
		f.mu.Unlock()
	}
	return nil
}

// know takes over a checksum in the job's own algorithm from an earlier run.
func (f *file) know(c Checksums, algorithms int) {
	f.sums = make([]string, algorithms)
	f.sums[0], f.sample, f.readings = c.Sum, c.Sample, 1
}

// addSum takes over a value that was computed from a copy of the file.
func (f *file) addSum(algorithm int, sum string) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.sums[algorithm] = sum
}

// checksums are those in the job's own algorithm.
func (f *file) checksums() (c Checksums, ok bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.sums == nil || f.sums[0] == "" {
		return Checksums{}, false
	}
	return Checksums{Sum: f.sums[0], Sample: f.sample}, !f.changed
}

// sumLocked is the checksum by one of the run's algorithms, empty when unknown.
func (f *file) sumLocked(r *run, algorithm string) string {
	i := slices.Index(r.algorithms, algorithm)
	if i < 0 || f.sums == nil {
		return ""
	}
	return f.sums[i]
}

// readOnce: the card gave the file once, in this run or an earlier one, and has
// not been asked again.
func (f *file) readOnce() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.readings == 1
}

func (f *file) isChanged() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.changed
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

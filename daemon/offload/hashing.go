package offload

import (
	"fmt"

	"bothy/daemon/checksum"
)

// hashing computes one checksum of every file of a pass, on a goroutine of its
// own so that a slow one holds up nobody but itself.
type hashing struct {
	algorithm string
	index     int // in the run's algorithms; the first one also takes the sample
	queue     chan message
}

// queueLength lets every buffer of the ring lie in one queue, and many small
// files.
const queueLength = 256

func newHashing(algorithm string, index int) *hashing {
	return &hashing{algorithm: algorithm, index: index, queue: make(chan message, queueLength)}
}

func (h *hashing) give(m message) bool {
	h.queue <- m
	return true
}

func (h *hashing) close() { close(h.queue) }

// run ends when the queue is closed. It never stops early, so that give never
// blocks for good.
func (h *hashing) run() {
	sum := mustHash(h.algorithm)
	sample := checksum.NewSampler(0)
	for m := range h.queue {
		switch m.what {
		case fileBegins:
			sum.Reset()
			if h.index == 0 {
				sample.Reset(m.reading.file.SizeBytes)
			}
		case fileData:
			data := m.chunk.buf[:m.chunk.n]
			sum.Write(data)
			if h.index == 0 {
				sample.Write(data)
			}
			m.chunk.release()
		case fileEnds:
			taken := ""
			if h.index == 0 {
				taken = sample.Sum()
			}
			m.reading.settleSum(h.index, sum.Sum(), taken)
		case fileAborted:
		}
	}
}

// mustHash is for names that the job's validation has accepted.
func mustHash(algorithm string) checksum.Hash {
	h, err := checksum.New(algorithm)
	if err != nil {
		panic(fmt.Sprintf("checksum %q passed validation and is unknown", algorithm))
	}
	return h
}

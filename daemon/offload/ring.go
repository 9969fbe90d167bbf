package offload

import (
	"sync/atomic"

	"bothy/daemon/volume"
)

// The ring's size bounds the engine's memory, whatever the card's size. While
// drives catch up, nobody waits for them, and a few buffers do.
const (
	chunkBytes   = 1 << 20
	ringChunks   = 24
	behindChunks = 4
)

// chunk is one portion of a file, shared by everybody who needs it.
type chunk struct {
	buf  []byte // aligned for direct I/O
	n    int    // bytes that count
	refs atomic.Int32
	ring *ring
}

// release gives up one share; the last one gives the buffer back.
func (c *chunk) release() {
	if c.refs.Add(-1) != 0 {
		return
	}
	select {
	case c.ring.free <- c:
	default: // it was replaced while a hung drive held it
	}
}

type ring struct {
	size int // buffers
	free chan *chunk
}

func newRing(chunks int) *ring {
	r := &ring{size: chunks, free: make(chan *chunk, chunks+ringSpare)}
	for range chunks {
		r.free <- &chunk{buf: volume.AlignedBuffer(chunkBytes), ring: r}
	}
	return r
}

// ringSpare is room for the buffers that replace those a hung drive holds.
const ringSpare = 64

// replace makes up for a buffer that a hung drive will not give back.
func (r *ring) replace() {
	select {
	case r.free <- &chunk{buf: volume.AlignedBuffer(chunkBytes), ring: r}:
	default: // more drives hang than anybody has slots for
	}
}

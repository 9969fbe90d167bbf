package offload

import (
	"context"
	"sync/atomic"

	"bothy/daemon/volume"
)

// The ring's size bounds the engine's memory, whatever the card's size.
const (
	chunkBytes = 1 << 20
	ringChunks = 24
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

type ring struct{ free chan *chunk }

func newRing(chunks int) *ring {
	r := &ring{free: make(chan *chunk, chunks+ringSpare)}
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

// get waits for a free buffer with the given number of shares.
func (r *ring) get(ctx context.Context) (*chunk, error) {
	select {
	case c := <-r.free:
		return c, nil
	case <-ctx.Done():
		return nil, ctx.Err()
	}
}

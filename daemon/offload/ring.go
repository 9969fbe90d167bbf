package offload

import (
	"sync/atomic"

	"bothy/daemon/volume"
)

// The ring's size bounds the engine's memory, whatever the card's size. While
// drives catch up, nobody waits for them, and a few buffers do. Fewer, larger
// calls cost a small board less than many.
const (
	chunkBytes   = 2 << 20
	ringChunks   = 12
	behindChunks = 3
)

// chunk is one portion of a file, shared by everybody who needs it.
type chunk struct {
	buf  []byte // aligned for direct I/O
	n    int    // bytes that count
	refs atomic.Int32
	ring *ring
	// whole is set when this is a part of another chunk, whose rest holds other
	// small files.
	whole *chunk
}

// release gives up one share; the last one gives the buffer back.
func (c *chunk) release() {
	if c.refs.Add(-1) != 0 {
		return
	}
	if c.whole != nil {
		c.whole.release()
		return
	}
	select {
	case c.ring.free <- c:
	default: // it was replaced while a hung drive held it
	}
}

type ring struct {
	chunkBytes int64
	sizeBytes  atomic.Int64
	free       chan *chunk
	// shared is being cut into parts for small files, and rest is what is left
	// of it. Both are the reader's.
	shared *chunk
	rest   []byte
}

func newRing(chunks int, chunkBytes int64) *ring {
	r := &ring{chunkBytes: chunkBytes, free: make(chan *chunk, chunks+ringSpare)}
	r.sizeBytes.Store(int64(chunks) * chunkBytes)
	for range chunks {
		r.free <- r.newChunk()
	}
	return r
}

func (r *ring) newChunk() *chunk {
	return &chunk{buf: volume.AlignedBuffer(int(r.chunkBytes)), ring: r}
}

// shrink gives chunks back until so many are left.
func (r *ring) shrink(chunks int) {
	for r.sizeBytes.Load() > int64(chunks)*r.chunkBytes {
		select {
		case <-r.free:
			r.sizeBytes.Add(-r.chunkBytes)
		default:
			return // a hung drive holds the rest
		}
	}
}

// grow makes up for chunks that were given back.
func (r *ring) grow(chunks int) {
	for r.sizeBytes.Load() < int64(chunks)*r.chunkBytes {
		r.free <- r.newChunk()
		r.sizeBytes.Add(r.chunkBytes)
	}
}

// part cuts a buffer for a small file off the shared chunk, if that has room.
func (r *ring) part(sizeBytes int64) *chunk {
	room := int(sizeBytes+volume.Alignment-1) / volume.Alignment * volume.Alignment
	if r.shared == nil || room > len(r.rest) {
		return nil
	}
	c := &chunk{buf: r.rest[:room:room], ring: r, whole: r.shared}
	r.rest = r.rest[room:]
	r.shared.refs.Add(1)
	c.refs.Store(1)
	return c
}

// share makes a free chunk the one that small files are put into.
func (r *ring) share(c *chunk) {
	r.unshare()
	c.refs.Store(1) // the ring's own, until it moves on
	r.shared, r.rest = c, c.buf
}

// unshare gives up what is left of the shared chunk.
func (r *ring) unshare() {
	if r.shared != nil {
		r.shared.release()
	}
	r.shared, r.rest = nil, nil
}

// ringSpare is room for the buffers that replace those a hung drive holds.
const ringSpare = 64

// replace makes up for a buffer that a hung drive will not give back.
func (r *ring) replace() {
	select {
	case r.free <- r.newChunk():
	default: // more drives hang than anybody has slots for
	}
}

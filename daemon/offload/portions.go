package offload

import "cmp"

// Portions are the sizes in which the engine works. Zero means the usual, which
// suits real media; tests and simulations with small cards make them small, so
// that what happens between portions happens there too.
type Portions struct {
	Buffers    int   // of the ring
	ChunkBytes int64 // of each; a multiple of [volume.Alignment]
	// AloneBytes: a file of this size is flushed by itself.
	AloneBytes int64
	// FollowBytes is how much of a file is written before that is read back.
	FollowBytes int64
}

func (j *Job) ring() (chunks int, bytesEach int64) {
	return cmp.Or(j.Portions.Buffers, ringChunks), cmp.Or(j.Portions.ChunkBytes, chunkBytes)
}

// flushedAlone: a file of this size is flushed by itself.
func (j *Job) flushedAlone(sizeBytes int64) bool {
	return sizeBytes >= cmp.Or(j.Portions.AloneBytes, singleFlush)
}

// followsAfter is how much of a file is written before that is read back.
func (j *Job) followsAfter() int64 { return cmp.Or(j.Portions.FollowBytes, followBytes) }

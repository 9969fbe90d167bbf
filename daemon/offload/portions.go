package offload

// Portions are the sizes in which the engine works. Zero means the usual, which
// suits real media; simulations with small cards make them small, so that what
// happens between portions happens there too.
type Portions struct {
	Buffers    int   // of the ring
	ChunkBytes int64 // of each; a multiple of [volume.Alignment]
	// AloneBytes: a file of this size is flushed by itself.
	AloneBytes int64
	// FollowBytes is how much of a file is written before that is read back.
	FollowBytes int64
}

// InPortions is the job in other portions.
func (j Job) InPortions(p Portions) Job {
	j.buffers, j.chunkBytes, j.aloneBytes, j.followBytes = p.Buffers, p.ChunkBytes, p.AloneBytes, p.FollowBytes
	return j
}

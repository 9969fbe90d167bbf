package offload

// followBytes is how much of a large file is written before it is flushed for
// being read back while the rest is still to come. It is what remains to be
// proven when the card has been read.
const followBytes = 32 << 20

// Follows says after how many bytes of a file they are read back while the rest
// is still being written; 0 when files are read back whole.
func (d *Drive) Follows() int64 {
	if d.ReadBackAfter || !d.Limits.ReadsWhileWritten {
		return 0
	}
	return followBytes
}

// follows: reading back may go on while a file is being written.
func (t *target) follows() bool {
	return t.drive.Follows() > 0 && t.run.job.Verify != VerifySize
}

// follow flushes what there is of a file, and has it read back.
func (w *writing) follow() {
	if !w.flush() {
		return
	}
	w.flushed = w.written
	if w.landing == nil {
		w.landing = newLanding(w.reading)
		w.landing.flushedTo(w.flushed)
		w.stint.toProve <- w.landing
		return
	}
	w.landing.flushedTo(w.flushed)
}

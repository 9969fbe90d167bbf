package offload

import (
	"errors"
	"fmt"
	"io/fs"

	"bothy/daemon/state"
)

// Small files are flushed together: a card of 20,000 stills must not pay for
// 20,000 flushes. A file of singleFlush or more is flushed by itself.
const (
	singleFlush = 4 << 20
	groupBytes  = 32 << 20
	groupFiles  = 64 // their descriptors stay open until the flush
)

// give implements consumer.
func (t *target) give(m message) bool {
	if t.isSetAside() || t.behind.Load() {
		return false
	}
	if m.chunk != nil {
		t.backlog.Add(int64(len(m.chunk.buf)))
	}
	select {
	case t.stint.queue <- m:
		return true
	default:
	}
	// It is more than a whole ring behind: a card of empty files needs no ring.
	if t.run.waitOut(t, m) {
		return true
	}
	if m.chunk != nil {
		t.backlog.Add(-int64(len(m.chunk.buf)))
	}
	return false
}

// writeFiles takes the messages of one pass until the queue is closed. It
// never leaves a buffer unreleased, set aside or not.
func (s *stint) writeFiles() {
	t := s.target
	defer close(s.toProve)
	var now *writing
	for m := range s.queue {
		if t.isSetAside() {
			s.drop(m)
			continue
		}
		if t.behind.Load() { // the rest of the file will not come
			now.abort()
			now = nil
			s.drop(m)
			continue
		}
		if now != nil && m.reading != now.reading { // the drive was let go in between
			now.abort()
			now = nil
		}
		switch m.what {
		case fileBegins:
			now = s.create(m.reading)
		case fileData:
			if now != nil {
				now.write(m.chunk)
			}
			s.release(m.chunk)
		case fileEnds:
			if now.lacks() {
				now.abort()
			} else if now != nil {
				now.end()
			}
			now = nil
		case fileAborted:
			now.abort()
			now = nil
		}
	}
	now.abort() // the pass ended inside a file: the card went away
	if t.isSetAside() {
		s.closeGroup()
		return
	}
	s.flushGroup()
	t.movePhase(state.CopyCopying, state.CopyProving)
}

// writing is one file on its way to one drive.
type writing struct {
	stint   *stint
	reading *reading
	sink    Sink
	landing *landing // once the prover has it
	written int64
	flushed int64
	err     error // the first; the rest of the file is thrown away
}

// create makes the file that is read next.
func (s *stint) create(r *reading) *writing {
	t := s.target
	w := &writing{stint: s, reading: r}
	name := t.at(r.file.Path)
	w.err = t.call(func() (err error) {
		w.sink, err = t.drive.FS.Create(name, r.file.SizeBytes)
		if errors.Is(err, fs.ErrExist) {
			// A leftover in our own unfinished folder: never written over, a
			// new file gets a new inode.
			if err = t.drive.FS.Remove(name); err == nil {
				w.sink, err = t.drive.FS.Create(name, r.file.SizeBytes)
			}
		}
		return err
	})
	if w.err != nil {
		w.err = fmt.Errorf("create %q: %w", name, w.err)
	}
	return w
}

func (w *writing) name() string { return w.stint.target.at(w.reading.file.Path) }

func (w *writing) write(c *chunk) {
	if w.err != nil || w.isSpoiled() {
		return
	}
	t := w.stint.target
	w.err = t.call(func() error {
		n, err := w.sink.Write(c.buf[:c.n])
		t.written.Add(int64(n))
		w.written += int64(n)
		if err != nil {
			return fmt.Errorf("write %q: %w", w.name(), err)
		}
		if err := w.sink.Push(w.written == w.reading.file.SizeBytes); err != nil {
			return fmt.Errorf("write out %q: %w", w.name(), err)
		}
		return nil
	})
	if w.err == nil && t.follows() && w.written-w.flushed >= t.run.job.followsAfter() && w.written < w.reading.file.SizeBytes {
		w.follow()
	}
}

func (w *writing) flush() bool {
	if err := w.stint.target.call(w.sink.Sync); err != nil {
		w.err = fmt.Errorf("flush %q: %w", w.name(), err)
		w.stint.target.run.flushFailures.Add(1)
	}
	return w.err == nil
}

func (w *writing) isSpoiled() bool { return w.landing != nil && w.landing.isSpoiled() }

// end sets the file's time and flushes it, alone or with its group.
func (w *writing) end() {
	s, f := w.stint, w.reading.file
	t := s.target
	if w.isSpoiled() {
		w.putAway(t.putAside) // whoever read it back has counted the fault
		return
	}
	if w.err == nil {
		w.err = t.call(func() error { return w.sink.SetModTime(f.ModTime) })
	}
	if w.err != nil {
		w.burn(false)
		return
	}
	if !t.run.job.flushedAlone(f.SizeBytes) {
		s.group = append(s.group, w)
		s.groupedBytes += f.SizeBytes
		if len(s.group) >= groupFiles || s.groupedBytes >= groupBytes {
			s.flushGroup()
		}
		return
	}
	if !w.flush() {
		w.burn(false)
		return
	}
	w.close(false)
}

// close ends a file that is flushed, and hands it to the prover.
func (w *writing) close(again bool) {
	s := w.stint
	if w.err = s.target.call(w.sink.Close); w.err != nil {
		w.sink = nil // closed it is, whatever it said
		w.burn(again)
		return
	}
	w.sink = nil
	if w.landing == nil {
		w.landing = newLanding(w.reading)
		w.landing.isWhole()
		s.toProve <- w.landing
		return
	}
	if w.landing.isWhole() {
		w.putAway(s.target.putAside)
	}
}

// burn throws a file away after a failure; it is written again in a later pass.
func (w *writing) burn(again bool) {
	w.throwAway()
	w.stint.target.fault(w.reading.file, w.err, again)
}

// lacks: a part of the file was taken back when the drive was let go.
func (w *writing) lacks() bool {
	return w != nil && w.err == nil && !w.isSpoiled() && w.written < w.reading.file.SizeBytes
}

func (w *writing) throwAway() {
	t := w.stint.target
	if w.isSpoiled() { // the card ended it, and it lies on a bad place all the same
		w.putAway(t.putAside)
		return
	}
	w.putAway(func(name string) {
		if !t.hung() {
			t.call(func() error { return t.drive.FS.Remove(name) })
		}
	})
}

// putAway gives a file up, and has its name done away with.
func (w *writing) putAway(how func(name string)) {
	if w.landing != nil {
		w.landing.isLost()
	}
	if w.sink != nil {
		w.stint.target.call(w.sink.Close) // its data is given up; an error says nothing more
	}
	how(w.name())
}

// abort throws away what came of a file that could not be read to its end. It
// is no fault of the drive.
func (w *writing) abort() {
	if w == nil {
		return
	}
	if w.sink != nil {
		w.throwAway()
	}
	if w.err != nil {
		w.stint.target.fault(w.reading.file, w.err, false)
	}
}

// flushGroup makes the waiting small files durable: with one syncfs where that
// reaches the medium, else one by one. A failure burns every file of the group
// it concerns.
func (s *stint) flushGroup() {
	t, group := s.target, s.group
	s.group, s.groupedBytes = nil, 0
	if len(group) == 0 {
		return
	}
	var groupErr error
	if t.drive.Limits.SyncfsFlushes {
		if groupErr = t.call(t.drive.FS.SyncAll); groupErr != nil {
			groupErr = fmt.Errorf("flush %d files: %w", len(group), groupErr)
			t.run.flushFailures.Add(1)
		}
	}
	for i, w := range group {
		w.err = groupErr
		if w.err == nil && !t.drive.Limits.SyncfsFlushes {
			w.flush()
		}
		if w.err != nil {
			w.burn(groupErr != nil && i > 0)
			continue
		}
		w.close(groupErr != nil && i > 0)
	}
}

// closeGroup gives up the group of a drive that was set aside.
func (s *stint) closeGroup() {
	for _, w := range s.group {
		s.target.call(w.sink.Close) // the drive is given up; its files stay unfinished
	}
	s.group, s.groupedBytes = nil, 0
}

package offload

import (
	"errors"
	"fmt"
	"io/fs"
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
	if t.isSetAside() {
		return false
	}
	select {
	case t.queue <- m:
		return true
	case <-t.gone:
		return false
	}
}

// writeFiles takes the messages of one pass until the queue is closed. It
// never leaves a buffer unreleased, set aside or not.
func (t *target) writeFiles() {
	defer close(t.toProve)
	var now *writing
	for m := range t.queue {
		if t.isSetAside() {
			drop(m)
			continue
		}
		switch m.what {
		case fileBegins:
			now = t.begin(m.reading)
		case fileData:
			now.write(m.chunk)
			m.chunk.release()
		case fileEnds:
			now.end()
			now = nil
		case fileAborted:
			now.abort()
			now = nil
		}
	}
	if now != nil { // the pass ended inside a file: the card went away
		now.abort()
	}
	if t.isSetAside() {
		t.closeGroup()
		return
	}
	t.flushGroup()
}

func drop(m message) {
	if m.chunk != nil {
		m.chunk.release()
	}
}

// drainWhenStuck empties the queue of a drive that does not answer, whose
// writer cannot do so: else it would soon hold every buffer of the ring, and
// with them all other drives. It ends with the pass.
func (t *target) drainWhenStuck(queue <-chan message, passOver <-chan struct{}) {
	select {
	case <-t.stuck:
	case <-passOver:
		return
	}
	t.run.ring.replace() // for the buffer that the writer is stuck with
	for m := range queue {
		drop(m)
	}
}

// writing is one file on its way to one drive.
type writing struct {
	target  *target
	reading *reading
	sink    Sink
	err     error // the first; the rest of the file is thrown away
}

func (t *target) begin(r *reading) *writing {
	w := &writing{target: t, reading: r}
	name := t.at(r.file.Path)
	w.err = t.call(func() (err error) {
		w.sink, err = t.drive.FS.Create(name)
		if errors.Is(err, fs.ErrExist) {
			// A leftover in our own unfinished folder: never written over, a
			// new file gets a new inode.
			if err = t.drive.FS.Remove(name); err == nil {
				w.sink, err = t.drive.FS.Create(name)
			}
		}
		return err
	})
	if w.err != nil {
		w.err = fmt.Errorf("create %q: %w", name, w.err)
	}
	return w
}

func (w *writing) write(c *chunk) {
	if w.err != nil {
		return
	}
	t := w.target
	w.err = t.call(func() error {
		n, err := w.sink.Write(c.buf[:c.n])
		t.written.Add(int64(n))
		if err != nil {
			return fmt.Errorf("write %q: %w", t.at(w.reading.file.Path), err)
		}
		if err := w.sink.Push(); err != nil {
			return fmt.Errorf("write out %q: %w", t.at(w.reading.file.Path), err)
		}
		return nil
	})
}

// end sets the file's time and flushes it, alone or with its group.
func (w *writing) end() {
	t, f := w.target, w.reading.file
	if w.err == nil {
		w.err = t.call(func() error { return t.drive.FS.SetModTime(t.at(f.Path), f.ModTime) })
	}
	if w.err != nil {
		w.burn(false)
		return
	}
	if !t.run.job.flushedAlone(f.SizeBytes) {
		t.group = append(t.group, &written{w.reading, w.sink})
		t.grouped += f.SizeBytes
		if len(t.group) >= groupFiles || t.grouped >= groupBytes {
			t.flushGroup()
		}
		return
	}
	if w.err = t.call(w.sink.Sync); w.err != nil {
		w.err = fmt.Errorf("flush %q: %w", t.at(f.Path), w.err)
		t.run.flushFailures.Add(1)
		w.burn(false)
		return
	}
	if w.err = t.call(w.sink.Close); w.err != nil {
		w.burn(false)
		return
	}
	t.toProve <- w.reading
}

// burn throws a file away after a failure; it is written again in a later pass.
func (w *writing) burn(again bool) {
	w.throwAway()
	w.target.fault(w.reading.file, w.err, again)
}

func (w *writing) throwAway() {
	t := w.target
	if w.sink != nil {
		t.call(w.sink.Close) // its data is given up; an error says nothing more
	}
	if !t.hung() {
		t.call(func() error { return t.drive.FS.Remove(t.at(w.reading.file.Path)) })
	}
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
		w.target.fault(w.reading.file, w.err, false)
	}
}

// flushGroup makes the waiting small files durable: with one syncfs where that
// reaches the medium, else one by one. A failure burns every file of the group
// it concerns.
func (t *target) flushGroup() {
	group := t.group
	t.group, t.grouped = nil, 0
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
	for i, g := range group {
		err := groupErr
		if err == nil && !t.drive.Limits.SyncfsFlushes {
			if err = t.call(g.sink.Sync); err != nil {
				err = fmt.Errorf("flush %q: %w", t.at(g.reading.file.Path), err)
				t.run.flushFailures.Add(1)
			}
		}
		w := writing{target: t, reading: g.reading, sink: g.sink, err: err}
		if err == nil {
			w.err = t.call(g.sink.Close)
		}
		if w.err != nil {
			w.burn(groupErr != nil && i > 0)
			continue
		}
		t.toProve <- g.reading
	}
}

// closeGroup gives up the group of a drive that was set aside.
func (t *target) closeGroup() {
	for _, g := range t.group {
		g.sink.Close() // the drive is given up; its files stay unfinished
	}
	t.group, t.grouped = nil, 0
}

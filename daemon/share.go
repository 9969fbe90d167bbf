package daemon

import (
	"context"
	"io"
	"path"

	"bothy/daemon/ledger"
)

// share is one attached drive as the jobs that use it share it: the first
// mounts it, the last flushes and unmounts it.
type share struct {
	turn   chan struct{} // whoever has put something in opens, lets go, or counts
	users  int           // guarded by turn
	opened *Opened       // guarded by turn; nil when nobody uses it
	own    chan struct{} // likewise: whoever writes the box's own files
}

func newShare() *share { return &share{turn: make(chan struct{}, 1), own: make(chan struct{}, 1)} }

// open mounts the drive, or joins those who have it mounted. Who finds that
// another one's attempt failed makes one of his own.
func (h *share) open(ctx context.Context, open func(context.Context) (*Opened, error)) (*Opened, error) {
	select {
	case h.turn <- struct{}{}:
		defer func() { <-h.turn }()
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	if h.opened == nil {
		o, err := open(ctx)
		if err != nil {
			return nil, err
		}
		h.opened = o
	}
	h.users++
	return h.opened, nil
}

// release must be called once for each open that went well. Its error is that
// of the last one's flush and unmount.
func (h *share) release(ctx context.Context) error {
	h.turn <- struct{}{} // who has the turn is given up when the drive hangs
	defer func() { <-h.turn }()
	h.users--
	if h.users > 0 {
		return nil
	}
	o := h.opened
	h.opened = nil
	return o.Release(ctx)
}

// leaveSnapshot leaves a copy of the ledger on the drive, one writer at a time.
func (h *share) leaveSnapshot(ctx context.Context, o *Opened, l *ledger.Ledger, boxID string, step func()) error {
	leave, err := h.enterOwn(ctx)
	if err != nil {
		return err
	}
	defer leave()
	step()
	return writeOwn(o, path.Join(ownFolder, "ledger-"+boxID+".db.zst"), func(w io.Writer) error {
		return l.Snapshot(ctx, stepping{w, step})
	})
}

// enterOwn waits until nobody else writes what is the box's own.
func (h *share) enterOwn(ctx context.Context) (leave func(), err error) {
	select {
	case h.own <- struct{}{}:
		return func() { <-h.own }, nil
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
}

// stepping tells of each portion that was written.
type stepping struct {
	io.Writer
	step func()
}

func (w stepping) Write(p []byte) (int, error) {
	n, err := w.Writer.Write(p)
	w.step()
	return n, err
}

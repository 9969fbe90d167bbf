package udev

import (
	"context"
	"sync"
	"time"
)

// link keeps one event stream open and knows how it fares.
type link struct {
	open func() (conn, error)
	// hints has an element when something may have changed since the last
	// listing. Its one place is what keeps the receiver from ever waiting.
	hints chan struct{}
	// turns has an element when the stream was opened or lost.
	turns chan struct{}

	mu     sync.Mutex
	events uint64 // guarded by mu
	opened uint64 // guarded by mu
	lost   error  // guarded by mu; why the stream is down, nil while it is up
}

// keep opens the stream, receives, and opens it again when it broke, until ctx
// ends.
func (l *link) keep(ctx context.Context) {
	backoff := firstBackoff
	for ctx.Err() == nil {
		began := time.Now()
		err := l.connect(ctx)
		if ctx.Err() != nil {
			return
		}
		l.setLost(err)
		// A stream that lasted was sound, and this is another trouble.
		if time.Since(began) > 2*lastBackoff {
			backoff = firstBackoff
		}
		select {
		case <-time.After(backoff):
		case <-ctx.Done():
		}
		backoff = min(2*backoff, lastBackoff)
	}
}

// connect opens the stream once and receives until it breaks.
func (l *link) connect(ctx context.Context) error {
	c, err := l.open()
	if err != nil {
		return err
	}
	l.setOpened()
	err = receive(ctx, c, l.hint)
	if closeErr := c.Close(); err == nil {
		err = closeErr
	}
	return err
}

func (l *link) hint(event bool) {
	if event {
		l.mu.Lock()
		l.events++
		l.mu.Unlock()
	}
	raise(l.hints)
}

func (l *link) setOpened() {
	l.mu.Lock()
	l.opened++
	l.lost = nil
	l.mu.Unlock()
	raise(l.turns)
}

func (l *link) setLost(err error) {
	l.mu.Lock()
	l.lost = err
	l.mu.Unlock()
	raise(l.turns)
}

// health returns the counters and why the stream is down, nil while it is up.
func (l *link) health() (events, reconnects uint64, lost error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.events, max(l.opened, 1) - 1, l.lost
}

// raise puts an element into a channel with one place unless there is one.
func raise(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// lower takes the element out of a channel if there is one.
func lower(c chan struct{}) {
	select {
	case <-c:
	default:
	}
}

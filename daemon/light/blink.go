package light

import (
	"context"
	"sync/atomic"
	"time"
)

// blinker switches one LED on and off until it is stopped or a write fails.
type blinker struct {
	cancel context.CancelFunc
	ended  chan struct{} // closed when the goroutine has ended
	err    error         // why it ended by itself; read only after ended is closed
	failed atomic.Bool
}

func (l *led) beginBlinking(half time.Duration) error {
	if err := l.beginLevel(Steady); err != nil { // the first half period
		return err
	}
	ctx, cancel := context.WithCancel(context.Background()) // until stopBlinking
	b := &blinker{cancel: cancel, ended: make(chan struct{})}
	l.blinker = b
	go func() {
		defer close(b.ended)
		b.err = blink(ctx, half, l.full, func(level string) error { return l.files.Write(l.name, "brightness", level) })
		b.failed.Store(b.err != nil)
	}()
	return nil
}

// blink alternates between dark and full, beginning half a period from now.
func blink(ctx context.Context, half time.Duration, full string, write func(level string) error) error {
	tick := time.NewTicker(half)
	defer tick.Stop()
	for lit := false; ; lit = !lit {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		level := "0"
		if lit {
			level = full
		}
		if err := write(level); err != nil {
			return err
		}
	}
}

// stopBlinking waits for the LED's goroutine, if it has one, and returns the
// error that ended it, if one did.
func (l *led) stopBlinking() error {
	if l.blinker == nil {
		return nil
	}
	l.blinker.cancel()
	<-l.blinker.ended // it never waits for anything but its context, the ticker and a write
	err := l.blinker.err
	l.blinker = nil
	return err
}

// blinkingHolds: what the LED reads at this moment says nothing, but a trigger
// that another program set would fight with us.
func (l *led) blinkingHolds(time.Duration) bool {
	return l.blinker != nil && !l.blinker.failed.Load() && l.hasTrigger("none")
}

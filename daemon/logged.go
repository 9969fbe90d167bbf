package daemon

import (
	"context"
	"log/slog"
	"sync/atomic"

	"bothy/daemon/state"
)

// watchedLog passes records on, and remembers whether the last one could be
// written: slog tells nobody.
type watchedLog struct {
	slog.Handler
	fault *atomic.Pointer[string] // nil inside: none
}

func newWatchedLog(h slog.Handler) watchedLog { return watchedLog{h, new(atomic.Pointer[string])} }

func (w watchedLog) Handle(ctx context.Context, r slog.Record) error {
	err := w.Handler.Handle(ctx, r)
	if err == nil {
		w.fault.Store(nil)
		return nil
	}
	text := err.Error()
	w.fault.Store(&text)
	return err
}

func (w watchedLog) WithAttrs(attrs []slog.Attr) slog.Handler {
	return watchedLog{w.Handler.WithAttrs(attrs), w.fault}
}

func (w watchedLog) WithGroup(name string) slog.Handler {
	return watchedLog{w.Handler.WithGroup(name), w.fault}
}

// checkLog makes a log that cannot be written a condition; page, lights and
// metrics have it all the same.
func (s *supervisor) checkLog() {
	if fault := s.log.fault.Load(); fault != nil {
		s.raise(state.JournalUnreachable, "", *fault)
	} else {
		s.clear(state.JournalUnreachable, "")
	}
}

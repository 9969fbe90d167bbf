package status

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"time"

	"bothy/daemon/state"
)

// Pace of /v1/events.
const (
	eventGap    = 500 * time.Millisecond // least time between two events of one follower
	eventBeat   = 15 * time.Second       // "beat" is sent after this much silence
	eventGiveUp = 10 * time.Second       // a follower that takes longer to accept a write is dropped
)

// serveEvents tells a follower, by Server-Sent Events (WHATWG HTML, section
// 9.2), that there is a newer State: one event at once, then one per published
// State, conflated to two a second. While there is none it says "beat", which a
// script can hear, unlike a comment: a follower who hears nothing for longer is cut
// off, whatever the connection says. It ends with the request's context.
func (h *handler) serveEvents(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "text/event-stream")
	if r.Method == http.MethodHead {
		w.WriteHeader(http.StatusOK)
		return
	}
	out := http.NewResponseController(w)
	write := func(format string, args ...any) error {
		err := out.SetWriteDeadline(time.Now().Add(eventGiveUp))
		if err != nil && !errors.Is(err, http.ErrNotSupported) {
			return fmt.Errorf("bound write of event: %w", err)
		}
		if _, err := fmt.Fprintf(w, format, args...); err != nil {
			return fmt.Errorf("write event: %w", err)
		}
		return out.Flush()
	}
	if write("retry: 2000\n\n") != nil {
		return
	}
	// The end of a follower, by whatever cause, concerns nobody else.
	_ = follow(r.Context(), h.States, func(s *state.State) error {
		return write("event: state\nid: %d\ndata: {\"sequence\":%d}\n\n", s.Sequence, s.Sequence)
	}, func() error { return write("event: beat\ndata: {}\n\n") })
}

// follow calls emit with the newest State, and again whenever there is a newer
// one, at most once per eventGap; it calls beat after eventBeat without one. It
// returns the first error, or that of ctx.
func follow(ctx context.Context, states States, emit func(*state.State) error, beat func() error) error {
	timer := time.NewTimer(eventGap)
	defer timer.Stop()
	for {
		s, changed := states.Current()
		if err := emit(s); err != nil {
			return err
		}
		timer.Reset(eventGap)
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-timer.C:
		}
		for waiting := true; waiting; {
			timer.Reset(eventBeat)
			select {
			case <-ctx.Done():
				return ctx.Err()
			case <-changed:
				waiting = false
			case <-timer.C:
				if err := beat(); err != nil {
					return err
				}
			}
		}
	}
}

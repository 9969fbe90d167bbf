package udev

import (
	"context"
	"errors"
	"fmt"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"github.com/pilebones/go-udev/netlink"
)

// failWith breaks the stream on cue as go-udev does: the reason goes to errs, if
// there is one, and the queue is closed.
func failWith(err error) script {
	return func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		select {
		case <-w.cue:
		case <-ctx.Done():
			return
		}
		queue <- blockEvent
		if err != nil {
			errs <- err
		}
	}
}

// The stream breaks: that is said, it is opened again and counted, and what
// happened meanwhile is in the list.
func TestMonitor_Watch_streamBreaks(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name    string
		failure error // as go-udev words and wraps it
		want    error
	}{
		{"overflow", fmt.Errorf("unable to read uevent, err: %w", syscall.ENOBUFS), syscall.ENOBUFS},
		{"closed without a word", nil, errClosed},
		{"any other fault", fmt.Errorf("unable to read uevent, err: %w", syscall.EIO), syscall.EIO},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			watch(t, unpack(t, "card-whole"), []script{failWith(tt.failure), failWith(tt.failure), healthy}, nil, func(w *watched) {
				w.next()
				for round := uint64(1); round <= 2; round++ {
					w.cue <- struct{}{}
					lost := w.next()
					if !errors.Is(lost.Lost, tt.want) || lost.Reconnects != round-1 || lost.Events != round {
						t.Fatalf("Snapshot after the break = %+v; want the reason %v", lost, tt.want)
					}
					lay(t, w.tree, []string{"ssd", "dm"}[round-1])
					back := w.next()
					if back.Lost != nil || back.Reconnects != round || !has(back, []string{"sdd", "dm-0"}[round-1]) {
						t.Fatalf("Snapshot after reconnecting = %+v", back)
					}
				}
				w.none(20 * time.Second)
			})
		})
	}
}

// Faults that go-udev survives (a message too long, a forged or a malformed one)
// may have cost an event: list again, but stay connected.
func TestMonitor_Watch_survivedFault(t *testing.T) {
	t.Parallel()
	for _, fault := range []error{netlink.ErrTruncatedMessage, netlink.ErrUntrustedSender, errors.New("unable to parse uevent")} {
		play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
			<-w.cue
			errs <- fault
			healthy(ctx, w, queue, errs)
		}
		watch(t, unpack(t, "card-whole"), []script{play}, nil, func(w *watched) {
			w.next()
			lay(t, w.tree, "ssd")
			began := time.Now()
			w.cue <- struct{}{}
			if got := w.next(); time.Since(began) != defaultSettle || !has(got, "sdd") || got.Lost != nil || got.Events != 0 || got.Rescans != 2 {
				t.Errorf("after %v: Snapshot = %+v", fault, got)
			}
			if opens, _ := w.counts(); opens != 1 {
				t.Errorf("after %v: opened %d times", fault, opens)
			}
		})
	}
}

// A fault that was survived is not the reason of a later break.
func TestMonitor_Watch_survivedFaultIsNoReason(t *testing.T) {
	t.Parallel()
	play := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		errs <- netlink.ErrTruncatedMessage
		time.Sleep(time.Second)
		queue <- blockEvent
		time.Sleep(time.Second)
	}
	watch(t, unpack(t, "card-whole"), []script{play}, nil, func(w *watched) {
		for {
			if got := w.next(); got.Lost != nil {
				if !errors.Is(got.Lost, errClosed) {
					t.Errorf("Lost = %v, want %v", got.Lost, errClosed)
				}
				return
			}
		}
	})
}

// No stream at all (a sandbox without netlink, say): devices are listed all the
// same, the reason is told, and opening is tried with growing pauses.
func TestMonitor_Watch_noStream(t *testing.T) {
	t.Parallel()
	watch(t, unpack(t, "card-whole"), []script{nil, nil, nil}, nil, func(w *watched) {
		if got := w.next(); !has(got, "sdb") || !errors.Is(got.Lost, errRefused) {
			t.Errorf("first Snapshot = %+v", got)
		}
		lay(t, w.tree, "ssd")
		for end := time.Now().Add(time.Minute); time.Now().Before(end); {
			if got := w.next(); !has(got, "sdd") || !errors.Is(got.Lost, errRefused) || got.Reconnects != 0 {
				t.Fatalf("Snapshot = %+v", got)
			}
		}
		// 0.1 + 0.2 + ... + 1.6 s are five pauses and 3.1 s; then one every 2 s.
		if opens, _ := w.counts(); opens < 30 || opens > 36 {
			t.Errorf("%d attempts in a minute", opens)
		}
	})
}

// Once a stream has lasted, the next break is mended quickly again.
func TestMonitor_Watch_backoffStartsAnew(t *testing.T) {
	t.Parallel()
	lasting := func(ctx context.Context, w *watched, queue chan<- netlink.UEvent, errs chan<- error) {
		time.Sleep(time.Minute)
	}
	watch(t, unpack(t, "card-whole"), []script{nil, nil, nil, nil, nil, nil, nil, lasting, healthy}, nil, func(w *watched) {
		var broke time.Time
		for broke.IsZero() {
			if errors.Is(w.next().Lost, errClosed) {
				broke = time.Now()
			}
		}
		if got := w.next(); got.Lost != nil || time.Since(broke) != firstBackoff {
			t.Errorf("back after %v: %v", time.Since(broke), got.Lost)
		}
	})
}

// The receiver takes a storm while nobody looks at its hints, for instance because
// listing hangs: synctest would report it as deadlocked if it waited.
func TestReceive_neverWaitsForTheWatcher(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		const storm = 10_000
		play := func(_ context.Context, _ *watched, queue chan<- netlink.UEvent, _ chan<- error) {
			for range storm {
				queue <- blockEvent
			}
		}
		l := &link{hints: make(chan struct{}, 1), turns: make(chan struct{}, 1)}
		if err := receive(t.Context(), &fakeConn{w: &watched{}, play: play}, l.hint); !errors.Is(err, errClosed) {
			t.Errorf("receive = %v, want %v", err, errClosed)
		}
		if events, _, _ := l.health(); events != storm || len(l.hints) != 1 {
			t.Errorf("%d events and %d hints; want %d and 1", events, len(l.hints), storm)
		}
	})
}

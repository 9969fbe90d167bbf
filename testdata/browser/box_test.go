package browser

import (
	"context"
	"net"
	"testing"

	"bothy/daemon/report"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

// box is the real server of the windows, with States that the test publishes.
type box struct {
	t       *testing.T
	address string
	states  state.Publisher
	end     func() // of this life of the server
}

// newBox serves s until the test is over.
func newBox(t *testing.T, s *state.State) *box {
	t.Helper()
	b := &box{t: t, address: "127.0.0.1:0"}
	b.states.Publish(s)
	b.start()
	t.Cleanup(func() { b.end() })
	return b
}

// start begins a life of the server, at the address that it had before.
func (b *box) start() {
	b.t.Helper()
	l, err := net.Listen("tcp", b.address)
	if err != nil {
		b.t.Fatal(err)
	}
	b.address = l.Addr().String()
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- status.Run(ctx, status.Config{Listener: l, States: &b.states, Archive: archive{}, Report: reportOf})
	}()
	b.end = func() {
		b.end = func() {}
		cancel()
		if err := <-ended; err != nil {
			b.t.Errorf("serve: %v", err)
		}
	}
}

func (b *box) url(path string) string { return "http://" + b.address + path }

// archive is a ledger's answers, invented.
type archive struct{ status.Archive }

// Days implements status.Archive.
func (archive) Days(context.Context, status.Question) (status.DayList, error) {
	return inventedDays(), nil
}

// Files implements status.Archive.
func (archive) Files(_ context.Context, q status.Question) (status.FileList, error) {
	if q.Name == "nothing" {
		return status.FileList{}, nil
	}
	return inventedFiles(), nil
}

func reportOf(_ context.Context, day string) (*report.Day, error) { return inventedDay(day), nil }

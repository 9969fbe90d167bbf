package daemon

import (
	"context"
	"errors"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/metrics"
)

// ErrRefused: what was asked for is not done, and nothing was changed.
var ErrRefused = errors.New("refused")

// startWindows opens everything through which the State is seen. What cannot
// be opened is a condition.
func (s *supervisor) startWindows(ctx context.Context) {
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
		metrics.NewCollector(func() metrics.Snapshot {
			st, _ := s.publisher.Current()
			return measure(st)
		}))
	windows := status.Config{States: &s.publisher, Lookup: s.lookup, Report: s.dayReport, Metrics: metrics.Handler(registry), Log: s.cfg.Log}
	if s.ledger != nil {
		windows.Archive = newArchive(s.ledger, &s.zone)
	}
	s.page.windows, s.page.life = windows, ctx
	s.servePage()
	if s.cfg.SocketPath != "" {
		s.opening = true
		control := status.Control{Config: windows, Path: s.cfg.SocketPath, Actions: actions{s}}
		s.work.Go(func() { s.keepControl(ctx, control) })
	}
	s.work.Go(func() { s.driveLights(ctx) })
}

const controlSocket = "the control socket" // what its condition is about

// keepControl serves the control socket until ctx ends. Where it cannot be had that is a
// condition, and it is tried again: an earlier life that the kernel holds lets go of it late.
func (s *supervisor) keepControl(ctx context.Context, c status.Control) {
	c.Opened = func() {
		s.post(func() {
			s.opening = false
			s.clear(state.StatusUnreachable, controlSocket)
		})
	}
	s.keepUp(ctx, func() error { return status.Serve(ctx, c) }, func(why string) {
		s.post(func() {
			s.opening = false // or rather not: but the box works without it
			s.raise(state.StatusUnreachable, controlSocket, why)
		})
	})
}

// lookup finds an offload that is only in the ledger.
func (s *supervisor) lookup(ctx context.Context, id string) (state.Offload, bool, error) {
	if s.ledger == nil {
		return state.Offload{}, false, nil
	}
	o, err := s.ledger.Offload(ctx, id)
	if errors.Is(err, ledger.ErrUnknown) {
		return state.Offload{}, false, nil
	}
	if err != nil {
		return state.Offload{}, false, err
	}
	shown, err := s.recall(ctx, o)
	return shown, err == nil, err
}

// actions is what the control socket may ask for.
type actions struct{ s *supervisor }

func (a actions) Enrol(ctx context.Context, target, name string) (string, error) {
	return a.s.enrolAttached(ctx, target, name)
}

func (a actions) Recover(ctx context.Context, drive string) (*status.Recovered, error) {
	return a.s.recoverDrive(ctx, drive)
}

func (a actions) Retire(ctx context.Context, drive string, confirm bool) (*status.Retirement, error) {
	return a.s.retireDrive(ctx, drive, confirm)
}

func (a actions) HandOver(ctx context.Context, drive string, selection []string) (*status.HandedOver, error) {
	return a.s.handOverByHand(ctx, drive, selection)
}

func (a actions) Reload(ctx context.Context) error {
	done := make(chan error, 1)
	a.s.post(func() {
		a.s.reload(a.s.life)
		if a.s.policyInfo.Error != "" {
			done <- fmt.Errorf("the old policy goes on: %s", a.s.policyInfo.Error)
			return
		}
		done <- nil
	})
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	case <-a.s.quit:
		return errStopping
	}
}

func (a actions) Stop(context.Context) error {
	a.s.stop()
	return nil
}

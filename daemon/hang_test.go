package daemon

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// A drive that hangs while a job looks at it, before the engine watches over
// it, is given up like any other.
func TestHang_whileTheJobLooksAtADrive(t *testing.T) {
	t.Parallel()
	for name, file := range map[string]string{"which drive is it": "drive.toml", "is the name free": "skerry-test"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 1)
			m.cfg.Patience = hangPatience
			m.start()
			card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
			m.plug(a, b)
			m.until("both are known", func(st *state.State) bool {
				return driveNamed(st, "sdb").ID != "" && driveNamed(st, "sdc").ID != "" && idle(st)
			})
			reached, goOn := make(chan struct{}), make(chan struct{})
			t.Cleanup(func() { close(goOn) }) // before the end of the daemon is awaited
			b.on(blockOnce("lstat", file, reached, goOn))
			m.plug(card)
			<-reached
			m.untilReleased(card)
			m.untilCondition(state.DriveHung)
			if len(a.finished()) != 1 || len(b.finished()) != 0 {
				t.Errorf("copies: %v, and on the drive that hangs %v", a.finished(), b.finished())
			}
		})
	}
}

// Copies that cannot be looked at, since their drive hangs, vouch for nothing.
func TestHang_whileCopiesAreLookedAt(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.Patience = hangPatience
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card)
	m.pull(card)
	reached, goOn := make(chan struct{}), make(chan struct{})
	t.Cleanup(func() { close(goOn) })
	b.on(blockOnce("lstat", "SKUA0003", reached, goOn))
	m.plug(card)
	<-reached
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive", "does not answer")
	if st := m.untilIdle(); raised(st, state.CopyDamaged) {
		t.Errorf("a copy that could not be looked at is called damaged: %+v", st.Conditions)
	}
}

// What takes long but gets on is not given up; what stops is, and what it gives
// late goes to the one who cleans up.
func TestPatientlyStepping(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		slow := func(_ context.Context, step func()) (int, error) {
			for range 10 {
				<-time.After(50 * time.Second) // of the bubble's own clock
				step()
			}
			return 7, nil
		}
		if n, err := patientlyStepping(t.Context(), time.Minute, slow, func(int) { t.Error("late") }); n != 7 || err != nil {
			t.Errorf("a call that gets on: %d, %v", n, err)
		}
		late := make(chan int)
		_, err := patientlyStepping(t.Context(), time.Minute, func(ctx context.Context, step func()) (int, error) {
			step()
			<-time.After(2 * time.Minute)
			if ctx.Err() == nil {
				t.Error("a call that was given up is not told so")
			}
			return 8, nil
		}, func(n int) { late <- n })
		if !errors.Is(err, offload.ErrDriveHung) {
			t.Errorf("a call that stops: %v", err)
		}
		if n := <-late; n != 8 {
			t.Errorf("late came %d", n)
		}
		ctx, cancel := context.WithCancelCause(t.Context())
		cancel(errStopping)
		_, err = patientlyStepping(ctx, time.Minute, slow, func(n int) { late <- n })
		if !errors.Is(err, errStopping) {
			t.Errorf("when it is stopped: %v", err)
		}
		<-late
	})
}

// A drive that hangs while it is looked at is looked at again when the policy is read; in
// order or not, it may not be pulled while the call that hangs has it mounted.
func TestHang_whileADriveIsLookedAt(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.Patience = hangPatience
	m.start()
	d := m.drive("sdb")
	reached, goOn := d.blocked("lstat", ownFolder)
	m.plug(d)
	<-reached
	m.until("it is given up", func(st *state.State) bool { return raised(st, state.MediumUnmountable) })
	m.reload <- struct{}{}
	st := m.until("it is known", func(st *state.State) bool { return driveNamed(st, d.name).ID != "" })
	if !driveNamed(st, d.name).InUse || raised(st, state.MediumUnmountable) {
		t.Errorf("it may be pulled, or is said to be unmountable: %+v, %+v", st.Drives, st.Conditions)
	}
	goOn()
	m.until("it is let go", func(st *state.State) bool { return !driveNamed(st, d.name).InUse })
}

// A drive that hangs while it is written on it what it is called, or that it is
// retired, keeps no card waiting.
func TestHang_whileAnIdentityIsWritten(t *testing.T) {
	t.Parallel()
	for name, do := range map[string]func(m *sim, d *simMedium) error{
		"retire": func(m *sim, d *simMedium) error {
			_, err := m.s.retireDrive(m.t.Context(), d.name, true)
			return err
		},
		"enrol": func(m *sim, d *simMedium) error {
			_, err := m.s.enrolAttached(m.t.Context(), d.name, "Skerry C")
			return err
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			m.cfg.Patience = hangPatience
			m.start()
			card, a, b, c := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc"), m.drive("sdd")
			m.plug(a, b, c)
			m.until("all are known", func(st *state.State) bool {
				return driveNamed(st, a.name).ID != "" && driveNamed(st, b.name).ID != "" && driveNamed(st, c.name).ID != "" && idle(st)
			})
			reached, goOn := make(chan struct{}), make(chan struct{})
			t.Cleanup(func() { close(goOn) })
			c.on(blockOnce("create", "drive.toml", reached, goOn))
			ended := make(chan error, 1)
			go func() { ended <- do(m, c) }()
			<-reached
			m.plug(card)
			m.untilReleased(card)
			if err := <-ended; name == "enrol" && !errors.Is(err, offload.ErrDriveHung) {
				t.Errorf("%v", err)
			}
		})
	}
}

package daemon

import (
	"errors"
	"strings"
	"testing"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

// parkedErrand is a drive that came back without a card's copy, and whose catch-up was
// parked.
func parkedErrand(t *testing.T) (m *sim, card, late *simMedium) {
	t.Helper()
	m, card, _, _ = shot(t)
	late = m.drive("sdd")
	at, goOn := late.blocked("create", "SKUA0003")
	m.plug(late)
	<-at
	m.battery(4)
	goOn()
	st := m.untilParked()
	if len(late.finished()) != 0 || len(st.Conditions) != 1 {
		t.Errorf("%v, %+v", late.finished(), st.Conditions)
	}
	return m, card, late
}

// An errand is parked, and planned again when there is power.
func TestPower_errandParked(t *testing.T) {
	t.Parallel()
	m, card, late := parkedErrand(t)
	m.lookAround()
	m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 && noneInUse(st) && st.Errand == nil })
	m.battery(12) // it is over, but for beginning anything
	m.setSupply(onBattery(23))
	m.until("it has caught up", func(st *state.State) bool { return len(late.finished()) == 1 && st.Errand == nil && idle(st) })
	hasCopy(t, late, card, 1)
	m.allGood()
}

// A patrol that is due is not begun, and one that was begun is parked.
func TestPower_patrol(t *testing.T) {
	t.Parallel()
	m, card, a, b := aged(t)
	m.battery(19)
	m.lookAround()
	st := m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 })
	if st.Errand != nil || st.Counters.Patrols != 0 {
		t.Errorf("%+v", st.Errand)
	}
	at, goOn := a.blocked("open", "SKUA0002")
	atB, goOnB := b.blocked("open", "SKUA0002")
	m.charge(19)
	select {
	case <-at:
	case <-atB:
	}
	m.battery(4)
	goOn()
	goOnB()
	if st := m.untilParked(); st.Counters.Patrols != 0 || len(st.Conditions) != 1 {
		t.Errorf("%d patrols, %+v", st.Counters.Patrols, st.Conditions)
	}
	m.charge(9)
	m.until("both are proven again", func(st *state.State) bool { return st.Counters.Patrols == 2 && st.Errand == nil && idle(st) })
	asItWas(t, a, card)
	asItWas(t, b, card)
	m.allGood()
}

// Nobody fills a shuttle, or takes over what a drive tells, by hand while the battery
// is low; what was begun by hand goes on, and who asked waits.
func TestPower_byHand(t *testing.T) {
	t.Parallel()
	m, card, a, _ := shot(t, shuttleRule())
	editor := m.shuttleIn("sdz")
	m.battery(19)
	refused := func(err error) {
		t.Helper()
		if !errors.Is(err, ErrRefused) || !strings.Contains(err.Error(), "the battery is at 19 %, and nothing new is begun below 20 %; charge the box") {
			t.Errorf("%v", err)
		}
	}
	_, err := m.handOver(editor, "cards=SKUA_1")
	refused(err)
	var r status.Refusal
	if !errors.As(err, &r) {
		t.Errorf("the command does not learn that it was refused: %v", err)
	}
	_, err = m.s.recoverDrive(t.Context(), a.label)
	refused(err)
	m.charge(19)
	at, goOn := editor.blocked("create", "SKUA0003")
	answer := make(chan error, 1)
	go func() {
		h, err := m.handOver(editor, "cards=SKUA_1")
		if err == nil && (h.Missing != 0 || len(h.Undelivered) != 0) {
			err = errors.New("something is missing")
		}
		answer <- err
	}()
	<-at
	m.battery(4)
	goOn()
	m.untilParked()
	select {
	case err := <-answer:
		t.Errorf("it is told before it is done: %v", err)
	default:
	}
	m.charge(9)
	if err := <-answer; err != nil {
		t.Error(err)
	}
	if got := carried(t, editor); len(got) != len(card.files) {
		t.Errorf("%v", got)
	}
	// So does what a person asked of a drive.
	at, goOn = a.blocked("mount", "")
	go func() { _, err := m.s.recoverDrive(t.Context(), a.label); answer <- err }()
	<-at
	m.battery(4)
	goOn()
	m.untilParked()
	m.charge(9)
	if err := <-answer; err != nil {
		t.Error(err)
	}
	m.allGood()
}

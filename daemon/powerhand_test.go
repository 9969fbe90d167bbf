package daemon

import (
	"testing"

	"bothy/daemon/state"
)

// A handover that is parked, or gives way to a new policy, while it leaves on the shuttle
// what tells of the delivery goes on afterwards: the shuttle has no fault.
func TestHandover_endedWhileItTellsOfTheDelivery(t *testing.T) {
	t.Parallel()
	for name, end := range map[string]struct{ begin, goOn func(*sim) }{
		"parked": {func(m *sim) { m.setSupply(onBattery(4)); m.untilCondition(state.PowerParked) }, func(m *sim) { m.charge(30) }},
		"policy": {func(m *sim) {
			m.reload <- struct{}{}
			m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 })
		}, func(*sim) {}},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			shuttleRule()(m)
			m.start()
			card, editor := m.card("sda", "SKUA_1", 3), m.shuttle("sdz")
			m.plug(card, m.drive("sdb"), m.drive("sdc"))
			m.untilReleased(card)
			m.pull(card)
			m.plug(editor)
			m.ready(editor)
			m.untilIdle()
			reached, release := editor.blocked("create", "collection-")
			ended := make(chan error, 1)
			go func() {
				_, err := m.handOver(editor, "all")
				ended <- err
			}()
			<-reached
			end.begin(m)
			release()
			end.goOn(m)
			if err := <-ended; err != nil {
				t.Errorf("the handover: %v", err)
			}
			if st := m.untilIdle(); raised(st, state.DriveFailing) || driveNamed(st, editor.name).Failing {
				t.Errorf("the shuttle is said to be failing: %+v", st.Conditions)
			}
		})
	}
}

package daemon

import (
	"testing"
	"testing/synctest"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/policy"
)

// asked is a card's medium that tells when it is asked.
type asked struct {
	offload.Medium
	confirm func()
}

func (m asked) Confirm() error { m.confirm(); return nil }

// The supervisor takes the lock of a job's early release whenever a card is
// pulled. Whoever holds it must wait neither for a device, which may hang, nor
// for the supervisor itself.
func TestEarly_holdsUpNobody(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var cfg Config
		cfg.setDefaults()
		s := newSupervisor(cfg)
		for len(s.calls) < cap(s.calls) { // the supervisor is busy
			s.calls <- func() {}
		}
		j := &job{s: s, card: &card{}, box: policy.Box{Copies: 1}, lane: s.traffic.join(nil, false), early: newEarly()}
		j.plan = &offload.Plan{Files: []offload.Entry{{Path: "DCIM/a.jpg"}}}
		j.tally = newTally(j.plan)
		j.drives = []*jobDrive{{identity: Identity{ID: "a"}, opened: &Opened{Disks: []string{"sda"}}}}
		questions := 0
		j.opened = &Opened{Medium: asked{confirm: func() {
			questions++
			if !j.early.mu.TryLock() {
				t.Error("the card is asked while the supervisor would have to wait")
				return
			}
			j.early.mu.Unlock()
		}}}
		r := &recorder{job: j, offload: ledger.Offload{ID: unrecorded + "x"}, group: group{plan: j.plan}}
		go j.maybeRelease(t.Context(), r, "a")
		synctest.Wait() // it has decided, and waits for the supervisor's ear
		if j.early.mu.TryLock() {
			j.early.mu.Unlock()
		} else {
			t.Error("it waits for the supervisor, who would have to wait for it")
		}
		close(s.quit) // else the bubble would not end
		synctest.Wait()
		if questions != 1 || j.early.released == "" {
			t.Errorf("asked %d times, released because: %q", questions, j.early.released)
		}
	})
}

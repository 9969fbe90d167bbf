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
		s := stillSupervisor(Config{})
		for len(s.calls) < cap(s.calls) { // the supervisor is busy
			s.calls <- func() {}
		}
		j := &job{task: task{s: s, box: policy.Box{Copies: 1}, lane: s.traffic.join(nil, false)}, card: &card{}, early: newEarly()}
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

// An engine that has ended is not listened to any more: a drive that hung may
// wake up and say that its copy is finished, or that the card is read, when
// somebody else's work is under way.
func TestEarly_nothingAfterTheEnd(t *testing.T) {
	t.Parallel()
	j := &job{early: newEarly()}
	ended, running := &recorder{job: j}, &recorder{job: j}
	if finished, ok := j.early.add(ended, "a"); !ok || len(finished) != 1 {
		t.Errorf("while it runs: %q, %v", finished, ok)
	}
	j.early.close(ended)
	if finished, ok := j.early.add(ended, "b"); ok || finished != nil {
		t.Errorf("after its end: %q, %v", finished, ok)
	}
	if finished, ok := j.early.add(running, "c"); !ok || len(finished) != 1 || finished[0] != "c" {
		t.Errorf("the next engine begins with what the last one finished: %q, %v", finished, ok)
	}
	j.cardDone(ended, true)
	if j.early.done {
		t.Error("an engine that has ended says that the card is read")
	}
	j.cardDone(running, false)
	if j.early.done {
		t.Error("the card is done with though another engine will read it")
	}
	j.cardDone(running, true)
	if !j.early.done {
		t.Error("the last engine reads no more, and the card is not done with")
	}
}

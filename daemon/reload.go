package daemon

import (
	"context"
	"errors"
	"os"

	"bothy/daemon/state"
	"bothy/policy"
)

// loadPolicy reads the policy file. A broken one leaves the last good one.
func (s *supervisor) loadPolicy() {
	s.policyInfo.Path = s.cfg.PolicyPath
	data, err := os.ReadFile(s.cfg.PolicyPath)
	var p *policy.Policy
	if err == nil {
		p, err = policy.Parse(s.cfg.PolicyPath, data)
	}
	if err != nil {
		s.policyInfo.Error = err.Error()
		switch {
		case s.policy != nil:
			s.raise(state.PolicyStale, "", err.Error())
		case errors.Is(err, policy.ErrNoRules):
			s.clear(state.PolicyBroken, "")
			s.raise(state.PolicyEmpty, "", err.Error())
			s.page.settings = &p.Status
		default:
			s.clear(state.PolicyEmpty, "")
			s.raise(state.PolicyBroken, "", err.Error())
		}
		return
	}
	s.policy, s.page.settings = p, &p.Status
	s.zone.Store(p.Box.Location)
	s.policyInfo.Error = ""
	s.policyInfo.LoadedAt, _ = s.cfg.Now()
	for _, code := range []state.Code{state.PolicyBroken, state.PolicyEmpty, state.PolicyStale} {
		s.clear(code, "")
	}
	s.judgePower()
}

// reload reads the policy again and decides anew about what is not at work.
func (s *supervisor) reload(ctx context.Context) {
	s.cfg.Notify("RELOADING=1")
	s.counters.PolicyReloads++
	s.loadPolicy()
	s.servePage() // also by a policy without rules
	if s.policyInfo.Error != "" {
		s.counters.PolicyReloadFails++
	} else {
		s.decideAgain(ctx)
		s.errands.anew()
		if e := s.errands.running; e != nil && e.piece.kind != state.ErrandRecover {
			e.cancel(errGiveWay) // its drives may be otherwise by these rules; it goes on afterwards
		}
		for _, c := range s.cards {
			switch {
			case c.job != nil: // its end has it judged again
				if c.verdict == state.Release && s.outdated(c) {
					s.takeBack(c.job, "the policy has changed since; leave it in: it is judged again when the slower drives have their copies", nil)
				}
			case c.verdict == state.Hold || s.outdated(c):
				s.requeue(c)
			}
		}
	}
	s.cfg.Notify("READY=1")
}

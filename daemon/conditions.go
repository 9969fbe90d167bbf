package daemon

import (
	"context"

	"bothy/daemon/state"
)

type conditionKey struct {
	code    state.Code
	subject string
}

// raise makes a condition known; raising it again only renews its detail.
func (s *supervisor) raise(code state.Code, subject, detail string) {
	key := conditionKey{code, subject}
	if old, ok := s.conditions[key]; ok {
		if old.Detail != detail {
			old.Detail = detail
			s.conditions[key] = old
		}
		return
	}
	now, _ := s.cfg.Now()
	c := state.Condition{Code: code, Subject: subject, Detail: detail, Since: now}
	s.conditions[key] = c
	if s.counters.ConditionsRaised == nil {
		s.counters.ConditionsRaised = map[string]uint64{}
	}
	s.counters.ConditionsRaised[string(code)]++
	kind := c.Kind()
	s.cfg.Log.Log(context.Background(), logLevel(kind.Severity), kind.Sentence,
		"condition", string(code), "subject", subject, "detail", detail, "hint", kind.Hint)
	s.logCondition(c, true)
}

// clear takes a condition back.
func (s *supervisor) clear(code state.Code, subject string) {
	key := conditionKey{code, subject}
	c, ok := s.conditions[key]
	if !ok {
		return
	}
	delete(s.conditions, key)
	s.cfg.Log.Info("condition is over", "over", string(code), "subject", subject)
	s.logCondition(c, false)
}

func (s *supervisor) logCondition(c state.Condition, raised bool) {
	if s.ledger == nil || c.Code == state.LedgerFailing {
		return
	}
	err := s.ledger.LogCondition(context.Background(), string(c.Code), c.Subject, c.Detail, raised, moment(s.cfg.Now))
	s.ledgerResult(err)
}

// ledgerResult turns a failure of the ledger into a condition; copying goes on.
func (s *supervisor) ledgerResult(err error) {
	if err != nil {
		s.counters.LedgerFailures++
		s.raise(state.LedgerFailing, "", err.Error())
	}
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// showErrand shows an errand that begins.
func (s *supervisor) showErrand(e *errand) {
	names := func(ids []string) (list []string) {
		for _, id := range ids {
			list = append(list, e.driveOf(id).identity.Name)
		}
		return list
	}
	o := e.piece.offload
	s.errand = &state.Errand{
		Kind: e.piece.kind, OffloadID: o.ID, CardLabel: o.CardLabel, Folder: o.Folder, Files: o.Files, Bytes: o.Bytes,
		From: names(e.piece.from), To: names(e.piece.to),
	}
	s.cfg.Log.Info("work among drives begins", "kind", e.piece.kind, "offload", o.ID, "from", s.errand.From, "to", s.errand.To)
}

// errandProgress shows how far it is.
func (s *supervisor) errandProgress(e *errand, p offload.Progress, bytes int64) {
	if s.errands.running != e || s.errand == nil || bytes == 0 {
		return
	}
	done := 1.0
	for _, c := range p.Copies {
		if !c.Phase.Final() {
			done = min(done, float64(c.BytesWritten+c.BytesProven)/float64(2*bytes))
		}
	}
	s.errandIsAt(e, done)
}

func (s *supervisor) errandIsAt(e *errand, done float64) {
	if s.errands.running == e && s.errand != nil {
		s.errand.Done = max(s.errand.Done, min(done, 0.999))
	}
}

func (s *supervisor) errandShown() *state.Errand {
	if s.errand == nil {
		return nil
	}
	shown := *s.errand
	shown.Waits = len(s.running) > 0
	return &shown
}

// showBehind raises what drives lack and cannot be given now.
func (s *supervisor) showBehind(p planned) {
	for _, d := range s.drives {
		s.showLost(d, p)
		lag, behind := p.behind[d.identity.ID]
		if !behind || !d.usable() {
			s.clear(state.DriveBehind, d.subject())
			continue
		}
		s.raise(state.DriveBehind, d.subject(), fmt.Sprintf("it lacks %s (%s): %s", state.Count(lag.offloads, "offload"), offload.Bytes(lag.bytes), lag.why))
	}
}

// showLost ends the word of damaged copies on a drive when they are healed, and
// says it again after a start.
func (s *supervisor) showLost(d *drive, p planned) {
	why, lost := p.lost[d.identity.ID]
	_, raised := s.conditions[conditionKey{state.CopyDamaged, d.subject()}]
	switch {
	case !d.usable():
	case !lost:
		s.clear(state.CopyDamaged, d.subject())
	case why != "" && !raised:
		s.raise(state.CopyDamaged, d.subject(), why)
	}
}

// recallRecovered shows what was taken over from a drive.
func (s *supervisor) recallRecovered() {
	shown := s.offloads
	s.offloads = nil
	s.recallOffloads(s.life)
	for _, o := range shown {
		i := slices.IndexFunc(s.offloads, func(r *state.Offload) bool { return r.ID == o.ID })
		switch {
		case i >= 0:
			s.offloads[i] = o
		case o.Running:
			s.offloads = slices.Insert(s.offloads, 0, o)
		}
	}
}

// recallOffload shows an offload as the ledger has it now.
func (s *supervisor) recallOffload(id string) {
	i := slices.IndexFunc(s.offloads, func(o *state.Offload) bool { return o.ID == id })
	if id == "" || i < 0 || s.offloads[i].Running {
		return
	}
	o, err := s.ledger.Offload(s.life, id)
	if err == nil {
		var shown state.Offload
		if shown, err = s.recall(context.WithoutCancel(s.life), o); err == nil {
			for k, c := range shown.Copies {
				for _, before := range s.offloads[i].Copies {
					if before.DriveID == c.DriveID && before.Phase == c.Phase {
						shown.Copies[k] = before // it knows more
					}
				}
			}
			s.offloads[i].Copies = shown.Copies
		}
	}
	if !errors.Is(err, context.Canceled) {
		s.ledgerResult(err)
	}
}

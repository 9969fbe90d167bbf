package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/policy"
)

// errands is what the supervisor knows of the work among drives. It belongs to
// its goroutine.
type errands struct {
	due     bool // something changed since it was last planned
	planned bool // a plan is being made
	// lookedForPatrol is when a plan was last made; without news that is done now
	// and then only.
	lookedForPatrol time.Time
	running         *errand
	asked           []errandRequest   // by a person, in order
	looked          map[string]bool   // tokens of drives whose copies were looked for
	tried           map[string]string // what went wrong, by missKey
	level           map[string]bool   // what shuttles have all of, by levelKey; of the plan that is being made
	budget          patrolBudget
}

// errandRequest is a drive that somebody wants something done with.
type errandRequest struct {
	driveID   string
	selection *policy.Selection // it is to be filled with; nil: to be looked through
	told      func(errandOutcome)
}

func (e *errands) patrolDue(now time.Time) bool { return now.Sub(e.lookedForPatrol) >= patrolEvery }

// anew: things are otherwise than when errands went wrong.
func (e *errands) anew() { e.due, e.tried = true, map[string]string{} }

// scheduleErrands begins the next piece of work among drives when nothing else
// is to be done.
func (s *supervisor) scheduleErrands(ctx context.Context) {
	e := &s.errands
	if e.planned || e.running != nil || s.ledger == nil || s.policy == nil || s.phase != state.Watching || s.power.low() ||
		len(s.running) > 0 || s.looking > 0 || ctx.Err() != nil {
		return
	}
	for _, c := range s.cards {
		if c.phase == state.CardQueued && !c.void && !c.gone {
			return
		}
	}
	if len(e.asked) > 0 {
		next := e.asked[0]
		e.asked = e.asked[1:]
		if !s.startErrand(ctx, s.askedFor(next), next.told) {
			next.told(errandOutcome{err: fmt.Errorf("%w: the drive is not there any more", ErrRefused)})
		}
		return
	}
	patrol := e.budget.may(s.policy.Patrol, time.Now())
	if !e.due && !(patrol && e.patrolDue(time.Now())) {
		return
	}
	e.due, e.planned, e.lookedForPatrol = false, true, time.Now()
	var drives []attachedDrive
	for _, d := range s.drives {
		if d.usable() {
			drives = append(drives, attachedDrive{id: d.identity.ID, token: d.token(), mirror: d.rule.Mirror, looked: e.looked[d.token()],
				shuttle: d.rule.Shuttle(), selection: d.rule.Select})
		}
	}
	tried := maps.Clone(e.tried)
	at, l, after, box := moment(s.cfg.Now), s.ledger, s.policy.Patrol.After, s.policy.Box
	needs := &shuttleNeeds{ledger: l, ctx: ctx, level: e.level, day: func(w ledger.Whereabouts) string { return box.Day(w.Started.Wall) }}
	s.work.Go(func() {
		list, err := l.Whereabouts(ctx)
		list = s.retired.inUse(list)
		c := coverage{ledger: l, ctx: ctx, cards: provenCards(list), known: map[string]bool{}}
		var rounds []ledger.Round
		if patrol && err == nil {
			var ids []string
			for _, d := range drives {
				if !d.shuttle { // it may be away for long, and is for others to prove
					ids = append(ids, d.id)
				}
			}
			rounds, err = l.Rounds(ctx, ids...)
		}
		p := (&errandPlanner{list: list, drives: drives, tried: tried, covered: c.covered, at: at, rounds: rounds, after: after, needs: needs}).plan()
		err = errors.Join(err, c.err, needs.err)
		s.post(func() {
			e.planned = false
			if ctx.Err() != nil {
				return
			}
			s.ledgerResult(err)
			if err == nil {
				s.takePlan(ctx, p)
			}
		})
	})
}

// takePlan begins what was planned, unless a card came meanwhile, or the battery fell.
func (s *supervisor) takePlan(ctx context.Context, p planned) {
	s.showBehind(p)
	if p.next == nil {
		return
	}
	if len(s.running) > 0 || s.looking > 0 || s.phase != state.Watching || s.power.low() {
		s.errands.due = true
		return
	}
	if !s.startErrand(ctx, p.next, nil) {
		s.errands.due = true
	}
}

// startErrand is false when a drive that is needed is gone.
func (s *supervisor) startErrand(ctx context.Context, p *piece, told func(errandOutcome)) bool {
	var use []*drive
	for _, d := range s.drives {
		if d.usable() && p.uses(d.identity.ID) {
			use = append(use, d)
		}
	}
	if len(use) < len(p.from)+len(p.to) {
		return false
	}
	ctx, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	e := &errand{task: s.newTask(cancel, use, true), piece: *p, began: time.Now(), told: told}
	s.errands.running = e
	s.showErrand(e)
	s.work.Go(func() {
		e.run(ctx)
		s.post(func() { s.errandEnded(e) })
	})
	return true
}

// errandEnded takes in how an errand ended.
func (s *supervisor) errandEnded(e *errand) {
	s.errands.running, s.errands.due = nil, true
	s.errand = nil
	if e.piece.kind == state.ErrandPatrol && s.policy != nil {
		s.errands.budget.spend(s.policy.Patrol, e.began, time.Now(), e.out.proven || e.out.found || e.out.gaveWay)
	}
	if e.out.proven {
		s.counters.Patrols++
	}
	s.counters.FilesHealed += uint64(e.out.healed)
	s.taskEnded(&e.task, false)
	s.ledgerResult(e.recorderErr)
	names := map[string]string{}
	for _, d := range e.drives {
		names[d.identity.ID] = d.identity.Name
		if e.piece.kind == state.ErrandLook && !e.out.gaveWay {
			s.errands.looked[d.drive.token()] = true // as far as that went
		}
		if why, ok := e.out.missed[d.identity.ID]; ok && !e.out.gaveWay {
			s.errands.tried[missKey(e.piece.offload.ID, d.drive.token())] = why
		}
	}
	for _, f := range e.out.findings {
		s.raise(f.code, names[f.driveID], f.detail)
		if f.code == state.CopyDamaged {
			s.judgeAnew(f.driveID)
		}
	}
	s.recallOffload(e.piece.offload.ID)
	if e.piece.kind == state.ErrandHandover {
		s.handoverEnded(e)
	}
	switch {
	case e.told == nil:
	case e.out.gaveWay: // it goes on when the card has had its turn, or the box is charged
		again := errandRequest{driveID: e.piece.to[0], told: e.told}
		if e.piece.kind == state.ErrandHandover {
			again.selection = &e.piece.selection
		}
		s.errands.asked = append([]errandRequest{again}, s.errands.asked...)
	default:
		if e.out.recovered != nil {
			s.recallRecovered()
		}
		e.told(e.out)
	}
}

// makeWay ends an errand that works on what a card brings itself; it reports
// whether one is still at it.
func (s *supervisor) makeWay(c *card) bool {
	e := s.errands.running
	if e == nil {
		return false
	}
	key := cardKey(c.dev)
	about := key != "" && e.piece.offload.CardKey == key
	if keys := e.cards.Load(); keys != nil {
		about = about || (*keys)[key]
	} else if e.piece.kind == state.ErrandHandover {
		about = key != "" // which cards it is about it does not know yet
	}
	if !about {
		return false
	}
	e.cancel(errGiveWay)
	return true
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
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

// patrolBudget is how much longer a patrol may work. It fills up evenly over the
// day, to a day's worth, and is full when the daemon begins.
type patrolBudget struct {
	left   time.Duration
	worked time.Duration // since it last rested
	filled time.Time     // when it was last filled up; zero: never
	rests  time.Time     // not before then
}

// may fills the budget up and reports whether a patrol may begin.
func (b *patrolBudget) may(p policy.Patrol, now time.Time) bool {
	day := time.Duration(p.Hours) * time.Hour
	if b.filled.IsZero() {
		b.left = day
	} else {
		b.left = min(day, b.left+time.Duration(float64(now.Sub(b.filled))*float64(p.Hours)/24))
	}
	b.filled = now
	return b.left >= min(slice, day) && day > 0 && !now.Before(b.rests)
}

// spend takes off what a patrol took, and after a slice of work lets the drives
// rest for as long as its share asks. One that got nowhere is not tried again at
// once.
func (b *patrolBudget) spend(p policy.Patrol, began, ended time.Time, proven bool) {
	took := ended.Sub(began)
	b.left -= took
	b.worked += took
	var rest time.Duration
	if b.worked >= slice {
		rest = b.worked * time.Duration(100-p.SharePercent) / time.Duration(p.SharePercent)
		b.worked = 0
	}
	if !proven && took < patrolEvery {
		rest = max(rest, patrolEvery)
	}
	b.rests = ended.Add(rest)
}

// patrolEvery is how often it is looked whether a proof has grown old.
const patrolEvery = time.Minute

func (e *errands) patrolDue(now time.Time) bool { return now.Sub(e.lookedForPatrol) >= patrolEvery }

// anew: things are otherwise than when errands went wrong.
func (e *errands) anew() { e.due, e.tried = true, map[string]string{} }

// scheduleErrands begins the next piece of work among drives when nothing else
// is to be done.
func (s *supervisor) scheduleErrands(ctx context.Context) {
	e := &s.errands
	if e.planned || e.running != nil || s.ledger == nil || s.policy == nil || s.phase != state.Watching ||
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
			drives = append(drives, attachedDrive{d.identity.ID, d.token(), d.rule.Mirror, e.looked[d.token()], d.rule.Shuttle(), d.rule.Select})
		}
	}
	tried := map[string]string{}
	for key, why := range e.tried {
		tried[key] = why
	}
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
		p := (&errandPlanner{list, drives, tried, c.covered, at, rounds, after, needs}).plan()
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

// coverage asks the ledger what drives hold of a card by way of several offloads,
// and of each only once.
type coverage struct {
	ledger *ledger.Ledger
	ctx    context.Context
	cards  map[string]bool // by card key and drive: the drive has a proven copy of that card
	known  map[string]bool // by offload and drive
	err    error           // the first
}

func provenCards(list []ledger.Whereabouts) map[string]bool {
	cards := map[string]bool{}
	for _, w := range list {
		for _, c := range w.Copies {
			if c.Status == ledger.CopyProven {
				cards[w.CardKey+" "+c.DriveID] = true
			}
		}
	}
	return cards
}

func (c *coverage) covered(w ledger.Whereabouts, driveID string) bool {
	if w.CardKey == "" || !c.cards[w.CardKey+" "+driveID] {
		return false // without asking
	}
	key := w.ID + " " + driveID
	there, ok := c.known[key]
	if !ok {
		var err error
		if there, err = c.ledger.Covers(c.ctx, w.Offload, driveID); err != nil && c.err == nil {
			c.err = err
		}
		c.known[key] = there
	}
	return there
}

// takePlan begins what was planned, unless a card came meanwhile.
func (s *supervisor) takePlan(ctx context.Context, p planned) {
	s.showBehind(p)
	if p.next == nil {
		return
	}
	if len(s.running) > 0 || s.looking > 0 || s.phase != state.Watching {
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

// errandEnded takes in how an errand ended.
func (s *supervisor) errandEnded(e *errand) {
	s.errands.running, s.errands.due = nil, true
	s.errand = nil
	if e.piece.kind == state.ErrandPatrol && s.policy != nil {
		s.errands.budget.spend(s.policy.Patrol, e.began, time.Now(), e.out.proven || e.out.found)
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
		if e.piece.kind == state.ErrandLook {
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
	case e.out.gaveWay && e.piece.kind == state.ErrandHandover: // it goes on when the card has had its turn
		again := errandRequest{e.piece.to[0], &e.piece.selection, e.told}
		s.errands.asked = append([]errandRequest{again}, s.errands.asked...)
	default:
		if e.out.recovered != nil {
			s.recallRecovered()
		}
		e.told(e.out)
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
	}
	if !about {
		return false
	}
	e.cancel(errGiveWay)
	return true
}

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

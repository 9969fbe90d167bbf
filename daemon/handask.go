package daemon

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/policy"
)

// shuttleNeeds finds out what shuttles lack by their rules. It is asked on the
// goroutine of a plan, and remembers which offloads a shuttle has all of.
type shuttleNeeds struct {
	ledger *ledger.Ledger
	ctx    context.Context
	day    func(w ledger.Whereabouts) string
	level  map[string]bool // by levelKey
	err    error           // the first
}

func levelKey(w ledger.Whereabouts, d attachedDrive, c ledger.Copy) string {
	return missKey(w.ID, d.token) + " " + c.Status + " " + c.Updated.Wall.String() + " " + d.selection.Text()
}

// lacks reports whether something that a shuttle's rule selects is not there.
func (n *shuttleNeeds) lacks(w ledger.Whereabouts, d attachedDrive) bool {
	if w.Status == ledger.OffloadVoid || !d.selection.Takes(n.day(w), w.CardLabel, w.Folder) {
		return false
	}
	var on ledger.Copy
	for _, c := range w.Copies {
		if c.DriveID == d.id {
			on = c
		}
	}
	key := levelKey(w, d, on)
	if n.level[key] {
		return false
	}
	files, err := n.ledger.Files(n.ctx, w.ID)
	proven := map[string]bool{}
	if err == nil && handedOver(on, d.id) {
		proven, err = n.ledger.Proven(n.ctx, w.ID, d.id)
	}
	if err != nil {
		if n.err == nil {
			n.err = err
		}
		return false
	}
	if slices.ContainsFunc(files, func(f ledger.File) bool {
		return !proven[f.Path] && !inHistory(f.Path) && d.selection.TakesFile(f.Path)
	}) {
		return true
	}
	n.level[key] = true
	return false
}

// handOver finds a shuttle that lacks something that can be had now, and says
// what shuttles lack that cannot.
func (e *errandPlanner) handOver(p *planned) *piece {
	var next *piece
	for _, d := range e.drives {
		if !d.shuttle || d.selection == nil {
			continue
		}
		from, skip := map[string]bool{}, map[string]bool{}
		for _, w := range e.list {
			if !e.needs.lacks(w, d) {
				continue
			}
			why := e.tried[missKey(w.ID, d.token)]
			ids := handableFrom(w, e.drives, d.id)
			if why == "" && len(ids) == 0 {
				why = sourcesAway
			}
			if why != "" {
				lag := p.behind[d.id]
				p.behind[d.id] = lagging{lag.offloads + 1, lag.bytes + w.Bytes, cmpOr(lag.why, why)}
				skip[w.ID] = true
				continue
			}
			for _, id := range ids {
				from[id] = true
			}
		}
		if len(from) > 0 && next == nil {
			next = &piece{kind: state.ErrandHandover, selection: *d.selection, skip: skip, from: slices.Sorted(maps.Keys(from)), to: []string{d.id}}
		}
	}
	return next
}

// handableFrom lists the attached drives that have something of an offload.
func handableFrom(w ledger.Whereabouts, drives []attachedDrive, but string) (ids []string) {
	for _, c := range w.Copies {
		attached := slices.ContainsFunc(drives, func(d attachedDrive) bool { return d.id == c.DriveID })
		if attached && c.DriveID != but && (c.Status == ledger.CopyProven || c.Status == ledger.CopyIncomplete || spoilt(w, c.DriveID)) {
			ids = append(ids, c.DriveID)
		}
	}
	return ids
}

// notInOrder refuses work with a drive that cannot be used, or is not known.
func notInOrder(target string) error {
	return fmt.Errorf("%w: no drive %q is attached and in order; 'bothy status' lists them", ErrRefused, target)
}

// handOverByHand has a shuttle filled, and waits for that.
func (s *supervisor) handOverByHand(ctx context.Context, target string, words []string) (*status.HandedOver, error) {
	var chosen *policy.Selection
	if len(words) > 0 {
		sel, err := policy.ParseSelection(words)
		if err != nil {
			return nil, status.Refusal{Err: err}
		}
		chosen = &sel
	}
	answers := make(chan errandOutcome, 1)
	s.post(func() {
		refused := func(format string, args ...any) {
			answers <- errandOutcome{err: fmt.Errorf("%w: "+format, append([]any{ErrRefused}, args...)...)}
		}
		d := s.driveNamed(target)
		switch {
		case s.ledger == nil:
			refused("there is no ledger that tells what was off-loaded")
		case d == nil || !d.usable():
			answers <- errandOutcome{err: notInOrder(target)}
		case !d.rule.Shuttle():
			refused("%s is no shuttle; give it a drive rule of its own with role = \"shuttle\"", d.subject())
		case chosen == nil && d.rule.Select == nil:
			refused("the rule of %s selects nothing; say with --select what is to go with it", d.subject())
		case s.power.low():
			refused("%s", s.powerSentence())
		default:
			if chosen == nil {
				chosen = d.rule.Select
			}
			s.errands.asked = append(s.errands.asked, errandRequest{d.identity.ID, chosen, func(out errandOutcome) { answers <- out }})
		}
	})
	select {
	case out := <-answers:
		if errors.Is(out.err, ErrRefused) || errors.Is(out.err, offload.ErrRefused) {
			out.err = status.Refusal{Err: out.err}
		}
		return out.handed, out.err
	case <-ctx.Done():
		return nil, ctx.Err()
	case <-s.quit:
		return nil, errStopping
	}
}

// driveNamed finds an attached drive by its device, folder, name or id.
func (s *supervisor) driveNamed(target string) *drive {
	d := s.findDrive(target)
	for _, named := range s.drives {
		if d == nil && target != "" && (named.identity.Name == target || named.identity.ID == target) {
			d = named
		}
	}
	return d
}

// asked is the piece of work that somebody wants.
func (s *supervisor) askedFor(r errandRequest) *piece {
	if r.selection == nil {
		return &piece{kind: state.ErrandRecover, to: []string{r.driveID}}
	}
	p := &piece{kind: state.ErrandHandover, selection: *r.selection, to: []string{r.driveID}}
	for _, d := range s.drives {
		if d.usable() && d.identity.ID != r.driveID {
			p.from = append(p.from, d.identity.ID)
		}
	}
	return p
}

// handoverEnded takes in what a shuttle was brought, and has cards judged again
// for which that counts.
func (s *supervisor) handoverEnded(e *errand) {
	for _, d := range e.drives {
		for id, why := range e.out.unhanded {
			if !e.out.gaveWay && d.identity.ID == e.piece.to[0] {
				s.errands.tried[missKey(id, d.drive.token())] = why
			}
		}
	}
	for _, id := range e.out.handedIDs {
		s.recallOffload(id)
	}
	if !e.out.counting {
		return
	}
	keys := e.cards.Load()
	for _, c := range s.cards {
		if keys != nil && (*keys)[cardKey(c.dev)] && c.phase == state.CardDecided && c.holdKind == state.NeedsDrive {
			s.requeue(c)
		}
	}
}

// errandMeasured shows how much there is to be done.
func (s *supervisor) errandMeasured(e *errand, files int, bytes int64) {
	if s.errands.running == e && s.errand != nil {
		s.errand.Files, s.errand.Bytes = files, bytes
	}
}

// uncounted: what is on the drive is none of the copies that a release needs.
func uncounted(r *policy.DriveRule) bool { return r.Shuttle() && !r.Counts }

// lent reports whether one of the drives that work began with counts no more.
func lent(drives []*jobDrive) bool {
	return slices.ContainsFunc(drives, func(d *jobDrive) bool { return !uncounted(&d.rule) && uncounted(d.drive.rule) })
}

// counting notes in the ledger whether what is on a drive counts, by its rule.
// Where less counts than did, the cards that are in are judged again.
func (s *supervisor) counting(d *drive) {
	if s.ledger == nil || d.identity.ID == "" || d.refused {
		return
	}
	s.ledgerResult(s.ledger.SetCounting(context.Background(), d.identity.ID, !uncounted(d.rule)))
	before := s.copyCount[d.identity.ID]
	s.recallDrives(context.Background())
	if s.copyCount[d.identity.ID] >= before {
		return
	}
	for _, c := range s.cards {
		if c.phase == state.CardDecided {
			s.requeue(c)
		}
	}
}

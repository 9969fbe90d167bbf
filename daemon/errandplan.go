package daemon

import (
	"context"
	"slices"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/policy"
)

// attachedDrive is a usable drive as the plan of errands sees it.
type attachedDrive struct {
	id, token string
	mirror    policy.Mirror
	looked    bool // since it was attached
	shuttle   bool
	selection *policy.Selection // of a shuttle; nil: only by hand
}

// planned is what there is to do among drives.
type planned struct {
	next   *piece             // nil: nothing now
	behind map[string]lagging // by drive id: what is lacking and cannot be brought now
	lost   map[string]string  // by drive id: why a copy counts no more; empty when it is gone
}

// lagging is what a drive lacks.
type lagging struct {
	offloads int
	bytes    int64
	why      string
}

// errandPlanner holds what a plan of errands is made from.
type errandPlanner struct {
	list   []ledger.Whereabouts // oldest first
	drives []attachedDrive
	tried  map[string]string // what went wrong since things were last otherwise, by missKey
	// covered says of a drive without a copy of an offload whether all its files
	// stand there with other offloads of the card.
	covered func(w ledger.Whereabouts, driveID string) bool
	at      ledger.Moment
	// rounds are the proven copies on the drives, those first that were proven the
	// longest ago; empty when no patrol may begin.
	rounds []ledger.Round
	after  time.Duration // how old a proof is when it is taken again
	needs  *shuttleNeeds
}

// plan says what is to be done next. A drive that came back is looked at first,
// so that nothing is copied from what is not there any more. Then comes what the
// fewest drives hold, the newest first.
func (e *errandPlanner) plan() planned {
	p := planned{behind: map[string]lagging{}, lost: e.lost()}
	for _, d := range e.drives {
		if !d.looked && slices.ContainsFunc(e.list, func(w ledger.Whereabouts) bool { return keeps(w, d.id) != "" }) {
			p.next = &piece{kind: state.ErrandLook, to: []string{d.id}}
			return p
		}
	}
	fewest := 0
	for _, w := range slices.Backward(e.list) {
		from, copies := sourcesOf(w, e.drives)
		var to []string
		for _, d := range e.drives {
			if !e.lacks(w, d, copies) {
				continue
			}
			why := e.hindered(w, d, from)
			if why == "" {
				if !e.lesserFirst(w, d) {
					to = append(to, d.id)
				}
				continue
			}
			lag := p.behind[d.id]
			p.behind[d.id] = lagging{lag.offloads + 1, lag.bytes + w.Bytes, cmpOr(lag.why, why)}
		}
		if len(to) > 0 && (p.next == nil || copies < fewest) {
			fewest = copies
			p.next = &piece{kind: state.ErrandCatchUp, offload: w.Offload, from: from, to: to}
		}
	}
	if heal := e.heal(); heal != nil {
		p.next = heal
	}
	if shuttle := e.handOver(&p); p.next == nil {
		p.next = shuttle
	}
	if p.next == nil {
		p.next = e.patrol()
	}
	return p
}

// lost says of drives with copies that count no more what is wrong with the first
// that stands there still.
func (e *errandPlanner) lost() map[string]string {
	lost := map[string]string{}
	for _, w := range e.list {
		for _, c := range w.Copies {
			if c.Status != ledger.CopyLost {
				continue
			}
			why := lost[c.DriveID]
			if why == "" && c.Folder != "" {
				why = c.Folder + ": " + c.Reason
			}
			lost[c.DriveID] = why
		}
	}
	return lost
}

// heal finds a damaged copy that stands on a drive while another has it whole.
func (e *errandPlanner) heal() *piece {
	for _, w := range e.list {
		for _, d := range e.drives {
			from, _ := sourcesOf(w, e.drives)
			if d.shuttle || !spoilt(w, d.id) || len(from) == 0 || holds(w, from[0]) != ledger.CopyProven || e.tried[missKey(w.ID, d.token)] != "" {
				continue
			}
			return &piece{kind: state.ErrandHeal, offload: w.Offload, from: from, to: []string{d.id}}
		}
	}
	return nil
}

// patrol finds the copy whose proof is the oldest, if it is old enough.
func (e *errandPlanner) patrol() *piece {
	for _, r := range e.rounds {
		if e.due(r.At) {
			return &piece{kind: state.ErrandPatrol, offload: r.Offload, round: r, to: []string{r.Copy.DriveID}}
		}
	}
	return nil
}

// due reports whether a proof is old enough to be taken again. Where the clock was
// not right, then or now, the time since the kernel's start tells, and what is of
// another start is taken to be old.
func (e *errandPlanner) due(proof ledger.Moment) bool {
	switch {
	case proof.Trusted && e.at.Trusted:
		return e.at.Wall.Sub(proof.Wall) >= e.after
	case proof.BootID != "" && proof.BootID == e.at.BootID:
		return e.at.SinceBoot-proof.SinceBoot >= e.after
	}
	return true
}

// lacks reports whether a drive is to have an offload and has not.
func (e *errandPlanner) lacks(w ledger.Whereabouts, d attachedDrive, copies int) bool {
	return copies > 0 && !d.shuttle && holds(w, d.id) == "" && wants(d.mirror, w.Offload, e.at) && !e.covered(w, d.id)
}

// sourcesAway is why a drive cannot be given what it lacks while nobody is to blame.
const sourcesAway = "no drive that has them is attached"

// hindered says why a drive cannot be given an offload now; empty when it can.
func (e *errandPlanner) hindered(w ledger.Whereabouts, d attachedDrive, from []string) string {
	switch {
	case spoilt(w, d.id):
		return "its own copy is damaged"
	case len(from) == 0:
		return sourcesAway
	}
	return e.tried[missKey(w.ID, d.token)]
}

// lesserFirst reports whether the drive is to be given a lesser offload of the
// same card before: that may be all it lacks of this one.
func (e *errandPlanner) lesserFirst(w ledger.Whereabouts, d attachedDrive) bool {
	return w.CardKey != "" && slices.ContainsFunc(e.list, func(o ledger.Whereabouts) bool {
		if o.CardKey != w.CardKey || o.Bytes >= w.Bytes {
			return false
		}
		from, copies := sourcesOf(o, e.drives)
		return e.lacks(o, d, copies) && e.hindered(o, d, from) == ""
	})
}

func missKey(offloadID, token string) string { return offloadID + " " + token }

// holds gives the status of a drive's finished copy; empty when it has none.
func holds(w ledger.Whereabouts, driveID string) string {
	for _, c := range w.Copies {
		if c.DriveID == driveID {
			switch c.Status {
			case ledger.CopyProven, ledger.CopyIncomplete, ledger.CopyUnproven:
				return c.Status
			}
		}
	}
	return ""
}

// keeps is holds for what a drive is known to have under a final name, whether it
// counts or not.
func keeps(w ledger.Whereabouts, driveID string) string {
	if slices.ContainsFunc(w.Copies, func(c ledger.Copy) bool { return c.DriveID == driveID && c.Status == ledger.CopyHanded }) {
		return ledger.CopyHanded
	}
	return holds(w, driveID)
}

// spoilt: a drive's copy counts no more, and stands in its place still. To mend
// that is not a matter of copying everything again.
func spoilt(w ledger.Whereabouts, driveID string) bool {
	return slices.ContainsFunc(w.Copies, func(c ledger.Copy) bool {
		return c.DriveID == driveID && c.Status == ledger.CopyLost && c.Folder != ""
	})
}

// sourcesOf lists the attached drives that an offload can be had from, and
// counts the copies there are of it anywhere. What was saved of a damaged card
// is copied from only where nobody has the whole.
func sourcesOf(w ledger.Whereabouts, drives []attachedDrive) (ids []string, copies int) {
	for _, status := range []string{ledger.CopyProven, ledger.CopyIncomplete} {
		for _, c := range w.Copies {
			if c.Status != status {
				continue
			}
			copies++
			if slices.ContainsFunc(drives, func(d attachedDrive) bool { return d.id == c.DriveID }) {
				ids = append(ids, c.DriveID)
			}
		}
		if copies > 0 {
			break
		}
	}
	return ids, copies
}

// wants asks a drive's rule about an offload. Ages are told only where the clock
// was right both then and now.
func wants(m policy.Mirror, o ledger.Offload, at ledger.Moment) bool {
	known := o.Started.Trusted && at.Trusted
	return m.Wants(o.Folder, at.Wall.Sub(o.Started.Wall), known)
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

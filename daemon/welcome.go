package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
)

// ledgersOn tells the ledgers apart that boxes left on a drive: by name, with size
// and time. What cannot be listed tells nothing.
func ledgersOn(o *Opened) map[string]string {
	items, err := o.FS.List(ownFolder)
	if err != nil {
		return nil
	}
	stamps := map[string]string{}
	for _, item := range items {
		if item.Mode.IsRegular() && isSnapshot(item.Name) && len(stamps) < maxSnapshots {
			stamps[item.Name] = fmt.Sprintf("%d %d", item.SizeBytes, item.ModTime.UnixNano())
		}
	}
	return stamps
}

func isSnapshot(name string) bool {
	return strings.HasPrefix(name, "ledger-") && strings.HasSuffix(name, ".db.zst")
}

// takenWhole is the stamp of a drive of which all was taken over that it told when
// this box met it.
const takenWhole = "all"

// welcome has a drive tell what other boxes did with it: all when this box meets it,
// and afterwards what has come on it since. It is noted when that is done, and not
// before, so that neither a cut nor a pulled plug makes the box forget to ask.
func (s *supervisor) welcome(d *drive, found identified) {
	if s.ledger == nil || d.rule.Shuttle() {
		return
	}
	ctx, id, name := context.WithoutCancel(s.life), d.identity.ID, d.identity.Name
	taken, err := s.ledger.TakenOver(ctx, id)
	s.ledgerResult(err)
	if err != nil {
		return
	}
	news := map[string]string{"": takenWhole}
	for ledger, stamp := range found.ledgers {
		if ledger != "ledger-"+s.boxID()+".db.zst" {
			news[ledger] = stamp
		}
	}
	for source, stamp := range taken {
		if news[source] == stamp {
			delete(news, source)
		}
	}
	note := func() {
		for source, stamp := range news {
			s.ledgerResult(s.ledger.TakeOver(ctx, id, source, stamp))
		}
	}
	if len(news) == 0 || slices.ContainsFunc(s.errands.asked, func(r errandRequest) bool { return r.driveID == id }) {
		return
	}
	if found.enrolled { // by this box, just now
		note()
		return
	}
	s.errands.asked = append(s.errands.asked, errandRequest{id, nil, func(out errandOutcome) {
		r, err := out.recovered, out.err
		if err != nil {
			s.cfg.Log.Warn("what a drive tells of other boxes could not be read", "drive", name, "err", err)
			return
		}
		note()
		s.cfg.Log.Info("taken over from a drive that was elsewhere", "drive", name, "offloads", r.Offloads, "copies", r.Copies, "not read", len(r.Refused))
	}})
}

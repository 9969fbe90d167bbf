package daemon

import (
	"context"
	"math"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

// paceDays is over how many days the pace is taken by which room is foretold.
const paceDays = 7

// roomLeft foretells how many cards still go on a drive with so much room, and for
// how many hours it will do, from the offloads of the last days. It is not known
// while the clock is not right, nor when nothing was begun by a right one. A box
// that began its work less than seven days ago is taken by the time since, but by
// no less than a day.
func roomLeft(list []ledger.Offload, now time.Time, trusted bool, roomBytes int64) state.Room {
	if !trusted {
		return state.Room{}
	}
	first := now
	var bytes float64
	cards := 0
	for _, o := range list {
		at := o.Started.Wall
		if !o.Started.Trusted || o.Status == ledger.OffloadVoid || o.Bytes <= 0 || at.After(now) || now.Sub(at) > paceDays*24*time.Hour {
			continue
		}
		bytes += float64(o.Bytes)
		cards++
		if at.Before(first) {
			first = at
		}
	}
	if cards == 0 {
		return state.Room{}
	}
	room := max(float64(roomBytes), 0)
	hours := max(now.Sub(first), 24*time.Hour).Hours()
	return state.Room{Known: true, Cards: whole(room / (bytes / float64(cards))), Hours: whole(room / (bytes / hours))}
}

// whole rounds down to what an int of any machine holds.
func whole(f float64) int { return int(min(f, math.MaxInt32)) }

// roomFor foretells how much more goes on an attached drive. A shuttle is given no
// cards.
func (s *supervisor) roomFor(d *drive, now time.Time, trusted bool) state.Room {
	if d.rule.Shuttle() {
		return state.Room{}
	}
	return s.roomOn(d.identity.ID, d.freeBytes-d.rule.ReserveBytes, now, trusted)
}

// roomOn foretells how much more goes on a drive that is known.
func (s *supervisor) roomOn(id string, bytes int64, now time.Time, trusted bool) state.Room {
	if id == "" {
		return state.Room{}
	}
	return roomLeft(s.lately, now, trusted, bytes)
}

// recallLately reads from the ledger what came in the last days.
func (s *supervisor) recallLately(ctx context.Context) {
	now, trusted := s.cfg.Now()
	if !trusted {
		return
	}
	list, _, err := s.ledger.FindOffloads(ctx, ledger.OffloadQuery{Since: now.AddDate(0, 0, -paceDays), Limit: ledger.MaxFound})
	s.ledgerResult(err)
	s.lately = s.lately[:0]
	for _, w := range list {
		s.lately = append(s.lately, ledger.Offload{Started: w.Started, Bytes: w.Bytes, Status: w.Status}) // all that is asked of it
	}
}

package daemon

import (
	"time"

	"bothy/policy"
)

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
// rest for as long as its share asks. One that got nowhere by itself is not tried
// again at once.
func (b *patrolBudget) spend(p policy.Patrol, began, ended time.Time, again bool) {
	took := ended.Sub(began)
	b.left -= took
	b.worked += took
	var rest time.Duration
	if b.worked >= slice {
		rest = b.worked * time.Duration(100-p.SharePercent) / time.Duration(p.SharePercent)
		b.worked = 0
	}
	if !again && took < patrolEvery {
		rest = max(rest, patrolEvery)
	}
	b.rests = ended.Add(rest)
}

// patrolEvery is how often it is looked whether a proof has grown old.
const patrolEvery = time.Minute

package daemon

import (
	"context"
	"errors"

	"bothy/policy"
)

// task is work on drives: that of a job, which brings them a card, and that of
// an errand, which is among drives alone. It runs on a goroutine of its own and
// touches the supervisor only through post and what guards itself.
type task struct {
	s       *supervisor
	cancel  context.CancelCauseFunc // for the supervisor's goroutine only
	lane    *lane
	box     policy.Box
	boxName string
	boxID   string
	drives  []*jobDrive
	// recorderErr is the first failure of the ledger; it is read when the work has
	// ended.
	recorderErr error
}

func (s *supervisor) newTask(cancel context.CancelCauseFunc, use []*drive, aside bool) task {
	t := task{s: s, cancel: cancel, box: s.policy.Box, boxName: s.boxName(), boxID: s.boxID(), lane: s.traffic.join(lanesOf(use), aside)}
	for _, d := range use {
		d.users++
		s.mounted.enter(d.dev)
		t.drives = append(t.drives, newJobDrive(d))
	}
	return t
}

// taskEnded gives back what a task had taken. What a drive did well says nothing
// of the card that it could not take: only a job that goes well clears that.
func (s *supervisor) taskEnded(t *task, clears bool) {
	t.cancel(nil)
	s.traffic.leave(t.lane)
	s.claims.drop(t)
	for _, d := range t.drives {
		d.drive.users--
		s.mounted.leaveQuietly(d.dev)
		if d.freeBytes > 0 {
			d.drive.freeBytes = d.freeBytes
		}
		if d.err != nil || clears {
			s.judgeDrive(d)
		}
		if d.identity.ID != "" && !d.drive.gone {
			s.noteDrive(d.drive)
			if uncounted(d.drive.rule) { // it may have become so meanwhile
				s.counting(d.drive)
			}
		}
	}
	s.vacated(s.life)
}

// recorderFailed keeps the first failure of the ledger; that a card was pulled
// in the middle of a query is none.
func (t *task) recorderFailed(err error) {
	if err != nil && t.recorderErr == nil && !errors.Is(err, context.Canceled) {
		t.recorderErr = err
	}
}

func (t *task) driveOf(id string) *jobDrive {
	for _, d := range t.drives {
		if d.identity.ID == id {
			return d
		}
	}
	return nil
}

package daemon

import (
	"context"
	"slices"
	"sync"
)

// traffic knows which jobs are at work on which drives. Of jobs for which a
// card waits there are only so many, and they share no rotating drive; a job
// whose card is released already steps aside and goes on when the drives are
// free.
type traffic struct {
	mu      sync.Mutex
	lanes   []*lane       // guarded by mu; in the order of their beginning
	changed chan struct{} // guarded by mu; closed when anything changes
}

// lane is one job as traffic sees it.
type lane struct {
	drives []laneDrive
	aside  bool            // guarded by traffic.mu; its card is released
	served map[string]bool // guarded by traffic.mu; disks that have their copy
}

// laneDrive is the disk below a drive: two drives on one disk share its heads.
type laneDrive struct {
	disk     string
	rotating bool
}

func newTraffic() *traffic { return &traffic{changed: make(chan struct{})} }

func (t *traffic) join(drives []laneDrive, aside bool) *lane {
	l := &lane{drives: drives, aside: aside, served: map[string]bool{}}
	t.change(func() { t.lanes = append(t.lanes, l) })
	return l
}

func (t *traffic) leave(l *lane) {
	t.change(func() { t.lanes = slices.DeleteFunc(t.lanes, func(o *lane) bool { return o == l }) })
}

// stepAside says that nobody waits any more for what is left of a job.
func (t *traffic) stepAside(l *lane) { t.change(func() { l.aside = true }) }

// serve says that a disk has its copy; others may write to it.
func (t *traffic) serve(l *lane, disk string) { t.change(func() { l.served[disk] = true }) }

func (t *traffic) change(do func()) {
	t.mu.Lock()
	defer t.mu.Unlock()
	do()
	close(t.changed)
	t.changed = make(chan struct{})
}

// room reports whether one more job may begin for which a card waits.
func (t *traffic) room(parallel int, drives []laneDrive) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := 0
	for _, l := range t.lanes {
		if l.aside {
			continue
		}
		if n++; n >= parallel {
			return false
		}
		for _, d := range drives {
			for _, o := range l.drives {
				if d.disk == o.disk && (d.rotating || o.rotating) {
					return false
				}
			}
		}
	}
	return true
}

// unserved reports whether a job still has a copy to bring to a disk.
func (t *traffic) unserved(l *lane, disk string) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return l.uses(disk) && !l.served[disk]
}

func (t *traffic) isAside(l *lane) bool {
	t.mu.Lock()
	defer t.mu.Unlock()
	return l.aside
}

// wait returns when a job that stepped aside may go on: nobody waits for work
// on any of its drives, and no job that stepped aside before it still writes to
// one that it has to write to. It returns the cause when ctx ends before.
func (t *traffic) wait(ctx context.Context, l *lane) error {
	for {
		t.mu.Lock()
		held, changed := t.heldLocked(l), t.changed
		t.mu.Unlock()
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if !held {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
		}
	}
}

func (t *traffic) heldLocked(l *lane) bool {
	if !l.aside {
		return false
	}
	earlier := true
	for _, o := range t.lanes {
		if o == l {
			earlier = false
			continue
		}
		if o.aside && !earlier {
			continue
		}
		for _, d := range l.drives {
			if !o.uses(d.disk) {
				continue
			}
			if !o.aside || !o.served[d.disk] && !l.served[d.disk] {
				return true
			}
		}
	}
	return false
}

func (l *lane) uses(disk string) bool {
	return slices.ContainsFunc(l.drives, func(d laneDrive) bool { return d.disk == disk })
}

package daemon

import (
	"strings"
	"sync"
	"unicode"

	"golang.org/x/text/unicode/norm"

	"bothy/daemon/offload"
)

// claims is what running tasks have taken for themselves and what does not show
// on a drive or in the ledger yet: folder names, offloads, and room.
type claims struct {
	mu       sync.Mutex
	folders  map[claimedName]*task          // guarded by mu
	offloads map[string]*task               // guarded by mu; by id
	room     map[string]map[*task]*roomPlan // guarded by mu; by drive id
}

type claimedName struct{ driveID, folder string }

// roomPlan is how many bytes a task means to write to a drive.
type roomPlan struct{ planned, written int64 }

func newClaims() *claims {
	return &claims{folders: map[claimedName]*task{}, offloads: map[string]*task{}, room: map[string]map[*task]*roomPlan{}}
}

// suffixes are the forms that the name of a copy's folder takes.
var suffixes = [...]string{"", offload.UnfinishedSuffix, offload.IncompleteSuffix}

// folder claims a name on drives, in every form it takes; it fails when another
// task has one of them on one of the drives.
func (c *claims) folder(t *task, name string, drives []*jobDrive) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	var names []claimedName
	for _, d := range drives {
		for _, suffix := range suffixes {
			key := claimedName{d.identity.ID, oneCase(name + suffix)}
			if by := c.folders[key]; by != nil && by != t {
				return false
			}
			names = append(names, key)
		}
	}
	for _, key := range names {
		c.folders[key] = t
	}
	return true
}

// oneCase makes names equal that any file system may take for one; to take two
// for one that are not costs nothing but a number at the end.
func oneCase(name string) string {
	return strings.Map(func(r rune) rune { return unicode.ToLower(unicode.ToUpper(r)) }, norm.NFC.String(name))
}

// offload claims an offload; it fails when another task is at work on it.
func (c *claims) offload(t *task, id string) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if by := c.offloads[id]; by != nil && by != t {
		return false
	}
	c.offloads[id] = t
	return true
}

// plan notes what a task is about to write to a drive, and returns how much of
// the room that shows there others are going to need.
func (c *claims) plan(t *task, driveID string, planned int64) (othersBytes int64) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for by, r := range c.room[driveID] {
		if by != t {
			othersBytes += max(0, r.planned-r.written)
		}
	}
	if c.room[driveID] == nil {
		c.room[driveID] = map[*task]*roomPlan{}
	}
	c.room[driveID][t] = &roomPlan{planned: planned}
	return othersBytes
}

// written notes how much of it shows on the drive.
func (c *claims) written(t *task, p offload.Progress) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, cp := range p.Copies {
		if r := c.room[cp.DriveID][t]; r != nil {
			r.written = cp.BytesWritten
		}
	}
}

// drop gives up all that a task has claimed.
func (c *claims) drop(t *task) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for key, by := range c.folders {
		if by == t {
			delete(c.folders, key)
		}
	}
	for id, by := range c.offloads {
		if by == t {
			delete(c.offloads, id)
		}
	}
	for _, tasks := range c.room {
		delete(tasks, t)
	}
}

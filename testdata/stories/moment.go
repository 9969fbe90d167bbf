package stories

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"time"

	"bothy/testdata/testbed"
)

// moment says when the power fails.
type moment struct {
	Kind string // begin, copying, reading, finish, ledger, release
	Disk string // on which disk requests are counted
	N    int    // after so many of them
	// Volatile waits on until some drive has a write that no flush has followed.
	Volatile bool
}

func (m moment) String() string {
	text := fmt.Sprintf("%s+%d on %s", m.Kind, m.N, m.Disk)
	if m.Volatile {
		text += ", with something to lose"
	}
	return text
}

// aMoment draws one: more often around manifest and rename than in the middle
// of copying, where there is most time and least to go wrong.
func aMoment(chance *rand.Rand, recovering bool) moment {
	kinds := []string{"copying", "reading", "finish", "finish", "finish", "ledger", "release"}
	if recovering {
		kinds = []string{"begin", "begin", "begin", "copying", "finish", "finish", "ledger", "release"}
	}
	m := moment{Kind: kinds[chance.IntN(len(kinds))], Disk: []string{driveA, driveB}[chance.IntN(2)], Volatile: chance.IntN(4) > 0}
	switch m.Kind {
	case "begin":
		m.Disk, m.N = disksOfCut[chance.IntN(3)], chance.IntN(24)
	case "copying":
		m.N = 5 + chance.IntN(80)
	case "reading":
		m.N = chance.IntN(40)
	case "finish":
		m.N = chance.IntN(26)
	case "ledger":
		m.Disk, m.N = stateDisk, chance.IntN(20)
	case "release":
		m.N = chance.IntN(20)
	}
	return m
}

// marks are what has been seen in the disks' write logs.
type marks struct {
	entries           map[string]int
	manifest, chained map[string]bool
	since             map[string]int // entries by disk since the first manifest
	volatile          map[string]int // writes by disk that no flush has followed
	reads             int            // of the disk when reading back began; 0 before
}

// follow takes in what has been written since the last look. It is true when
// nothing came to any disk meanwhile: the power could have failed then.
func (c *chain) follow() bool {
	c.t.Helper()
	now := map[string]int{}
	for _, id := range disksOfCut {
		list, err := c.watches[id].New()
		if err != nil {
			c.t.Fatal(err)
		}
		for _, e := range list {
			c.mark(id, e)
		}
		now[id] = c.marks.entries[id]
	}
	for _, id := range disksOfCut {
		if c.watches[id].Entries() != now[id] {
			return false
		}
	}
	c.at = now
	return true
}

func (c *chain) mark(id string, e testbed.LogEntry) {
	c.marks.entries[id]++
	if c.marks.volatile[id]++; e.Flush() {
		c.marks.volatile[id] = 0
	}
	if len(c.marks.manifest) > 0 {
		c.marks.since[id]++
	}
	if id == stateDisk {
		return
	}
	text := string(e.Data[:min(len(e.Data), 4096)])
	if strings.Contains(text, "<hashlist ") && strings.Contains(text, "<creatorinfo>") {
		c.marks.manifest[id] = true
	}
	if strings.Contains(text, "<ascmhldirectory ") {
		c.marks.chained[id] = true
	}
}

// until waits for a moment. When the box is done before it comes, that is the
// moment.
func (c *chain) until(m moment) {
	c.t.Helper()
	limit := time.NewTimer(patience)
	defer limit.Stop()
	tick := time.NewTicker(time.Millisecond)
	defer tick.Stop()
	here := false
	for late := 0; ; {
		select {
		case <-limit.C:
			c.wrong("the box came neither to the moment %s nor to an end in %v: %+v", m, patience, c.witness.Last())
			c.t.FailNow()
		case <-tick.C:
		}
		if !c.follow() {
			continue
		}
		if here = here || c.reached(m); here {
			if !m.Volatile || c.marks.volatile[driveA]+c.marks.volatile[driveB] > 0 {
				return
			}
		}
		if s := c.witness.Last(); s.released() > 0 || outcome(s) != "" {
			if late++; late > 300 {
				c.remark("the box was done before the moment")
				return
			}
			if m.Kind == "release" && late >= m.N {
				return
			}
		}
	}
}

func (c *chain) reached(m moment) bool {
	switch m.Kind {
	case "begin", "copying":
		return c.at[m.Disk] >= m.N
	case "finish":
		return c.marks.manifest[m.Disk] && c.marks.since[m.Disk] >= m.N
	case "ledger":
		return len(c.marks.manifest) > 0 && c.marks.since[m.Disk] >= m.N
	case "reading":
		if c.marks.reads == 0 && phaseOf(c.witness.Last(), m.Disk) == "proving" {
			c.marks.reads = 1 + c.guest.Reads(m.Disk)
		}
		return c.marks.reads > 0 && c.guest.Reads(m.Disk) >= c.marks.reads+m.N
	}
	return false
}

// phaseOf is the phase of the copy on a drive, "" before there is one.
func phaseOf(s Status, disk string) string {
	if len(s.Offloads) == 0 {
		return ""
	}
	for _, c := range s.Offloads[0].Copies {
		if c.DriveName == driveName(disk) {
			return c.Phase
		}
	}
	return ""
}

func driveName(disk string) string { return "SKERRY_" + strings.ToUpper(disk) }

// fell says in the midst of what the power failed, as far as it was seen.
func (c *chain) fell(s Status) string {
	a, b := phaseOf(s, driveA), phaseOf(s, driveB)
	is := func(phase string) bool { return a == phase || b == phase }
	switch {
	case s.released() > 0:
		return "after the release"
	case a == "proven" && b == "proven":
		return "before the verdict"
	case len(c.marks.chained) > 0 && (is("finishing") || is("proven")):
		return "rename and ledger"
	case len(c.marks.manifest) > 0:
		return "manifest"
	case is("finishing"):
		return "second look and names"
	case is("proving"):
		return "read-back"
	case is("copying"):
		return "copying"
	}
	return "start"
}

package stories

import (
	"fmt"
	"hash/fnv"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"bothy/testdata/testbed"
)

// Cut is one power cut and what came of it; one line of a results file.
type Cut struct {
	FS, Second testbed.FS // of the two drives
	Seed       uint64     // of the chain it belongs to
	Number     int        // in the chain, from 1
	Plan       string     // when the power was to fail
	Fell       string     // and in the midst of what it did
	Losses     map[string]string
	Outcome    string   // released, held, cut again, no box, or not known
	Violations []string // the box's
	Notes      []string
	Seconds    float64 // for the cut and what followed
}

// chain is a life with cuts: after each, the next one fails while the box
// recovers, and after the last it comes to its end.
type chain struct {
	t      *testing.T
	rig    *cutRig
	guest  *testbed.Guest
	fs     map[string]testbed.FS
	chance *rand.Rand
	now    map[string]string // images as the last cut left them, by disk
	first  map[string]string // as they were in the beginning
	policy string
	torn   map[string]bool // disks of which a cut has torn a write
	said   []Said
	cuts   []Cut
	dir    string

	// Of the life that is running.
	work, logs map[string]string
	watches    map[string]*testbed.LogWatch
	witness    *Witness
	marks      marks
	at         map[string]int // entries in each log at one moment
}

var cutFileSystems = []testbed.FS{testbed.FAT32, testbed.ExFAT, testbed.Ext4, testbed.XFS, testbed.Btrfs}

// secondOf is the file system of a chain's other drive, never the first one's: a
// cut tries two at a time.
func secondOf(first testbed.FS, seed uint64) testbed.FS {
	i := slices.Index(cutFileSystems, first)
	return cutFileSystems[(i+1+int(seed+1)%2)%len(cutFileSystems)]
}

// newChain begins a chain: everything it does follows from file system and seed.
func (r *cutRig) newChain(t *testing.T, fsType testbed.FS, seed uint64) *chain {
	t.Helper()
	sum := fnv.New64a()
	sum.Write([]byte(fsType))
	c := &chain{
		t: t, rig: r, chance: rand.New(rand.NewPCG(seed, sum.Sum64())), dir: t.TempDir(), torn: map[string]bool{},
	}
	second := secondOf(fsType, seed)
	c.fs = map[string]testbed.FS{stateDisk: testbed.Ext4, driveA: fsType, driveB: second}
	c.first = map[string]string{
		stateDisk: r.state, driveA: r.images[string(fsType)+"SKERRY_A"], driveB: r.images[string(second)+"SKERRY_B"],
	}
	c.now = maps.Clone(c.first)
	c.policy = policyText
	if c.chance.IntN(2) == 0 {
		c.policy = besides
	}
	return c
}

// run makes so many cuts and lets the box come to its end.
func (c *chain) run(cuts int) {
	c.t.Helper()
	c.guest = testbed.Thaw(c.t, c.rig.frozen)
	for i := range cuts {
		began := time.Now()
		plan := aMoment(c.chance, i > 0)
		if !c.live() {
			return
		}
		c.cuts = append(c.cuts, Cut{
			FS: c.fs[driveA], Second: c.fs[driveB], Number: i + 1, Plan: plan.String(), Outcome: "not known",
		})
		c.until(plan)
		c.cut(i > 0)
		c.judgeCut()
		if i > 0 && c.cuts[i-1].Outcome == "not known" {
			c.cuts[i-1].Outcome = "cut again"
		}
		c.last().Seconds = time.Since(began).Seconds()
		c.guest.Rethaw(c.rig.frozen)
	}
	began := time.Now()
	if !c.live() {
		return
	}
	c.conclude()
	if cuts > 0 {
		c.last().Seconds += time.Since(began).Seconds()
	}
}

func (c *chain) last() *Cut { return &c.cuts[len(c.cuts)-1] }

func (c *chain) wrong(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if len(c.cuts) > 0 {
		c.last().Violations = append(c.last().Violations, text)
	}
	c.t.Errorf("violation: %s", text)
}

func (c *chain) remark(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	if len(c.cuts) > 0 {
		c.last().Notes = append(c.last().Notes, text)
	}
	c.t.Log(text)
}

// live begins one life of the box: everything plugged in, then the daemon. After a cut that
// has torn its own disk beyond what a boot mends there is none: no light, nothing said.
func (c *chain) live() bool {
	c.t.Helper()
	c.work, c.logs, c.watches = map[string]string{}, map[string]string{}, map[string]*testbed.LogWatch{}
	c.at = map[string]int{}
	c.marks = marks{entries: map[string]int{}, manifest: map[string]bool{}, chained: map[string]bool{}, since: map[string]int{}, volatile: map[string]int{}}
	var disks []testbed.USBDisk
	for _, id := range disksOfCut {
		c.work[id] = filepath.Join(c.dir, id+".img")
		c.logs[id] = filepath.Join(c.dir, id+".log")
		os.Remove(c.work[id])
		copyImage(c.t, c.now[id], c.work[id])
		disks = append(disks, testbed.USBDisk{ID: id, Image: c.work[id], Options: testbed.USBOptions{WriteLog: c.logs[id]}})
	}
	disks = append(disks, testbed.USBDisk{ID: "card", Image: c.rig.card, Options: testbed.USBOptions{Removable: true}})
	c.guest.PlugUSBs(disks...)
	for _, id := range disksOfCut {
		w, err := testbed.WatchLog(c.logs[id])
		if err != nil {
			c.t.Fatal(err)
		}
		c.watches[id] = w
	}
	c.guest.WritePolicy(c.policy)
	b := &Box{Guest: c.guest, t: c.t}
	c.witness = b.Witness(c.watches)
	// By its place, since what is torn may have lost its label; and mended as at every boot.
	booted := c.guest.Run(`disk=` + c.guest.Node(stateDisk) + `; fsck.ext4 -p $disk; mount $disk /var/lib/bothy`)
	if booted.Exit != 0 {
		c.noBox(booted)
		return false
	}
	c.guest.MustRun(`systemctl start --no-block bothy`)
	return true
}

// off ends a life when nothing more is to come of it.
func (c *chain) off() {
	c.t.Helper()
	c.witness.End()
	c.guest.PowerCut()
	for _, w := range c.watches {
		w.Close()
	}
}

// noBox ends a chain whose box does not come up again. There must be a reason: a write was
// torn, and this machine's kernel cannot mount the disk either.
func (c *chain) noBox(booted testbed.Result) {
	c.t.Helper()
	c.off()
	_, err := testbed.TryExtract(testbed.Ext4, c.now[stateDisk], filepath.Join(c.dir, "judged-state"))
	if !c.torn[stateDisk] || err == nil {
		c.wrong("the box's own disk cannot be mounted (a write was torn: %v; here: %v): %s%s", c.torn[stateDisk], err, booted.Stdout, booted.Stderr)
		return
	}
	c.remark("the box's own disk is beyond what a boot mends: %s%s", booted.Stdout, booted.Stderr)
	c.last().Outcome = "no box"
}

// cut lets the power fail: of what no flush had followed, chance decides.
func (c *chain) cut(recovering bool) {
	c.t.Helper()
	status := c.witness.Last()
	fell := c.fell(status)
	c.guest.PowerCut()
	c.witness.End()
	// What came between the moment and the end of the machine has not happened.
	for _, s := range c.witness.Said() {
		if !slices.ContainsFunc(disksOfCut, func(id string) bool { return s.Entries[id] > c.at[id] }) {
			c.said = append(c.said, s)
		}
	}
	for _, d := range c.witness.Disagreements() {
		c.wrong("the windows disagree: %s", d)
	}
	cut := c.last()
	cut.Losses = map[string]string{}
	for _, id := range disksOfCut {
		c.watches[id].Close()
		left := filepath.Join(c.dir, fmt.Sprintf("%s-after-%d.img", id, len(c.cuts)))
		loss, err := testbed.CutPower(c.now[id], c.logs[id], left, c.at[id], c.fs[id].SectorBytes(), c.chance)
		if err != nil {
			c.t.Fatal(err)
		}
		cut.Losses[id] = loss.String()
		c.torn[id] = c.torn[id] || loss.Torn > 0
		if c.now[id] != c.first[id] {
			os.Remove(c.now[id])
		}
		c.now[id] = left
	}
	cut.Fell = fell
	if recovering {
		cut.Fell = "recovery, " + cut.Fell
	}
}

// saysWhy are the conditions that explain a hold after a cut.
var saysWhy = []string{"medium-unmountable", "drive-failing", "drive-refused", "drive-read-only", "drive-full"}

// outcome is the end that a box with one card has come to, "" before it has. A
// hold is one when it says why; else a drive may only be late.
func outcome(s Status) string {
	switch {
	case len(s.Cards) != 1 || !s.settled():
		return ""
	case s.Cards[0].Verdict == "release":
		return "released"
	case s.Cards[0].HoldKind == "fault" || slices.ContainsFunc(saysWhy, s.HasCondition):
		return "held"
	}
	return ""
}

// conclude waits for the end that the box comes to unattended, and judges it.
func (c *chain) conclude() {
	c.t.Helper()
	b := &Box{Guest: c.guest, t: c.t}
	s := b.Until("the box has come to an end", func(s Status) bool { return outcome(s) != "" })
	c.off()
	c.said = append(c.said, c.witness.Said()...)
	for _, d := range c.witness.Disagreements() {
		c.wrong("the windows disagree: %s", d)
	}
	if len(c.cuts) > 0 {
		c.last().Outcome = outcome(s)
	}
	if outcome(s) == "held" {
		c.remark("held: %s; %+v", s.Cards[0].Reason, s.Conditions)
	}
	if testbed.Digest(c.t, c.rig.card) != c.rig.digest {
		c.wrong("the card was written")
	}
	c.judgeEnd()
}

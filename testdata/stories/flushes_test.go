package stories

import (
	"flag"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"

	"bothy/testdata/oracle"
	"bothy/testdata/testbed"
)

var (
	flushTries = flag.Int("flushtries", 1, "what may have been lost after each flush is drawn so many times")
	flushEvery = flag.Int("flushevery", 1, "of the flushes, only every so many, and the last four")
	flushSeed  = flag.Uint64("flushseed", 1, "for what is drawn")
)

// One offload is recorded, and then the power fails behind every flush of either
// drive: up to that flush everything is there, of what came after it anything may
// be. Whatever looks finished then is whole and proven by its manifest, nothing
// foreign is lost, and from the moment on at which a window called the copy on a
// drive proven, it stands there.
func TestStory_everyFlush(t *testing.T) {
	t.Parallel()
	pairs := [][2]testbed.FS{{testbed.ExFAT, testbed.FAT32}, {testbed.Ext4, testbed.Btrfs}}
	rig := newCutRig(t, daemonBinary(t), testbed.ExFAT, testbed.FAT32, testbed.Ext4, testbed.Btrfs)
	t.Run("pairs", func(t *testing.T) {
		for _, pair := range pairs {
			t.Run(string(pair[0])+" and "+string(pair[1]), func(t *testing.T) {
				t.Parallel()
				c := rig.newChain(t, pair[0], *flushSeed)
				c.fs[driveB] = pair[1]
				c.first[driveB] = rig.images[string(pair[1])+"SKERRY_B"]
				c.now = maps.Clone(c.first)
				c.run(0)
				for _, id := range []string{driveA, driveB} {
					c.everyFlush(id)
				}
			})
		}
	})
	logCost(t)
}

// everyFlush replays the log of the life that has just ended.
func (c *chain) everyFlush(id string) {
	c.t.Helper()
	ends := c.flushEnds(id)
	chance := rand.New(rand.NewPCG(*flushSeed, 1))
	tried, unreadable, finished, claimed := 0, 0, 0, 0
	for n := range ends {
		if n%*flushEvery != 0 && n < len(ends)-4 {
			continue
		}
		for range *flushTries {
			entries := ends[n]
			if n+1 < len(ends) {
				entries += chance.IntN(ends[n+1] - ends[n]) // never the next flush itself
			}
			image := filepath.Join(c.dir, "flush.img")
			loss, err := testbed.CutPower(c.first[id], c.logs[id], image, entries, c.fs[id].SectorBytes(), chance)
			if err != nil {
				c.t.Fatal(err)
			}
			tried++
			due := c.due(id, entries)
			claimed += min(len(due), 1)
			d, err := c.extract(id, image)
			os.Remove(image)
			if err != nil {
				unreadable++ // with a torn write it may be the file system's own limit
				if c.t.Logf("%s, %s: cannot be read here: %s", c.fs[id], loss, firstLine(err)); len(due) > 0 && loss.Torn == 0 {
					c.t.Errorf("%s, %s: the copy was called proven (%s), and the drive cannot be read: %v", c.fs[id], loss, due[0].When, err)
				}
				continue
			}
			if len(d.Now.Finished()) > 0 {
				finished++
			}
			j := oracle.Judge{Copies: 1, Cards: map[string]oracle.Tree{cardLabel: c.rig.tree}, Drives: []oracle.Drive{d}}
			for _, v := range j.Violations(due) {
				c.t.Errorf("%s, flush %d of %d, %s: %s", c.fs[id], n, len(ends)-1, loss, v)
			}
		}
	}
	if finished == 0 || claimed == 0 || finished == tried {
		c.t.Errorf("%s: of %d cuts %d left a finished copy, and %d came after a claim: this shows nothing", c.fs[id], tried, finished, claimed)
	}
	c.t.Logf("%s: %d flushes, %d cuts: %d left a finished copy, %d came after a claim, %d left a drive that cannot be read here",
		c.fs[id], len(ends)-1, tried, finished, claimed, unreadable)
}

// flushEnds are the numbers of entries with which each flush is over, from 0
// for none.
func (c *chain) flushEnds(id string) []int {
	c.t.Helper()
	log, err := testbed.WatchLog(c.logs[id])
	if err != nil {
		c.t.Fatal(err)
	}
	defer log.Close()
	list, err := log.New()
	if err != nil {
		c.t.Fatal(err)
	}
	ends := []int{0}
	for i, e := range list {
		if e.Flush() {
			ends = append(ends, i+1)
		}
	}
	return ends
}

// due are the claims about the drive's copy that were made no later than the
// log had so many entries.
func (c *chain) due(id string, entries int) []oracle.Claim {
	return claimsOf(c.said, func(s Said) bool {
		about := s.Drive == driveName(id) || !s.Copy() // a release is about both
		n, known := s.Entries[id]
		return about && known && n <= entries
	})
}

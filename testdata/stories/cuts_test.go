package stories

import (
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/testdata/testbed"
)

var (
	cutsAsked   = flag.Int("cuts", 15, "power cuts in all; each hits drives of two file systems out of five")
	cutsResults = flag.String("results", "", "`FILE` that gets a line for each cut; what is in it already is not done again")
	cutsOf      = flag.String("cutsof", "", "only chains whose first drive has this file system (vfat, exfat, ext4, xfs, btrfs)")
	cutsSeed    = flag.Uint64("cutsseed", 0, "only the chain of this seed: repeats it")
)

// longestChain is how many cuts at most hit one offload, one after the other.
const longestChain = 3

// cutBook keeps the results of all chains.
type cutBook struct {
	mu    sync.Mutex
	cuts  []Cut
	tasks []cutTask
	file  string
}

// cutTask is a chain to be made.
type cutTask struct {
	fsType testbed.FS
	seed   uint64
	cuts   int
}

// openCutBook reads the results there are and plans the rest.
func openCutBook(t *testing.T) *cutBook {
	t.Helper()
	b := &cutBook{file: *cutsResults}
	if b.file != "" {
		data, err := os.ReadFile(b.file)
		if err != nil && !os.IsNotExist(err) {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(data)) {
			var c Cut
			if err := json.Unmarshal([]byte(line), &c); err != nil {
				t.Fatalf("%s: %v", b.file, err)
			}
			b.cuts = append(b.cuts, c)
		}
	}
	kinds := cutFileSystems
	if *cutsOf != "" {
		kinds = []testbed.FS{testbed.FS(*cutsOf)}
	}
	for _, fsType := range kinds {
		b.plan(fsType, (*cutsAsked+len(kinds)-1)/len(kinds))
	}
	// One chain of each file system after the other.
	slices.SortStableFunc(b.tasks, func(a, b cutTask) int { return int(a.seed) - int(b.seed) })
	return b
}

func (b *cutBook) plan(fsType testbed.FS, asked int) {
	if *cutsSeed != 0 {
		b.tasks = append(b.tasks, cutTask{fsType, *cutsSeed, longestChain})
		return
	}
	done := map[uint64]int{}
	for _, c := range b.cuts {
		if c.FS == fsType {
			done[c.Seed]++
		}
	}
	for seed := uint64(1); asked > 0; seed++ {
		n := done[seed]
		if n == 0 {
			n = min(asked, 1+int(seed+1)%longestChain)
			b.tasks = append(b.tasks, cutTask{fsType, seed, n})
		}
		asked -= n
	}
}

func (b *cutBook) take() (cutTask, bool) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.tasks) == 0 {
		return cutTask{}, false
	}
	task := b.tasks[0]
	b.tasks = b.tasks[1:]
	return task, true
}

// enter writes a chain's cuts down at once: a campaign may be stopped any time.
func (b *cutBook) enter(t *testing.T, cuts []Cut) {
	t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	b.cuts = append(b.cuts, cuts...)
	if b.file == "" {
		return
	}
	f, err := os.OpenFile(b.file, os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var text strings.Builder
	for _, c := range cuts {
		line, err := json.Marshal(c)
		if err != nil {
			t.Fatal(err)
		}
		text.Write(append(line, '\n'))
	}
	if _, err := f.WriteString(text.String()); err != nil {
		t.Fatal(err)
	}
}

// Power fails at chosen moments of an offload and of the recovery, the disks
// lose, tear and reorder what was not flushed, and after the last cut the box
// comes to the right end unattended. As a campaign:
//
//	go test ./testdata/stories -run TestCampaign_powerCuts -timeout 0 -cuts 200 -results FILE
func TestCampaign_powerCuts(t *testing.T) {
	book := openCutBook(t)
	if len(book.tasks) > 0 {
		rig := newCutRig(t, daemonBinary(t), cutFileSystems...)
		t.Run("chains", func(t *testing.T) {
			for worker := range min(2, len(book.tasks)) {
				t.Run(fmt.Sprint("guest", worker), func(t *testing.T) {
					t.Parallel()
					for task, ok := book.take(); ok; task, ok = book.take() {
						t.Run(fmt.Sprintf("%s-%d", task.fsType, task.seed), func(t *testing.T) { oneChain(t, rig, book, task) })
					}
				})
			}
		})
	}
	book.report(t)
	logCost(t)
}

// logCost tells the processor time of everything outside this process, nearly
// all of it the guests': what a quiet machine would need, whatever this one did.
func logCost(t *testing.T) {
	t.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_CHILDREN, &u); err != nil {
		t.Fatal(err)
	}
	t.Logf("guests and tools: %d s of processor time so far", u.Utime.Sec+u.Stime.Sec)
}

func oneChain(t *testing.T, rig *cutRig, book *cutBook, task cutTask) {
	c := rig.newChain(t, task.fsType, task.seed)
	defer func() {
		for i := range c.cuts {
			c.cuts[i].Seed = task.seed
			if c.cuts[i].Violations != nil {
				c.cuts[i].Notes = append(c.cuts[i].Notes, fmt.Sprintf("replay: -cutsof %s -cutsseed %d", task.fsType, task.seed))
			}
		}
		book.enter(t, c.cuts)
	}()
	c.run(task.cuts)
}

// report prints what the cuts were and what they found. Zero violations in n
// independent trials bound their rate by 3/n with 95 % confidence. A cut counts
// for the file systems of both drives, in one trial of each.
func (b *cutBook) report(t *testing.T) {
	t.Helper()
	seconds, fell := 0.0, map[string]int{}
	for _, c := range b.cuts {
		seconds += c.Seconds
		fell[c.Fell]++
		if len(c.Violations) > 0 {
			t.Errorf("%s and %s, seed %d, cut %d (%s; %s): %q", c.FS, c.Second, c.Seed, c.Number, c.Plan, c.Fell, c.Violations)
		}
		if c.Outcome == "held" {
			t.Logf("%s and %s, seed %d: held: %q", c.FS, c.Second, c.Seed, c.Notes)
		}
	}
	for _, fsType := range cutFileSystems {
		n, bad, outcomes := 0, 0, map[string]int{}
		for _, c := range b.cuts {
			if c.FS != fsType && c.Second != fsType {
				continue
			}
			n++
			outcomes[c.Outcome]++
			if len(c.Violations) > 0 {
				bad++
			}
		}
		if n > 0 {
			t.Logf("%s: in %d cuts, %d with violations (rate below 3/%d = %.1f %%, 95 %%); then: %v", fsType, n, bad, n, 300/float64(n), outcomes)
		}
	}
	if n := len(b.cuts); n > 0 {
		t.Logf("all: %d cuts, %.0f s each; in the midst of: %v", n, seconds/float64(n), fell)
	}
}

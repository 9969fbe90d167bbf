package daemon

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"maps"
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

var (
	seedFlag  = flag.Uint64("seed", 0, "the one history to run, with all that happens in it; 0: many")
	seedsFlag = flag.Int("seeds", seedsByDefault, "how many histories TestSeeds runs")
	firstFlag = flag.Uint64("first-seed", 1, "the first of them")
	shardFlag = flag.String("seed-shard", "", "for TestSeeds itself: FIRST:STEP:END of the histories that this process runs")
)

// stuckAfter ends a history that stands still in real time. Nothing is
// concluded from how long one takes.
const stuckAfter = 4 * time.Minute

// TestSeeds lets the box live through histories that are made of numbers. Each
// is judged at every published State, and at its end, when all that can be
// released must be.
//
// The histories run in processes of one processor each, which makes a failure
// likelier to come again, and lets a history that panics or hangs fail alone.
//
//	go test ./daemon -run 'TestSeeds$' -seeds 50000         a night
//	go test ./daemon -run 'TestSeeds$' -seed 12345 -v       one, and all that happened in it
func TestSeeds(t *testing.T) {
	if *shardFlag != "" {
		runShard(t)
		return
	}
	first, end, abreast := *firstFlag, *firstFlag+uint64(*seedsFlag), runtime.NumCPU()
	if *seedFlag != 0 {
		first, end, abreast = *seedFlag, *seedFlag+1, 1
	}
	base, err := os.MkdirTemp(memory(), "bothy-seeds-*")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(base) // also what a history left that ended its process
	sum := &seedSum{base: base, events: map[string]int{}}
	began := time.Now()
	var all sync.WaitGroup
	for i := range abreast {
		all.Go(func() {
			for next := first + uint64(i); next < end && !sum.enough(); {
				next = sum.child(t, next, uint64(abreast), end)
			}
		})
	}
	all.Wait()
	sum.print(t, time.Since(began))
}

// child runs a part of the histories in a process of its own, and returns where
// to go on when that has died.
func (s *seedSum) child(t *testing.T, first, step, end uint64) (next uint64) {
	args := []string{"-test.run=^TestSeeds$", fmt.Sprintf("-seed-shard=%d:%d:%d", first, step, end)}
	if *seedFlag != 0 {
		args = append(args, "-test.v")
	}
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), "GOMAXPROCS=1", "GOGC=400", "GOTRACEBACK=all", "TMPDIR="+s.base)
	out, in := io.Pipe()
	cmd.Stdout, cmd.Stderr = in, in
	if err := cmd.Start(); err != nil {
		t.Error(err)
		return end
	}
	go func() { in.CloseWithError(cmd.Wait()) }()
	stuck := time.AfterFunc(stuckAfter, func() { cmd.Process.Signal(os.Interrupt); cmd.Process.Kill() })
	defer stuck.Stop()
	running, rest := first, []string{}
	lines := bufio.NewScanner(out)
	lines.Buffer(nil, 64<<20)
	for lines.Scan() {
		line := lines.Text()
		switch {
		case strings.HasPrefix(line, seedBegins):
			fmt.Sscan(line[len(seedBegins):], &running)
			rest = rest[:0]
			stuck.Reset(stuckAfter)
		case strings.HasPrefix(line, seedEnds):
			var r seedResult
			if err := json.Unmarshal([]byte(line[len(seedEnds):]), &r); err != nil {
				t.Errorf("read what a history has brought: %v", err)
			}
			s.add(t, r)
			running = r.Seed + step
			if s.enough() {
				cmd.Process.Kill()
				return end
			}
		default:
			rest = append(rest, line)
		}
	}
	if running >= end {
		return end
	}
	s.add(t, seedResult{Seed: running, Fouls: []string{"it ended the process, or stood still"}, Lines: rest[:min(len(rest), 400)]})
	return running + step
}

const (
	seedBegins = "seed begins: "
	seedEnds   = "seed ends: "
)

func runShard(t *testing.T) {
	var first, step, end uint64
	if _, err := fmt.Sscanf(*shardFlag, "%d:%d:%d", &first, &step, &end); err != nil {
		t.Fatal(err)
	}
	for seed := first; seed < end; seed += step {
		fmt.Printf("%s%d\n", seedBegins, seed)
		line, err := json.Marshal(runSeed(t, seed))
		if err != nil {
			t.Fatal(err)
		}
		fmt.Printf("%s%s\n", seedEnds, line)
	}
}

func runSeed(t *testing.T, seed uint64) (r seedResult) {
	base, err := os.MkdirTemp("", "seed-*")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(base)
	synctest.Test(t, func(*testing.T) {
		w := newSeedWorld(seed, base)
		w.live()
		r = w.result()
	})
	return r
}

// memory is a folder that costs no disk, where there is one.
func memory() string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return ""
}

// seedSum is what many histories have brought.
type seedSum struct {
	base string

	mu                                      sync.Mutex
	seeds, actions, lives, releases, failed int            // guarded by mu
	events                                  map[string]int // guarded by mu
}

func (s *seedSum) add(t *testing.T, r seedResult) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seeds++
	s.actions, s.lives, s.releases = s.actions+r.Actions, s.lives+r.Lives, s.releases+r.Release
	for _, e := range r.Events {
		s.events[e]++
	}
	if *seedFlag != 0 {
		t.Logf("history %d:\n%s", r.Seed, strings.Join(r.Lines, "\n"))
	}
	if s.seeds%100 == 0 {
		t.Logf("%d histories so far, %d failed", s.seeds, s.failed)
	}
	if len(r.Fouls) == 0 {
		return
	}
	s.failed++
	again := fmt.Sprintf("go test ./daemon -run 'TestSeeds$' -seed %d -v", r.Seed)
	t.Errorf("seed %d (after %d others): %s\nagain: %s", r.Seed, s.seeds-1, strings.Join(r.Fouls, "\n"), again)
	if s.failed == 1 && *seedFlag == 0 {
		t.Logf("its history:\n%s", strings.Join(r.Lines, "\n"))
	}
}

// enough: with -failfast the first failure is the last.
func (s *seedSum) enough() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.failed > 0 && flag.Lookup("test.failfast").Value.String() == "true"
}

// wanted are events without which a simulation proves little. Each happens in
// one history of a hundred at least.
var wanted = []string{
	"a release", "a release while slower drives were at work", "a hold", "a finished copy", "an incomplete copy", "a copy that nobody reads back",
	"a kill in mid-copy", "a power cut in mid-copy", "a stop in mid-copy", "a card was pulled in mid-copy", "a drive was pulled in mid-copy",
	"a card was swapped in mid-copy", "another card's bytes were read under an old listing", "a card was refilled",
	"the same card came again at once", "a drive hung in mid-copy", "a flush failed", "a call into a drive failed",
	"a bit turned over while it was read back", "a bit turned over while it was written", "a drive was full in mid-file",
	"the battery was nearly empty in mid-copy", "work was parked in mid-copy", "a card was read badly", "the clock jumped", "the ledger's log was cut short", "the policy was read again in mid-copy",
	"a card that could be released in the end", "a card that had to be held in the end",
}

func (s *seedSum) print(t *testing.T, took time.Duration) {
	var table strings.Builder
	for _, e := range sortedKeys(s.events) {
		fmt.Fprintf(&table, "%7d  %s\n", s.events[e], e)
	}
	t.Logf("%d histories in %.0f s, %d failed: %d actions, %d lives of the daemon, %d releases judged; in so many histories there was\n%s",
		s.seeds, took.Seconds(), s.failed, s.actions, s.lives, s.releases, table.String())
	if s.seeds < 500 {
		return
	}
	for _, e := range wanted {
		if s.events[e]*200 < s.seeds {
			t.Errorf("%q happened in %d of %d histories only: the simulation does not try it", e, s.events[e], s.seeds)
		}
	}
}

func sortedKeys(m map[string]int) []string { return slices.Sorted(maps.Keys(m)) }

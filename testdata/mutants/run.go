package mutants

import (
	"fmt"
	"io"
	"runtime/debug"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// run tries the mutants first to end, without end itself.
type run struct {
	seeds      []Seed
	check      Check
	t          testing.TB
	first, end uint64
	workers    int
	patience   time.Duration // with one mutant, before its number is told
	out        io.Writer     // for that; what is logged might never be printed
	again      string

	next  atomic.Uint64
	limit atomic.Uint64 // no mutant from this on need be tried
	mu    sync.Mutex
	found *failure // of the lowest number; mu guards it
	taken uint64   // guarded by mu until do returns
}

// failure is what was wrong with one mutant.
type failure struct {
	number      uint64
	what, input string
}

// portion is how many mutants a worker takes at a time.
const portion = 64

// do tries all of them, or until one fails and all before it are tried.
func (r *run) do() *failure {
	r.next.Store(r.first)
	r.limit.Store(r.end)
	material := newMaterial(r.seeds, r.takes)
	at := make([]atomic.Uint64, r.workers)
	for i := range at {
		at[i].Store(nobody)
	}
	ended, watched := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(watched)
		r.watch(at, ended)
	}()
	var workers sync.WaitGroup
	for i := range at {
		workers.Go(func() { r.work(newMaker(material), &at[i]) })
	}
	workers.Wait()
	close(ended)
	<-watched
	return r.found
}

// takes tries a seed as it is.
func (r *run) takes(s Seed) bool {
	c := &catcher{TB: r.t}
	taken := false
	func() {
		defer c.catch()
		var input [][]byte
		for _, text := range s {
			input = append(input, []byte(text))
		}
		taken = r.check(c, input)
	}()
	if c.said != "" {
		r.t.Errorf("the seed %.1000q itself: %s", s, c.said)
	}
	return taken
}

func (r *run) work(m *maker, at *atomic.Uint64) {
	c := &catcher{TB: r.t}
	taken := uint64(0)
	for {
		from := r.next.Add(portion) - portion
		to := min(from+portion, r.limit.Load())
		if from >= to {
			break
		}
		r.several(m, c, at, from, to, &taken)
	}
	at.Store(nobody)
	r.mu.Lock()
	defer r.mu.Unlock()
	r.taken += taken
}

// several tries mutants until one fails: those behind it are of no interest then.
func (r *run) several(m *maker, c *catcher, at *atomic.Uint64, from, to uint64, taken *uint64) {
	number := from
	defer func() {
		if c.said != "" {
			r.fail(number, c, m)
		}
	}()
	defer c.catch()
	for ; number < to; number++ {
		at.Store(number)
		if r.check(c, m.mutant(number)) {
			*taken++
		}
		if c.said != "" {
			return
		}
	}
}

func (r *run) fail(number uint64, c *catcher, m *maker) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.found == nil || number < r.found.number {
		// The check may have changed its input, so it is made again.
		r.found = &failure{number, c.said, written(m.mutant(number))}
		r.limit.Store(number)
	}
	c.said = ""
}

// watch tells of each mutant that is still tried after the patience with it, once.
func (r *run) watch(at []atomic.Uint64, ended <-chan struct{}) {
	tick := time.NewTicker(r.patience)
	defer tick.Stop()
	before, told := make([]uint64, len(at)), make([]uint64, len(at))
	for i := range at {
		before[i], told[i] = nobody, nobody
	}
	for {
		select {
		case <-ended:
			return
		case <-tick.C:
		}
		for i := range at {
			now := at[i].Load()
			if now != nobody && now == before[i] && now != told[i] {
				told[i] = now
				fmt.Fprintf(r.out, "mutant %d does not come to an end (for more than %s now); again: %s\n", now, r.patience, r.command(now))
			}
			before[i] = now
		}
	}
}

// errEnded ends a check that cannot go on.
var errEnded = fmt.Errorf("the check has ended itself")

// catcher stands for the test while a check runs: it keeps the first thing that is
// wrong, and costs nothing as long as nothing is.
type catcher struct {
	testing.TB
	said string
}

func (c *catcher) say(what string) {
	if c.said == "" {
		c.said = what
	}
}

// catch is deferred around a check.
func (c *catcher) catch() {
	if cause := recover(); cause != nil && cause != errEnded {
		c.said = fmt.Sprintf("panic: %v\n%s", cause, debug.Stack())
	}
}

func (c *catcher) Helper()                           {}
func (c *catcher) Log(...any)                        {}
func (c *catcher) Logf(string, ...any)               {}
func (c *catcher) Failed() bool                      { return c.said != "" }
func (c *catcher) Fail()                             { c.say("it failed without a word") }
func (c *catcher) Error(args ...any)                 { c.say(fmt.Sprintln(args...)) }
func (c *catcher) Errorf(format string, args ...any) { c.say(fmt.Sprintf(format, args...)) }

// Nothing is left out: a check that ended itself so would end its worker.
func (c *catcher) Skip(...any)          { c.Fatal("a check cannot skip") }
func (c *catcher) Skipf(string, ...any) { c.Fatal("a check cannot skip") }
func (c *catcher) SkipNow()             { c.Fatal("a check cannot skip") }

func (c *catcher) FailNow() {
	c.Fail()
	panic(errEnded)
}

func (c *catcher) Fatal(args ...any) {
	c.Error(args...)
	panic(errEnded)
}

func (c *catcher) Fatalf(format string, args ...any) {
	c.Errorf(format, args...)
	panic(errEnded)
}

// texts are all seeds' texts for one argument.
func texts(seeds []Seed, part int) (all [][]byte) {
	for _, s := range seeds {
		all = append(all, []byte(s[part]))
	}
	return slices.Clip(all)
}

package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"bothy/daemon/state"
)

// cycles of plugging in and out, as a season brings them.
const cycles = 500

// Nothing is left of media that came and went: no goroutine, no open file, no
// mount, no entry in any account of the supervisor, and no memory. It runs
// alone, since it counts what belongs to the whole process.
func TestLeak_manyInsertions(t *testing.T) {
	if raceDetector {
		t.Skip("without the race detector only, beside the histories")
	}
	m := newSim(t, 1).start()
	first, second := m.card("sda", "SKUA_1", 3), m.card("sda", "SKUA_2", 3)
	a, b := m.drive("sdb"), m.drive("sdc")
	m.until("it watches", func(st *state.State) bool { return st.Phase == state.Watching })
	var early, late footprint
	for n := 1; n <= cycles; n++ {
		m.comeAndGo(n, first, second, a, b)
		switch n {
		case cycles / 5: // pools are filled, and every sort of cycle was there
			early = m.footprint()
		case cycles:
			late = m.footprint()
		}
	}
	t.Logf("after %d cycles: %+v; after %d: %+v", cycles/5, early, cycles, late)
	// The ledger opens its five connections when they are first needed; each has
	// the database and its log open, and a goroutine while a call's context is
	// watched. One frame kept every tenth cycle would be more.
	const pool = 5 * 2
	if late.goroutines > early.goroutines+(cycles-cycles/5)/10 || late.files > early.files+pool {
		t.Errorf("after %d cycles there are %d goroutines and %d open files, and after %d only %d and %d:\n%s",
			cycles, late.goroutines, late.files, cycles/5, early.goroutines, early.files, m.goroutines())
	}
	// A cycle that kept 2 kB would show; what the runtime and the ledger's
	// driver keep for themselves is less.
	if grown := int64(late.heap) - int64(early.heap); grown > 2<<10*(cycles-cycles/5) {
		t.Errorf("the heap grew by %d bytes in %d cycles", grown, cycles-cycles/5)
	}
	if late.accounts != (accounts{}) {
		t.Errorf("when all is out the supervisor still keeps %+v", late.accounts)
	}
}

// comeAndGo plugs in and pulls out, each time in another way.
func (m *sim) comeAndGo(n int, first, second, a, b *simMedium) {
	m.t.Helper()
	switch n % 5 {
	case 0: // a whole offload, of a card that never came before
		first.uuid = fmt.Sprintf("INVENTED-again-%d", n)
		m.plug(first, a)
		m.untilReleased(first)
		m.pull(first, a)
	case 1: // out again at once
		m.plug(first, a, b)
		m.pull(first)
		m.pull(a, b)
	case 2: // the drives first
		m.plug(b)
		m.plug(second)
		m.pull(b)
		m.pull(second)
	case 3: // another card in its place
		m.plug(first, a)
		m.swap(first, second)
		m.until("the other one is seen", func(st *state.State) bool {
			c, ok := cardOf(st, "sda")
			return ok && c.Label == second.label
		})
		m.pull(second, a)
	case 4:
		m.plug(a)
		m.plug(b)
		m.pull(a, b)
	}
	m.untilIdle()
}

// footprint is what the daemon takes of the process.
type footprint struct {
	goroutines, files int
	heap              uint64
	accounts          accounts
}

// accounts are the sizes of what the supervisor keeps.
type accounts struct {
	devices, cards, drives, blocked, running, lanes, folders, offloads, mounted, alive int
}

func (m *sim) footprint() (f footprint) {
	m.t.Helper()
	m.until("no errand is planned or under way", func(*state.State) bool {
		free := make(chan bool)
		m.s.post(func() { free <- !m.s.errands.planned && m.s.errands.running == nil })
		return <-free
	})
	asked := make(chan accounts)
	m.s.post(func() {
		s := m.s
		asked <- accounts{devices: len(s.devices), cards: len(s.cards), drives: len(s.drives), blocked: len(s.blocked), running: len(s.running),
			lanes: len(s.traffic.lanes), folders: len(s.claims.folders), offloads: len(s.claims.offloads), mounted: len(s.mounted.alive)}
	})
	f.accounts = <-asked
	for _, d := range m.media {
		f.accounts.alive += int(d.alive.Load())
	}
	f.goroutines = strings.Count(m.goroutines(), "0x") // of stacks, each has as many as before
	f.files = m.openFiles()
	// What has finalizers goes with a later collection than the first.
	for n := range 5 {
		runtime.GC()
		var mem runtime.MemStats
		runtime.ReadMemStats(&mem)
		if n == 0 || mem.HeapAlloc < f.heap {
			f.heap = mem.HeapAlloc
		}
	}
	return f
}

// openFiles counts the process's descriptors of files below the box's folders.
func (m *sim) openFiles() (n int) {
	m.t.Helper()
	fds, err := filepath.Glob("/proc/self/fd/*")
	if err != nil || len(fds) == 0 {
		m.t.Fatalf("list open files: %d, %v", len(fds), err)
	}
	for _, fd := range fds {
		if to, err := os.Readlink(fd); err == nil && strings.HasPrefix(to, m.base) {
			n++
		}
	}
	return n
}

package daemon

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"

	"bothy/daemon/health"
	"bothy/daemon/state"
)

// moods is what invented disks say of themselves, by node.
type moods struct {
	mu    sync.Mutex
	say   map[string]health.Reading // guarded by mu
	asked map[string]int            // guarded by mu
	hangs map[string]bool           // guarded by mu
}

func (m *moods) Read(ctx context.Context, node string) (health.Reading, error) {
	m.mu.Lock()
	m.asked[node]++
	r, ok := m.say[node]
	hangs := m.hangs[node]
	m.mu.Unlock()
	switch {
	case hangs:
		<-ctx.Done()
		return r, ctx.Err()
	case !ok:
		return r, errors.New("nothing came")
	}
	return r, nil
}

func (m *moods) set(node string, r health.Reading) {
	m.mu.Lock()
	defer m.mu.Unlock()
	m.say[node] = r
}

// What drives say of themselves is told, and is no verdict: a failing one is written
// on and counts; one that says nothing, or hangs, is neither good nor in the way.
func TestHealth_isToldAndNoMore(t *testing.T) {
	t.Parallel()
	m := newSim(t, 4)
	asks := &moods{asked: map[string]int{}, hangs: map[string]bool{"/dev/sde": true}, say: map[string]health.Reading{
		"/dev/sdb": {Assessed: true, Passed: true, HasCelsius: true, Celsius: 31},
		"/dev/sdc": {Assessed: true, Failing: []string{"Reallocated_Sector_Ct"}},
		"/dev/sdd": {HasCelsius: true, Celsius: 29},
		"/dev/sde": {Assessed: true, Passed: true},
	}}
	m.cfg.Health = asks
	m.start()
	card := m.card("sda", "SKUA_1", 3)
	good, failing, silent, hung := m.drive("sdb"), m.drive("sdc"), m.drive("sdd"), m.drive("sde")
	m.plug(card, good, failing, silent, hung)
	m.untilReleased(card)
	st := m.until("they have spoken", func(st *state.State) bool {
		return driveNamed(st, "sdb").Health.Word != "" && driveNamed(st, "sdc").Health.Word != "" && driveNamed(st, "sdd").Health.HasCelsius
	})
	for name, want := range map[string]state.Health{
		"sdb": {Word: state.HealthGood, HasCelsius: true, Celsius: 31}, "sdc": {Word: state.HealthFailing},
		"sdd": {HasCelsius: true, Celsius: 29}, "sde": {},
	} {
		if got := driveNamed(st, name); got.Health != want || got.Failing || got.Refused {
			t.Errorf("%s: %+v", name, got)
		}
	}
	hasCopy(t, failing, card, 1)
	c := m.untilCondition(state.DriveUnwell)
	if c.Subject != "SKERRY-SDC" || !strings.Contains(c.Detail, "Reallocated_Sector_Ct") {
		t.Errorf("%+v", c)
	}
	again := func(r health.Reading, what string, ok func(*state.State) bool) {
		t.Helper()
		asks.set("/dev/sdc", r)
		m.s.post(func() { m.s.askHealth(m.s.findDrive("sdc")) })
		m.until(what, ok)
	}
	// Asleep it says nothing, and stays what it was.
	again(health.Reading{HasCelsius: true, Celsius: 20}, "its temperature", func(st *state.State) bool {
		d := driveNamed(st, "sdc")
		return d.Health == state.Health{Word: state.HealthFailing, HasCelsius: true, Celsius: 20} && raised(st, state.DriveUnwell)
	})
	again(health.Reading{Assessed: true, Passed: true}, "it is well", func(st *state.State) bool {
		return driveNamed(st, "sdc").Health.Word == state.HealthGood && !raised(st, state.DriveUnwell)
	})
	asks.mu.Lock()
	defer asks.mu.Unlock()
	for node, n := range asks.asked {
		if want := map[string]int{"/dev/sdb": 1, "/dev/sdc": 3, "/dev/sdd": 1, "/dev/sde": 1}[node]; n != want {
			t.Errorf("%s was asked %d times instead of %d", node, n, want)
		}
	}
}

// A drive that stays is asked again after hours, when nothing is to be done.
func TestHealth_again(t *testing.T) {
	t.Parallel()
	asks := &moods{asked: map[string]int{}, say: map[string]health.Reading{}}
	var cfg Config
	cfg.setDefaults()
	cfg.Health = asks
	s := newSupervisor(cfg)
	s.life = t.Context()
	lately, long := &drive{identity: Identity{ID: "lately"}}, &drive{identity: Identity{ID: "long"}}
	lately.dev.Disk, long.dev.Disk = "sdb", "sdc"
	s.drives = []*drive{lately, long}
	s.askHealth(lately)
	(<-s.calls)()
	s.running = []*job{nil}
	s.askHealthAgain()
	if long.asking {
		t.Error("asked while a card is at work")
	}
	s.running = nil
	s.askHealthAgain()
	(<-s.calls)()
	s.askHealthAgain() // both were asked just now
	s.work.Wait()
	if asks.asked["/dev/sdb"] != 1 || asks.asked["/dev/sdc"] != 1 || len(s.calls) != 0 {
		t.Errorf("%v, %d", asks.asked, len(s.calls))
	}
	long.askedAt = long.askedAt.Add(-healthEvery)
	s.askHealthAgain()
	(<-s.calls)()
	if s.work.Wait(); asks.asked["/dev/sdc"] != 2 {
		t.Errorf("%v", asks.asked)
	}
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"reflect"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
	"bothy/udev"
)

// Work that stands still is told from work that takes its time, and from none.
func TestVigil_look(t *testing.T) {
	t.Parallel()
	var v vigil
	at := time.Now()
	for i, now := range []struct {
		after   time.Duration
		steps   int
		working bool
		still   time.Duration
	}{
		{0, 0, false, 0},
		{24 * time.Hour, 0, false, 0}, // nothing to do is not standing still
		{time.Second, 0, true, time.Second},
		{9 * time.Minute, 0, true, 9*time.Minute + time.Second},
		{time.Minute, 1, true, 0}, // a slow card: one call in ten minutes
		{9 * time.Minute, 0, true, 9 * time.Minute},
		{time.Minute, 1, true, 0},
		{time.Hour, 0, true, time.Hour},
		{time.Second, 0, false, 0}, // what hung was pulled
		{time.Second, 0, true, time.Second},
	} {
		at = at.Add(now.after)
		for range now.steps {
			v.step()
		}
		if still := v.look(at, now.working); still != now.still {
			t.Errorf("look %d: still for %v, want %v", i, still, now.still)
		}
	}
}

// A card that is asked nothing does not hang, however long; one of whose two calls comes
// back does not either.
func TestVigil_cardWatch(t *testing.T) {
	t.Parallel()
	w := new(vigil).watch(udev.Device{})
	at := time.Now()
	var back []func()
	for i, now := range []struct {
		after        time.Duration
		begun, ended int
		still        time.Duration
	}{
		{time.Hour, 0, 0, 0},
		{time.Hour, 0, 0, 0},
		{time.Minute, 1, 0, time.Minute},
		{9 * time.Minute, 1, 0, 10 * time.Minute},
		{time.Minute, 0, 1, 0},
		{time.Hour, 0, 0, time.Hour},
		{time.Minute, 0, 1, 0},
		{time.Hour, 0, 0, 0},
		{time.Hour, 2, 2, 0},
	} {
		at = at.Add(now.after)
		for range now.begun {
			back = append(back, w.around())
		}
		for range now.ended {
			back[0]()
			back = back[1:]
		}
		if still := w.look(at); still != now.still {
			t.Errorf("look %d: still for %v, want %v", i, still, now.still)
		}
	}
}

// A card that hangs for good is said after ten minutes and given up with the whole life
// of the daemon after thirty; one that answers once in a while is neither.
func TestVigil_engineThatHangs(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		m := newSim(t, 1)
		m.cfg.Watchdog, m.cfg.SupplyEvery = 30*time.Second, 30*time.Second
		m.writePolicy(m.policy + "\n[[light]]\nshows = \"box\"\nled = \"box\"\n")
		m.start()
		card := m.card("sda", "SKUA_1", 3)
		reached, goOn := make(chan struct{}), make(chan struct{})
		slow := 0
		card.on(func(op, name string) error {
			switch {
			case op != "read":
			case slow < 2:
				slow++
				<-time.After(9 * time.Minute) // of the bubble's own clock
			case slow == 2:
				slow++
				close(reached)
				<-goOn
			}
			return nil
		})
		m.plug(card, m.drive("sdb"))
		lit := func() bool { // whether the State is shown on a light
			m.mu.Lock()
			defer m.mu.Unlock()
			return len(m.current.Lamps) > 0
		}
		pass := func(d time.Duration) (stuck bool, times int) {
			before := m.told("WATCHDOG=1")
			<-time.After(d)
			synctest.Wait()
			m.mu.Lock()
			st := m.current
			m.mu.Unlock()
			return raised(st, state.WorkStuck), m.told("WATCHDOG=1") - before
		}
		<-reached
		m.mu.Lock()
		if m.current.Counters.ConditionsRaised[string(state.WorkStuck)] > 0 {
			t.Error("a card that is only slow was said to stand still")
		}
		m.mu.Unlock()
		if stuck, times := pass(9 * time.Minute); stuck || times < 100 {
			t.Errorf("after 9 minutes it is said (%v), or the service manager was told %d times only", stuck, times)
		}
		if stuck, times := pass(20 * time.Minute); !stuck || times < 200 || !lit() {
			t.Errorf("after 29 minutes it is not said (%v), or the service manager was told %d times only, or the lights are out (%v)", stuck, times, !lit())
		}
		pass(2 * time.Minute)
		if stuck, times := pass(time.Hour); !stuck || times != 0 {
			t.Errorf("after half an hour the service manager was told %d times that all is well (said: %v)", times, stuck)
		}
		if lit() {
			t.Error("a process that is about to be ended leaves its lights as they are")
		}
		close(goOn)
		m.untilReleased(card)
		if stuck, times := pass(time.Minute); stuck || times < 5 || !lit() {
			t.Errorf("work goes on, and still it is said (%v), or the service manager is not told (%d times), or the lights are out (%v)", stuck, times, !lit())
		}
		m.stop()
	})
}

// A card that hangs is named, though other media that come and go answer all the time.
func TestVigil_cardThatHangsBesideOthers(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		m := newSim(t, 1)
		m.cfg.Watchdog, m.cfg.SupplyEvery = 30*time.Second, 30*time.Second
		m.start()
		hangs := m.card("sda", "SKUA_1", 3)
		reached, goOn := make(chan struct{}), make(chan struct{})
		once := sync.OnceFunc(func() { close(reached) })
		hangs.on(func(op, name string) error {
			if op == "read" {
				once()
				<-goOn
			}
			return nil
		})
		m.plug(hangs, m.drive("sdb"))
		<-reached
		others := 0
		pass := func(minutes int) (subjects []string) {
			for range minutes {
				m.plug(m.drive(fmt.Sprintf("sdz%c%c", 'a'+others/26, 'a'+others%26)))
				others++
				<-time.After(time.Minute)
				synctest.Wait()
			}
			m.mu.Lock()
			defer m.mu.Unlock()
			for _, c := range m.current.Conditions {
				if c.Code == state.WorkStuck {
					subjects = append(subjects, c.Subject)
				}
			}
			return subjects
		}
		if now := pass(9); len(now) > 0 {
			t.Errorf("after 9 minutes: %v", now)
		}
		if now := pass(3); !slices.Equal(now, []string{"SKUA_1"}) {
			t.Errorf("after 12 minutes: %v", now)
		}
		told := m.told("WATCHDOG=1")
		if pass(12); m.told("WATCHDOG=1") < told+20 {
			t.Error("after 24 minutes the box has given itself up")
		}
		pass(8)
		told = m.told("WATCHDOG=1")
		if pass(3); m.told("WATCHDOG=1") != told {
			t.Error("nothing but drives that are put in has answered for half an hour, and the service manager is told that all is well")
		}
		close(goOn)
		m.untilReleased(hangs)
		if now := pass(1); len(now) > 0 {
			t.Errorf("it goes on, and still: %v", now)
		}
		m.stop()
	})
}

// The box is given up for a card that hangs only when all other work waits for it.
func TestVigil_nothingElse(t *testing.T) {
	t.Parallel()
	of := func(disk string) *job { return &job{card: &card{dev: udev.Device{Disk: disk, DiskSeq: 7}}} }
	sda, sdb := insertionKey{"sda", 7}, insertionKey{"sdb", 7}
	for what, tc := range map[string]struct {
		running []*job
		looking int
		errand  bool
		hung    map[insertionKey]time.Duration
		over    bool
	}{
		"nothing is done":                        {},
		"a job, and nothing hangs":               {running: []*job{of("sda")}},
		"its card hangs":                         {running: []*job{of("sda")}, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp}, over: true},
		"for a moment less":                      {running: []*job{of("sda")}, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp - 1}},
		"another card gets on":                   {running: []*job{of("sda"), of("sdb")}, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp}},
		"both hang":                              {running: []*job{of("sda"), of("sdb")}, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp, sdb: stillIsGiveUp}, over: true},
		"a patrol gets on":                       {running: []*job{of("sda")}, errand: true, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp}},
		"it hangs while it is looked at":         {looking: 1, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp}, over: true},
		"only letting go of it hangs":            {hung: map[insertionKey]time.Duration{sda: stillIsGiveUp}},
		"only letting go hangs, and a job works": {running: []*job{of("sdb")}, hung: map[insertionKey]time.Duration{sda: stillIsGiveUp}},
	} {
		s := &supervisor{running: tc.running, looking: tc.looking}
		if tc.errand {
			s.errands.running = &errand{}
		}
		if over := s.nothingElse(tc.hung); over != tc.over {
			t.Errorf("%s: given up %t", what, over)
		}
	}
}

// What reads a card past its FS is watched too: what a rule asks of its folders, its own
// manifests, and asking the device.
func TestVigil_pastTheFS(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.cfg.setDefaults()
	s := newSupervisor(m.cfg)
	root, err := os.OpenRoot(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	opened := &Opened{Root: root, FS: oddFS{}, Medium: oddMedium{}}
	var begun, back int64
	opened.Release = func(context.Context) error {
		begun, back = opened.watch.begun.Load(), opened.watch.back.Load()
		return root.Close()
	}
	s.cfg.Volumes = patientVolumes{givenVolumes{func() *Opened { return opened }}, time.Minute, s.mounted, &s.vigil}
	rules, err := policy.Parse("policy.toml", []byte(m.policy))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := s.decideInside(t.Context(), udev.Device{Name: "sda", FSType: "exfat"}, rules, policy.Facts{}); err != nil {
		t.Fatal(err)
	}
	if begun != 2 || back != 1 { // letting go of it is one too
		t.Errorf("looking into a card: %d calls begun and %d back, want 2 and 1", begun, back)
	}
	w, before := opened.watch, s.vigil.steps.Load()
	if opened.Medium.Check() != calledAs("Check") || opened.Medium.Confirm() != calledAs("Confirm") || w.begun.Load() != 4 || w.back.Load() != 4 || s.vigil.steps.Load() != before+2 {
		t.Errorf("asking the device: %d calls begun and %d back, %d steps", w.begun.Load(), w.back.Load(), s.vigil.steps.Load()-before)
	}
	step, done := opened.stepping()
	step()
	if w.begun.Load() != 6 || w.back.Load() != 5 {
		t.Errorf("reading on: %d calls begun and %d back, want 6 and 5", w.begun.Load(), w.back.Load())
	}
	if done(); w.back.Load() != 6 {
		t.Errorf("at the end %d are back, want 6", w.back.Load())
	}
	d := &jobDrive{drive: &drive{}, opened: opened}
	before = s.vigil.steps.Load()
	if _, err := ask(t.Context(), &task{s: s}, d, func(_ context.Context, _ *Opened, step func()) (int, error) { step(); return 0, nil }); err != nil || s.vigil.steps.Load() == before {
		t.Errorf("a drive's steps are none of the box: %v", err)
	}
}

// Each call into a drive and into a folder is a step of the box.
func TestVigil_drivesCount(t *testing.T) {
	t.Parallel()
	var v vigil
	given := givenVolumes{func() *Opened {
		return &Opened{FS: calledFS{}, Release: func(context.Context) error { return nil }}
	}}
	volumes := patientVolumes{given, time.Minute, newMounted(nil), &v}
	for what, open := range map[string]func() (*Opened, error){
		"a drive":  func() (*Opened, error) { return volumes.Drive(t.Context(), udev.Device{}, false) },
		"a folder": func() (*Opened, error) { return volumes.Folder(t.Context(), "/srv") },
		"a card":   func() (*Opened, error) { return volumes.Card(t.Context(), udev.Device{}) },
	} {
		opened, err := open()
		if err != nil {
			t.Fatal(err)
		}
		before := v.steps.Load()
		if _, err := opened.FS.Lstat("x"); err != calledAs("Lstat") || v.steps.Load() != before+1 {
			t.Errorf("%s: %v, %d steps, want 1", what, err, v.steps.Load()-before)
		}
	}
}

type oddMedium struct{}

func (oddMedium) Check() error   { return calledAs("Check") }
func (oddMedium) Confirm() error { return calledAs("Confirm") }

// givenVolumes open what they were given.
type givenVolumes struct{ open func() *Opened }

func (v givenVolumes) Card(context.Context, udev.Device) (*Opened, error) { return v.open(), nil }
func (v givenVolumes) Drive(context.Context, udev.Device, bool) (*Opened, error) {
	return v.open(), nil
}
func (v givenVolumes) Folder(context.Context, string) (*Opened, error) { return v.open(), nil }

// A medium that hangs while it is looked at keeps everything else from beginning, so it
// is no less than a job that hangs.
func TestVigil_mediumThatHangsWhileItIsLookedAt(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		cfg := newSim(t, 1).cfg
		cfg.setDefaults()
		s := newSupervisor(cfg)
		s.looking = 1
		if !s.keepVigil() || len(s.conditions) > 0 {
			t.Errorf("it has just begun: %v", s.conditions)
		}
		<-time.After(stillIsSaid)
		if !s.keepVigil() || len(s.conditions) != 1 {
			t.Errorf("after ten minutes: %v", s.conditions)
		}
		<-time.After(stillIsGiveUp)
		if s.keepVigil() {
			t.Error("after forty minutes all is said to be well")
		}
	})
}

// Each call is passed on as that call and counted: what is read back past the cache must not
// become another way of opening.
func TestVigil_steppingFS(t *testing.T) {
	t.Parallel()
	begun, steps := 0, 0
	f := steppingFS{calledFS{}, func() func() { begun++; return func() { steps++ } }}
	only := func(_ any, err error) error { return err }
	for name, err := range map[string]error{
		"List": only(f.List("x")), "Lstat": only(f.Lstat("x")), "Open": only(f.Open("x")), "OpenMedium": only(f.OpenMedium("x")),
		"OpenGrowing": only(f.OpenGrowing("x")), "Create": only(f.Create("x", 1)), "CreatePatchwork": only(f.CreatePatchwork("x")),
		"Mkdir": f.Mkdir("x"), "Rename": f.Rename("x", "y"), "Remove": f.Remove("x"), "SetModTime": f.SetModTime("x", time.Time{}),
		"SyncDir": f.SyncDir("x"), "SyncAll": f.SyncAll(),
	} {
		if err != calledAs(name) {
			t.Errorf("%s became %v", name, err)
		}
	}
	if want := reflect.TypeFor[offload.FS]().NumMethod(); begun != want || steps != want {
		t.Errorf("%d begun and %d steps of %d calls", begun, steps, want)
	}
}

// calledAs is the failure of the call of that name.
type calledAs string

func (n calledAs) Error() string { return string(n) }

type calledFS struct{}

func (calledFS) List(string) ([]offload.Item, error)        { return nil, calledAs("List") }
func (calledFS) Lstat(string) (offload.Item, error)         { return offload.Item{}, calledAs("Lstat") }
func (calledFS) Open(string) (offload.Source, error)        { return nil, calledAs("Open") }
func (calledFS) OpenMedium(string) (offload.Source, error)  { return nil, calledAs("OpenMedium") }
func (calledFS) OpenGrowing(string) (offload.Source, error) { return nil, calledAs("OpenGrowing") }
func (calledFS) Create(string, int64) (offload.Sink, error) { return nil, calledAs("Create") }
func (calledFS) CreatePatchwork(string) (offload.Patchwork, error) {
	return nil, calledAs("CreatePatchwork")
}
func (calledFS) Mkdir(string) error                 { return calledAs("Mkdir") }
func (calledFS) Rename(string, string) error        { return calledAs("Rename") }
func (calledFS) Remove(string) error                { return calledAs("Remove") }
func (calledFS) SetModTime(string, time.Time) error { return calledAs("SetModTime") }
func (calledFS) SyncDir(string) error               { return calledAs("SyncDir") }
func (calledFS) SyncAll() error                     { return calledAs("SyncAll") }

// Where single sectors can be read they can be read still, and elsewhere not.
func TestVigil_steppingSource(t *testing.T) {
	t.Parallel()
	steps := 0
	f := steppingFS{oddFS{}, func() func() { return func() { steps++ } }}
	src, err := f.Open("with sectors")
	if _, ok := src.(offload.SectorSource); !ok || err != nil {
		t.Fatalf("a source with sectors became %T (%v)", src, err)
	}
	if n, err := src.(offload.SectorSource).ReadSector(make([]byte, 4), 8); n != 3 || !errors.Is(err, errOdd) {
		t.Errorf("reading a sector: %d, %v", n, err)
	}
	if src, _ := f.Open("plain"); src == nil {
		t.Error("no source")
	} else if _, ok := src.(offload.SectorSource); ok {
		t.Error("a plain source is said to have sectors")
	}
	if steps != 3 {
		t.Errorf("%d steps, want 3", steps)
	}
}

var errOdd = errors.New("odd")

type oddFS struct{ offload.FS }

func (oddFS) Open(name string) (offload.Source, error) {
	if name == "plain" {
		return plainSource{}, nil
	}
	return sectorSource{}, nil
}

type plainSource struct{ offload.Source }

type sectorSource struct{ offload.Source }

func (sectorSource) ReadSector([]byte, int64) (int, error) { return 3, errOdd }

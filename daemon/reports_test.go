package daemon

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/state"
)

// reports are the files in a drive's folder of reports, by name without the day.
func (d *simMedium) reports() map[string]string {
	d.sim.t.Helper()
	all := map[string]string{}
	list, err := filepath.Glob(filepath.Join(d.dir, reportsFolder, "*"))
	if err != nil {
		d.sim.t.Fatal(err)
	}
	for _, name := range list {
		data, err := os.ReadFile(name)
		if err != nil {
			data = []byte(err.Error())
		}
		all[strings.TrimPrefix(filepath.Base(name), time.Now().UTC().Format(time.DateOnly))] = string(data)
	}
	if left, err := filepath.Glob(filepath.Join(d.dir, ownFolder, "*.tmp")); err != nil || len(left) > 0 {
		d.sim.t.Errorf("half written: %v %v", left, err)
	}
	return all
}

func namesOf(reports map[string]string) (names []string) {
	for name := range reports {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

// noMidnight keeps a test's day from ending within it.
func noMidnight(m *sim) {
	at := time.Now().UTC().Truncate(24 * time.Hour).Add(12 * time.Hour)
	m.cfg.Now = func() (time.Time, bool) { return at, true }
}

// rowsOf reads a table, and counts the rows that say that a file is proven.
func rowsOf(t *testing.T, table string) (rows [][]string, proven int) {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(table)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := slices.Index(rows[0], "proven_at")
	for _, row := range rows[1:] {
		if row[at] != "" {
			proven++
		}
	}
	return rows[1:], proven
}

// After each offload every drive has the day's report, with the verdict, and it is
// renewed in its place.
func TestReports_onEachDrive(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	noMidnight(m)
	m.start()
	first, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(first, a, b)
	m.untilReleased(first)
	m.pull(first)
	for cards := 1; cards <= 2; cards++ {
		for _, d := range []*simMedium{a, b} {
			got := d.reports()
			if diff := cmp.Diff([]string{".csv", ".html"}, namesOf(got)); diff != "" {
				t.Fatalf("%s after %d cards (-want +got):\n%s", d.name, cards, diff)
			}
			if n := strings.Count(got[".html"], "<b>RELEASE</b>"); n != cards || !strings.Contains(got[".html"], "SKUA_1") {
				t.Errorf("%s: %d releases are told of, want %d", d.name, n, cards)
			}
			rows, proven := rowsOf(t, got[".csv"])
			if want := 2 * (3 + (cards-1)*5); len(rows) != want || proven != want {
				t.Errorf("%s: %d rows, %d of them proven, want %d", d.name, len(rows), proven, want)
			}
		}
		if cards == 1 {
			second := m.card("sdd", "SKUA_2", 5)
			m.plug(second)
			m.untilReleased(second)
		}
	}
}

// A hold is told with its reason.
func TestReports_ofAHold(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	noMidnight(m)
	m.start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	m.plug(card, a)
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	got := a.reports()[".html"]
	if !strings.Contains(got, "<b>HOLD</b>") || !strings.Contains(got, "needs 1 more drive") || strings.Contains(got, "<b>RELEASE</b>") {
		t.Errorf("the report:\n%s", got)
	}
}

// What has a report's name and is not this box's report stays as it is, and the
// report takes another name, always the same.
func TestReports_takeNobodysName(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	noMidnight(m)
	m.start()
	first, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(a, b)
	m.until("both are known", func(st *state.State) bool {
		return driveNamed(st, "sdb").ID != "" && driveNamed(st, "sdc").ID != "" && idle(st)
	})
	day, _ := m.cfg.Now()
	dir := filepath.Join(a.dir, reportsFolder)
	theirs := map[string]string{
		".html":     "<!DOCTYPE html>\n<!-- bothy report of box zzzzzzzz -->\n<p>another box's",
		".csv":      "my,own\r\nnotes,1\r\n",
		".html.tmp": "somebody's too",
		"-2.csv":    "",

		"-3.html.tmp": "and this",
	}
	if err := os.MkdirAll(filepath.Join(dir, day.Format(time.DateOnly)+"-2.html"), 0o755); err != nil {
		t.Fatal(err)
	}
	for name, text := range theirs {
		if err := os.WriteFile(filepath.Join(dir, day.Format(time.DateOnly)+name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	m.plug(first)
	m.untilReleased(first)
	m.pull(first)
	second := m.card("sdd", "SKUA_2", 3)
	m.plug(second)
	m.untilReleased(second)
	got := a.reports()
	if diff := cmp.Diff([]string{"-2.csv", "-2.html", "-3.csv", "-3.html", "-3.html.tmp", ".csv", ".html", ".html.tmp"}, namesOf(got)); diff != "" {
		t.Errorf("names (-want +got):\n%s", diff)
	}
	for name, text := range theirs {
		if got[name] != text {
			t.Errorf("%s is %.60q now", name, got[name])
		}
	}
	if !strings.Contains(got["-3.html"], "SKUA_2") || !strings.Contains(got["-3.csv"], "SKUA_2") {
		t.Error("the reports were not renewed")
	}
}

// A drive on which no report can be written has its copy all the same, and
// nothing is the matter with it, but where it has no room.
func TestReports_thatCannotBeWritten(t *testing.T) {
	t.Parallel()
	for what, hook := range map[string]func(op, name string) error{
		"folder": failing("create", reportsFolder, syscall.EIO),
		"look":   failing("lstat", reportsFolder+"/", syscall.EIO),
		"create": failing("create", "report-", syscall.EIO),
		"write":  failing("write", "report-", syscall.EIO),
		"sync":   failing("sync", "report-", syscall.EIO),
		"rename": failing("rename", "report-", syscall.EIO),
		"room":   failing("write", "report-", syscall.ENOSPC),
		"file":   nil,
	} {
		t.Run(what, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			noMidnight(m)
			m.start()
			card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
			if b.on(hook); hook == nil {
				if err := os.WriteFile(filepath.Join(b.dir, reportsFolder), []byte("mine"), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			m.plug(card, a, b)
			m.untilReleased(card)
			st := m.untilIdle()
			for _, c := range st.Conditions {
				if c.Code != state.DriveFull || what != "room" {
					t.Errorf("condition: %+v", c)
				}
			}
			if what == "room" && !raised(st, state.DriveFull) {
				t.Error("nobody is told that the drive is full")
			}
			if len(a.finished()) != 1 || len(b.finished()) != 1 || len(a.reports()) != 2 {
				t.Errorf("copies %v and %v, reports %v", a.finished(), b.finished(), namesOf(a.reports()))
			}
			switch data, _ := os.ReadFile(filepath.Join(b.dir, reportsFolder)); {
			case hook == nil && string(data) != "mine":
				t.Errorf("what was called %s is %q now", reportsFolder, data)
			case hook != nil && len(b.reports()) != 0:
				t.Errorf("reports: %v", namesOf(b.reports()))
			}
		})
	}
}

// A report that takes its time delays no release, also where that waits for the
// card's own manifests; and pulling the card ends no report.
func TestReports_delayNoRelease(t *testing.T) {
	t.Parallel()
	for name, history := range map[string]bool{"card without a history": false, "card with a history": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			noMidnight(m)
			m.start()
			card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
			if history {
				card.history(".")
			}
			reached, goOn := make(chan struct{}), make(chan struct{})
			b.on(blockOnce("create", "report-", reached, goOn))
			m.plug(card, a, b)
			<-reached
			m.until("the card is released", func(st *state.State) bool {
				c, ok := cardOf(st, card.name)
				return ok && c.Phase == state.CardDecided && c.Verdict == state.Release && driveNamed(st, b.name).InUse
			})
			m.pull(card)
			m.until("the card is out", func(st *state.State) bool { return len(st.Cards) == 0 })
			close(goOn)
			st := m.untilIdle()
			if raised(st, state.CardGone) || len(b.reports()) != 2 {
				t.Errorf("conditions %+v, reports %v", st.Conditions, namesOf(b.reports()))
			}
		})
	}
}

// A drive that is brought what it lacks gets the report too.
func TestReports_afterCatchUp(t *testing.T) {
	t.Parallel()
	m, _, _, _ := shot(t, noMidnight)
	late := m.drive("sdd")
	m.plug(late)
	m.untilLevel(late, 1)
	got := late.reports()
	if diff := cmp.Diff([]string{".csv", ".html"}, namesOf(got)); diff != "" {
		t.Fatalf("reports (-want +got):\n%s", diff)
	}
	rows, proven := rowsOf(t, got[".csv"])
	if len(rows) != 4*3 || proven != 4*3 {
		t.Errorf("%d rows, %d of them proven, want %d", len(rows), proven, 4*3)
	}
}

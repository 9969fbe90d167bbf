package metrics

import (
	"bytes"
	"flag"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"reflect"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"

	"bothy/testdata/judges"
)

var update = flag.Bool("update", false, "write the golden files anew")

// sample has every part filled, two cards of one slot and two drives of one
// name among them.
func sample() Snapshot {
	return Snapshot{
		Version: "0.1.0", Phase: "watching", CopiesNeeded: 2, ClockTrusted: true, LastStateChange: 1795616465.5,
		PolicyLoaded: true, PolicyError: true, PolicyLoadedAt: 1795610000, ChargeKnown: true, Charge: 0.17, ExternalKnown: true,
		DevicesWatched: 7, DevicesLeftAlone: 2, OffloadsRunning: 1, OffloadsDone: 0.47, OffloadsLeft: 220, NeedsPerson: true,
		Starts: Starts{Clean: 20, AfterCrash: 3, AfterPowerCut: 19}, Errand: "patrol", ErrandDone: 0.25,
		Cards: []Card{
			{Slot: "platform-usb-0:1.1", Rule: "stills", Phase: "decided", Verdict: "hold", HoldKind: "needs-drive", HeldSeconds: 5400},
			{Slot: "platform-usb-0:1.1", Rule: "stills", Phase: "decided", Verdict: "hold", HoldKind: "fault", HeldSeconds: 60},
			{Slot: "platform-usb-0:1.2", Rule: "clips", Phase: "working", Verdict: "working"},
		},
		Drives: []Drive{
			{Name: "gannet", Attached: true, InUse: true, SizeBytes: 2e12, FreeBytes: 5e11, LastSeen: 1795616460, HealthKnown: true, HealthGood: true, CelsiusKnown: true, Celsius: 31,
				Copies: 9, OldestProof: 1795000000, Undated: 1, RoomKnown: true, RoomCards: 25, RoomSeconds: 759600},
			{Name: "gannet", Full: true, SizeBytes: 1, FreeBytes: 1},
			{Name: "fulmar", Failing: true, SizeBytes: 1e12, FreeBytes: 2e11, LastSeen: 1795530000, HealthKnown: true},
			{Name: "razorbill", Retired: true, LastSeen: 1795530000},
			{Name: "puffin", Attached: true, Refused: true, Retired: true},
			{Attached: true, Refused: true},
		},
		Conditions:            []Condition{{"drive-full", "danger", 1}, {"clock-untrusted", "notice", 0}},
		ConditionsRaisedTotal: []Raised{{"clock-untrusted", 4}, {"drive-full", 1}},
		Counters: Counters{
			DeviceEvents: 41, DeviceRescans: 5, DeviceReconnects: 1, ReadBytes: 3000, WrittenBytes: 6000, ReadBackBytes: 5500,
			FilesProven: 12, CopiesProven: 3, CopiesFailed: 1, CatchUps: 16, Patrols: 17, FilesHealed: 18, Releases: 2, Holds: 6, ReadBackMismatches: 7, ReadBackErrors: 4, FlushFailures: 8,
			LightFailures: 9, LedgerFailures: 10, OffloadsStarted: 11, OffloadsFinished: 13, PolicyReloads: 14, PolicyReloadFails: 15,
		},
	}
}

// expose scrapes only the program's own collector, whose output is the same
// on every machine.
func expose(t *testing.T, s Snapshot) []byte {
	t.Helper()
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(func() Snapshot { return s }))
	return scrape(t, reg)
}

func scrape(t *testing.T, reg *prometheus.Registry) []byte {
	t.Helper()
	rec := httptest.NewRecorder()
	Handler(reg).ServeHTTP(rec, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if rec.Code != http.StatusOK {
		t.Fatalf("scrape: status %d: %s", rec.Code, rec.Body)
	}
	body, err := io.ReadAll(rec.Body)
	if err != nil {
		t.Fatal(err)
	}
	return body
}

func TestCollector_golden(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		file string
		snap Snapshot
	}{
		{"testdata/full.prom", sample()},
		{"testdata/empty.prom", Snapshot{}},
	} {
		got := expose(t, tc.snap)
		if *update {
			if err := os.WriteFile(tc.file, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(tc.file)
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(string(want), string(got)); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.file, diff)
		}
	}
}

// Independent program: promtool of the Prometheus project knows the naming
// conventions and refuses what breaks them.
func TestCollector_promtool(t *testing.T) {
	t.Parallel()
	promtool := judges.Need(t, "promtool")
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = bytes.NewReader(expose(t, sample()))
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
}

func TestNewRegistry_hasRuntimeAndProcess(t *testing.T) {
	t.Parallel()
	body := string(scrape(t, NewRegistry(sample)))
	for _, name := range []string{"go_goroutines", "process_start_time_seconds", "bothy_build_info"} {
		if !strings.Contains(body, "\n"+name) {
			t.Errorf("no series %s", name)
		}
	}
}

// fill puts text into every string and n elements into every slice below v,
// so that a field added later is covered without anyone thinking of it.
func fill(v reflect.Value, text func() string, n int) {
	switch v.Kind() {
	case reflect.String:
		v.SetString(text())
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), text, n)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			fill(v.Index(i), text, n)
		}
	}
}

func TestCollector_hostileStrings(t *testing.T) {
	t.Parallel()
	hostile := []string{
		strings.Repeat("x", 100_000),
		"\x1b[31mred\x1b[0m\r\n\x00\"}\nbothy_releases_total 999\n",
		"\u202egnp\u2066.exe\u2069", "\xff\xfe\xfd", "</script><script>alert(1)</script>", "\u0085\u2028",
	}
	var snap Snapshot
	i := 0
	fill(reflect.ValueOf(&snap).Elem(), func() string {
		i++
		return hostile[i%len(hostile)] + strings.Repeat("\u00e9", i%97)
	}, 5000)
	for j := range snap.Drives { // a refused drive has no series
		snap.Drives[j].Refused = false
	}
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(func() Snapshot { return snap }))
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	series := 0
	for _, f := range families {
		for _, m := range f.GetMetric() {
			series++
			for _, l := range m.GetLabel() {
				checkLabel(t, f.GetName(), l.GetValue())
			}
		}
	}
	const fixed = 60 // generous count of series that no string can multiply
	if limit := fixed + 13*MaxDrives + MaxSlotCards + 2*MaxCodes; series > limit {
		t.Errorf("%d series, limit %d", series, limit)
	}
}

func checkLabel(t *testing.T, name, value string) {
	t.Helper()
	if n := utf8.RuneCountInString(value); n > MaxLabelRunes {
		t.Errorf("%s: label value of %d runes", name, n)
	}
	for _, r := range value {
		if !unicode.IsPrint(r) {
			t.Errorf("%s: unprintable %U in label value %q", name, r, value)
		}
	}
}

// No series may name footage or a device; the allowed label names are all.
func TestCollector_labelNames(t *testing.T) {
	t.Parallel()
	allowed := map[string]bool{"version": true, "phase": true, "kind": true, "slot": true, "rule": true,
		"verdict": true, "drive": true, "code": true, "severity": true, "after": true}
	reg := prometheus.NewPedanticRegistry()
	reg.MustRegister(NewCollector(sample))
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	if len(families) != len(newDescs().all) {
		t.Errorf("the sample shows %d of %d metrics", len(families), len(newDescs().all))
	}
	for _, f := range families {
		for _, l := range f.GetMetric()[0].GetLabel() {
			if !allowed[l.GetName()] {
				t.Errorf("%s: label %q is not allowed", f.GetName(), l.GetName())
			}
		}
	}
}

func FuzzLabel(f *testing.F) {
	for _, s := range []string{"", "gannet", "\x1b[2J", "\u202e", "\xff", strings.Repeat("\u00e9", 65), "a\ufffdb"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := label(s)
		checkLabel(t, "label", got)
		if again := label(got); again != got {
			t.Errorf("label is not idempotent: %q then %q", got, again)
		}
	})
}

package daemon

import (
	"errors"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/ledger"
	"bothy/daemon/report"
	"bothy/policy"
)

// A day is that of the box's zone, also where it has 25 hours, and a name for it
// that is none is refused.
func TestDayMaker_day(t *testing.T) {
	t.Parallel()
	zone, err := time.LoadLocation("Atlantic/Faroe")
	if err != nil {
		t.Fatal(err)
	}
	l, err := ledger.Open(t.Context(), filepath.Join(t.TempDir(), "ledger.db"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	began := func(day, hour, minute int, status string) string {
		o, err := l.BeginOffload(t.Context(), ledger.Offload{CardLabel: "SKUA", Started: ledger.Moment{
			Wall: time.Date(2026, 10, day, hour, minute, 0, 0, time.UTC), Trusted: day != 26}})
		if err != nil {
			t.Fatal(err)
		}
		if err := l.UpdateOffload(t.Context(), o.ID, "hold", "", status, o.Started); err != nil {
			t.Fatal(err)
		}
		return o.ID
	}
	// Summer time ends on the 25th, at 01:00 UTC.
	eve, first := began(24, 22, 59, "done"), began(24, 23, 0, "done")
	void, last := began(25, 12, 0, "void"), began(25, 23, 59, "open")
	next := began(26, 0, 0, "done")
	now := time.Date(2026, 10, 26, 0, 30, 0, 0, time.UTC)
	m := dayMaker{ledger: l, box: policy.Box{Timezone: "Atlantic/Faroe", Location: zone}, boxName: "skerry-2", boxID: l.BoxID(),
		now: func() (time.Time, bool) { return now, true }}
	for name, want := range map[string][]string{
		"2026-10-24": {eve}, "2026-10-25": {first, void, last}, "yesterday": {first, void, last}, "2026-10-26": {next}, "today": {next}, "2026-10-27": nil,
	} {
		date, err := m.name(name)
		if err != nil {
			t.Fatal(err)
		}
		d, err := m.make(t.Context(), date)
		if err != nil {
			t.Fatal(err)
		}
		if d == nil {
			d = &report.Day{ClockTrusted: date != "2026-10-26"}
		}
		var got []string
		for _, o := range d.Offloads {
			got = append(got, o.ID)
			if o.Void != (o.ID == void) || o.Void != (o.Files == nil) {
				t.Errorf("offload %s: void %v, files %v", o.ID, o.Void, o.Files != nil)
			}
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
		if d.ClockTrusted != (date != "2026-10-26") {
			t.Errorf("%s: the clock was right: %v", name, d.ClockTrusted)
		}
	}
	for _, name := range []string{"", "tomorrow", "2026-02-30", "2026-1-2", "0000-01-01", "2026-10-25T00:00:00Z", "../2026-10-25", "26-10-25"} {
		if date, err := m.name(name); !errors.Is(err, report.ErrNoDay) {
			t.Errorf("%q is the day %q: %v", name, date, err)
		}
	}
}

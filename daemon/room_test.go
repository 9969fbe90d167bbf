package daemon

import (
	"testing"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

func TestRoomLeft(t *testing.T) {
	t.Parallel()
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	const gb = 1_000_000_000
	ago := func(d time.Duration, bytes int64) ledger.Offload {
		return ledger.Offload{Started: ledger.Moment{Wall: now.Add(-d), Trusted: true}, Bytes: bytes, Status: ledger.OffloadDone}
	}
	by := func(o ledger.Offload, change func(*ledger.Offload)) ledger.Offload { change(&o); return o }
	const day = 24 * time.Hour
	blind := by(ago(day, 900*gb), func(o *ledger.Offload) { o.Started.Trusted = false })
	void := by(ago(day, 900*gb), func(o *ledger.Offload) { o.Status = ledger.OffloadVoid })
	for _, test := range []struct {
		name    string
		list    []ledger.Offload
		trusted bool
		room    int64
		want    state.Room
	}{
		{"nothing came", nil, true, 100 * gb, state.Room{}},
		{"a clock that is not right", []ledger.Offload{ago(2*day, 40*gb)}, false, 100 * gb, state.Room{}},
		{"20 GB a day", []ledger.Offload{ago(5*day, 60*gb), ago(day, 40*gb)}, true, 100 * gb, state.Room{Known: true, Cards: 2, Hours: 120}},
		{"a box that has begun today", []ledger.Offload{ago(time.Hour, 48*gb)}, true, 100 * gb, state.Room{Known: true, Cards: 2, Hours: 50}},
		{"the seventh day counts, the eighth not", []ledger.Offload{ago(7*day, 70*gb), ago(7*day+1, 900*gb)}, true, 100 * gb, state.Room{Known: true, Cards: 1, Hours: 240}},
		{"begun by no right clock, void, or yet to come", []ledger.Offload{ago(2*day, 20*gb), blind, void, ago(-day, 900*gb)}, true, 10 * gb, state.Room{Known: true, Cards: 0, Hours: 24}},
		{"empty cards make no pace", []ledger.Offload{ago(2*day, 0)}, true, 10 * gb, state.Room{}},
		{"below its reserve", []ledger.Offload{ago(2*day, gb)}, true, -5 * gb, state.Room{Known: true}},
		{"a pace that never fills it", []ledger.Offload{ago(7*day, 1)}, true, 1 << 62, state.Room{Known: true, Cards: 1<<31 - 1, Hours: 1<<31 - 1}},
	} {
		if got := roomLeft(test.list, now, test.trusted, test.room); got != test.want {
			t.Errorf("%s: %+v, want %+v", test.name, got, test.want)
		}
	}
}

package daemon

import (
	"reflect"
	"testing"
	"time"

	"bothy/daemon/state"
	"bothy/metrics"

	"github.com/google/go-cmp/cmp"
)

func TestMeasure_cardNeverReleasedBeforeDecided(t *testing.T) {
	t.Parallel()
	for _, phase := range []state.CardPhase{state.CardLooking, state.CardQueued, state.CardWorking, state.CardDecided, "", "odd"} {
		for _, verdict := range []state.Verdict{state.Hold, state.Release, "", "odd"} {
			got := measureCard(state.Card{Phase: phase, Verdict: verdict}).Verdict
			want := "working"
			if phase == state.CardDecided {
				want = "hold"
				if verdict == state.Release {
					want = "release"
				}
			}
			if got != want {
				t.Errorf("phase %q verdict %q: %q, want %q", phase, verdict, got, want)
			}
		}
	}
}

func TestMeasure_media(t *testing.T) {
	t.Parallel()
	s := &state.State{
		Moment: time.Unix(1795616465, 500e6), ClockTrusted: true, Phase: state.Watching,
		Box:     state.Box{Version: "1", Copies: 2, Starts: state.Starts{Clean: 5, AfterCrash: 6, AfterPowerCut: 7}},
		Policy:  state.Policy{LoadedAt: time.Unix(100, 0), Error: "p.toml:1:1: no (hint)"},
		Power:   state.Power{HasBattery: true, HasCharge: true, Percent: 17, HasExternal: true, External: true},
		Devices: []state.Device{{Decision: "left-alone"}, {Decision: "card"}},
		Cards: []state.Card{
			{Slot: "s1", Rule: "stills", Phase: state.CardDecided, Verdict: state.Hold},
			{Slot: "s2", Rule: "stills", Phase: state.CardDecided, Verdict: state.Hold, HoldKind: state.NeedsDrive, HeldSince: time.Unix(1795616465-90, 0)},
			{Slot: "s3", Rule: "stills", Phase: state.CardDecided, Verdict: state.Release},
		},
		Drives: []state.Drive{
			{ID: "d1", Name: "gannet", Attached: true, InUse: true, SizeBytes: 10, FreeBytes: 4, LastSeenAt: time.Unix(7, 0), Health: state.Health{Word: state.HealthGood, HasCelsius: true, Celsius: 31},
				Copies: 3, OldestProof: time.Unix(9, 0), Undated: 2, Room: state.Room{Known: true, Cards: 4, Hours: 5}},
			{ID: "d2", Name: "fulmar", Retired: true, Health: state.Health{Word: state.HealthFailing}},
			{Name: "what an unknown stick calls itself", Attached: true, Refused: true},
		},
		Errand: &state.Errand{Kind: state.ErrandHeal, Done: 0.5},
		Offloads: []state.Offload{
			{Running: true, Done: 0.7, Left: state.Left{Total: 90 * time.Second}},
			{Running: true, Done: 0.4, Left: state.Left{Total: 30 * time.Second}},
			{Done: 0.1, Left: state.Left{Total: time.Hour}},
		},
		Conditions: []state.Condition{{Code: state.DriveFull}, {Code: state.LedgerFailing}},
	}
	got := measure(s)
	want := metrics.Snapshot{
		Version: "1", Phase: "watching", CopiesNeeded: 2, ClockTrusted: true, LastStateChange: 1795616465.5,
		PolicyLoaded: true, PolicyError: true, PolicyLoadedAt: 100,
		ChargeKnown: true, Charge: 0.17, ExternalKnown: true, External: true,
		DevicesWatched: 2, DevicesLeftAlone: 1, OffloadsRunning: 2, OffloadsDone: 0.4, OffloadsLeft: 90, NeedsPerson: true,
		Starts: metrics.Starts{Clean: 5, AfterCrash: 6, AfterPowerCut: 7}, Errand: "heal", ErrandDone: 0.5,
		Cards: []metrics.Card{
			{Slot: "s1", Rule: "stills", Phase: "decided", Verdict: "hold", HoldKind: "fault"},
			{Slot: "s2", Rule: "stills", Phase: "decided", Verdict: "hold", HoldKind: "needs-drive", HeldSeconds: 90.5},
			{Slot: "s3", Rule: "stills", Phase: "decided", Verdict: "release"},
		},
		Drives: []metrics.Drive{
			{Name: "gannet", Attached: true, InUse: true, SizeBytes: 10, FreeBytes: 4, LastSeen: 7, HealthKnown: true, HealthGood: true, CelsiusKnown: true, Celsius: 31,
				Copies: 3, OldestProof: 9, Undated: 2, RoomKnown: true, RoomCards: 4, RoomSeconds: 5 * 3600},
			{Name: "fulmar", Retired: true, HealthKnown: true},
			{Attached: true, Refused: true},
		},
	}
	conditions := got.Conditions
	got.Conditions, got.ConditionsRaisedTotal = nil, nil
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("measure (-want +got):\n%s", diff)
	}
	if len(conditions) != len(state.Kinds) {
		t.Errorf("%d codes reported, there are %d", len(conditions), len(state.Kinds))
	}
	for _, c := range conditions {
		if raised := c.Code == "drive-full" || c.Code == "ledger-failing"; raised != (c.Raised == 1) {
			t.Errorf("%s raised %d times", c.Code, c.Raised)
		}
	}
}

// Every counter of the State must reach the snapshot, each in its own place.
func TestMeasure_everyCounterArrives(t *testing.T) {
	t.Parallel()
	var in state.Counters
	v := reflect.ValueOf(&in).Elem()
	numbers := 0
	for i := range v.NumField() {
		if v.Field(i).Kind() == reflect.Uint64 {
			v.Field(i).SetUint(uint64(i + 1000))
			numbers++
		}
	}
	in.ConditionsRaised = map[string]uint64{"drive-full": 3, "not-in-the-table": 4}
	snap := measure(&state.State{Counters: in})
	seen := map[uint64]bool{}
	out := reflect.ValueOf(snap.Counters)
	for i := range out.NumField() {
		seen[out.Field(i).Uint()] = true
	}
	if len(seen) != numbers || seen[0] {
		t.Errorf("%d distinct counters arrived, want %d", len(seen), numbers)
	}
	raised := map[string]uint64{}
	for _, r := range snap.ConditionsRaisedTotal {
		raised[r.Code] = r.Times
	}
	if raised["drive-full"] != 3 || raised["not-in-the-table"] != 4 || len(raised) != len(state.Kinds)+1 {
		t.Errorf("conditions raised: %v", raised)
	}
}

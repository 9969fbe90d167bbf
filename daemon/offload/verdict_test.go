package offload

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"bothy/daemon/state"
)

func disk(id string, disks ...string) Place {
	return Place{DriveID: id, Disks: disks, DiskKey: "key-" + id}
}
func away(id, key string) Place { return Place{DriveID: id, DiskKey: key} }

func TestDistinct(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name   string
		places []Place
		want   int
	}{
		{"none", nil, 0},
		{"two disks", []Place{disk("a", "sda"), disk("b", "sdb")}, 2},
		{"two partitions of one disk", []Place{disk("a", "sda"), disk("b", "sda")}, 1},
		{"one drive named twice", []Place{disk("a", "sda"), disk("a", "sdb")}, 1},
		{"an array and one of its disks", []Place{disk("a", "sda", "sdb"), disk("b", "sdb")}, 1},
		{"away, told apart by their keys", []Place{away("a", "x"), away("b", "y")}, 2},
		{"away, the same key", []Place{away("a", "x"), away("b", "x")}, 1},
		{"away, one without a key", []Place{away("a", "x"), away("b", "")}, 1},
		{"away, none with a key", []Place{away("a", ""), away("b", "")}, 0},
		{"one here, the other away without a key", []Place{disk("a", "sda"), away("b", "")}, 1},
		{"one here without a key, the other away", []Place{{DriveID: "a", Disks: []string{"sda"}}, away("b", "y")}, 1},
		{"here twice with one cloned key", []Place{{DriveID: "a", Disks: []string{"sda"}, DiskKey: "x"}, {DriveID: "b", Disks: []string{"sdb"}, DiskKey: "x"}}, 2},
		{"a third that bridges two", []Place{disk("a", "sda"), disk("b", "sdb"), away("c", "key-a")}, 2},
	} {
		if got := Distinct(tc.places); got != tc.want {
			t.Errorf("%s: %d, want %d", tc.name, got, tc.want)
		}
	}
}

func TestJudge(t *testing.T) {
	t.Parallel()
	two, one := []Place{disk("a", "sda"), disk("b", "sdb")}, []Place{disk("a", "sda")}
	same := []Place{disk("a", "sda"), disk("b", "sda")}
	for _, tc := range []struct {
		name string
		a    Account
		v    state.Verdict
		kind state.HoldKind
		says string
	}{
		{"enough", Account{Copies: 2, Places: [][]Place{two, two}}, state.Release, state.NoHold, "2 files, each proven on 2 drives"},
		{"one short", Account{Copies: 2, Places: [][]Place{two, one}}, state.Hold, state.NeedsDrive, "needs 1 more drive for 1 of 2 files"},
		{"one file nowhere", Account{Copies: 2, Places: [][]Place{two, nil}}, state.Hold, state.NeedsDrive, "needs 2 more drives"},
		{"one disk counts once", Account{Copies: 2, Places: [][]Place{same}}, state.Hold, state.NeedsDrive, "count once"},
		{"a fault holds in spite of copies", Account{Copies: 2, Places: [][]Place{two}, Faults: []string{"a reason"}}, state.Hold, state.HoldByFault, "a reason"},
		{"slices that begin alike", Account{Copies: 2, Places: [][]Place{two, two[:1]}}, state.Hold, state.NeedsDrive, "needs 1 more drive for 1 of 2 files"},
		{"slices that end alike", Account{Copies: 2, Places: [][]Place{two, two[1:]}}, state.Hold, state.NeedsDrive, "needs 1 more drive for 1 of 2 files"},
		{"four faults", Account{Copies: 2, Places: [][]Place{two}, Faults: []string{"a", "b", "c", "d"}}, state.Hold, state.HoldByFault, "a; b; c; and 1 more"},
		{"three faults", Account{Copies: 2, Places: [][]Place{two}, Faults: []string{"a", "b", "c"}}, state.Hold, state.HoldByFault, "a; b; c"},
		{"no files", Account{Copies: 2}, state.Hold, state.HoldByFault, "no files"},
		{"no number", Account{Places: [][]Place{two}}, state.Hold, state.HoldByFault, "no number"},
		{"the outlook is said", Account{Copies: 2, Places: [][]Place{one}, Outlook: []string{"bay 2 is full"}}, state.Hold, state.NeedsDrive, "bay 2 is full"},
	} {
		v, kind, reason := Judge(tc.a)
		if v != tc.v || kind != tc.kind || !strings.Contains(reason, tc.says) {
			t.Errorf("%s: %s, %s, %q", tc.name, v, kind, reason)
		}
	}
}

func places() *rapid.Generator[[]Place] {
	return rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Place {
		return Place{
			DriveID: rapid.SampledFrom([]string{"a", "b", "c", "d"}).Draw(t, "id"),
			Disks:   rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"sda", "sdb", "sdc"}), 0, 2, rapid.ID[string]).Draw(t, "disks"),
			DiskKey: rapid.SampledFrom([]string{"", "k1", "k2", "k3"}).Draw(t, "key"),
		}
	}), 0, 5)
}

// surely counts by trying every subset: the most places of which no two may be
// the same disk. It is written from the rule, not from the code.
func surely(list []Place) int {
	most := 0
	for set := range 1 << len(list) {
		var chosen []Place
		for i, p := range list {
			if set>>i&1 == 1 && (len(p.Disks) > 0 || p.DiskKey != "") {
				chosen = append(chosen, p)
			}
		}
		ok := true
		for i, p := range chosen {
			for _, q := range chosen[:i] {
				ok = ok && !mayBeOne(p, q)
			}
		}
		if ok {
			most = max(most, len(chosen))
		}
	}
	return most
}

func mayBeOne(p, q Place) bool {
	if p.DriveID == q.DriveID {
		return true
	}
	if len(p.Disks)*len(q.Disks) == 0 {
		return p.DiskKey == q.DiskKey || p.DiskKey == "" || q.DiskKey == ""
	}
	return strings.Contains(fmt.Sprint(p.Disks), q.Disks[0]) || strings.Contains(fmt.Sprint(p.Disks), q.Disks[len(q.Disks)-1])
}

// TestJudge_neverReleasesTooEarly: a release means that every file surely
// stands on enough disks and that nothing is at fault.
func TestJudge_neverReleasesTooEarly(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		a := Account{Copies: rapid.IntRange(-1, 4).Draw(t, "copies")}
		for range rapid.IntRange(0, 4).Draw(t, "files") {
			list := places().Draw(t, "places")
			if n := len(a.Places); n > 0 && rapid.Bool().Draw(t, "a part of another's") {
				list = a.Places[n-1]
				from := rapid.IntRange(0, len(list)).Draw(t, "from")
				list = list[from:rapid.IntRange(from, len(list)).Draw(t, "to")]
			}
			a.Places = append(a.Places, list)
			if got, most := Distinct(list), surely(list); got > most || got == 0 && most > 0 {
				t.Fatalf("%d distinct of at most %d: %+v", got, most, list)
			}
		}
		if rapid.IntRange(0, 3).Draw(t, "fault") == 0 {
			a.Faults = []string{"fault"}
		}
		v, kind, reason := Judge(a)
		if v != state.Release {
			if kind == state.NoHold || reason == "" {
				t.Fatalf("holds for no reason: %q %q", kind, reason)
			}
			return
		}
		if len(a.Faults) > 0 || len(a.Places) == 0 || a.Copies < 1 {
			t.Fatalf("released: %+v", a)
		}
		for i, list := range a.Places {
			if n := surely(list); n < a.Copies {
				t.Fatalf("released with file %d on %d disks of %d", i, n, a.Copies)
			}
		}
	})
}

package mhl

import (
	"errors"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"pgregory.net/rapid"

	"bothy/daemon/checksum"
)

// model is an index in plain maps: every file's values, oldest first.
type model map[string][]Known

func (m model) add(generation int, f FileHash) {
	known := m[f.Path]
	if f.PreviousPath != "" && f.PreviousPath != f.Path {
		known = append(slices.Clone(known), m[f.PreviousPath]...)
		delete(m, f.PreviousPath)
	}
	if f.Action != Failed {
		names := checksum.Names()
		for _, algorithm := range slices.Backward(names) {
			value, ok := f.Others[algorithm]
			if algorithm == f.Algorithm {
				value, ok = f.Value, true
			}
			if !ok {
				continue
			}
			known = slices.DeleteFunc(slices.Clone(known), func(k Known) bool {
				return k.Algorithm == algorithm && k.Value == value
			})
			known = append(known, Known{algorithm, value, f.Action, f.SizeBytes, f.ModTime, f.HashedAt, generation})
		}
	}
	m[f.Path] = known
}

func drawFile(t *rapid.T) FileHash {
	path := rapid.SampledFrom([]string{"a", "b", "c", "d/e"})
	times := rapid.SampledFrom([]time.Time{{}, noon, noon.Add(time.Nanosecond), time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC)})
	value := func(algorithm string) string {
		return sumOf(t, algorithm, rapid.SampledFrom([]string{"one", "two"}).Draw(t, "content"))
	}
	algorithm := rapid.SampledFrom(checksum.Names())
	f := FileHash{Path: path.Draw(t, "path"), SizeBytes: rapid.Int64Range(-1, 3).Draw(t, "size"), ModTime: times.Draw(t, "mtime"),
		HashedAt: times.Draw(t, "hashed"), Algorithm: algorithm.Draw(t, "algorithm"),
		Action: rapid.SampledFrom([]Action{Original, Verified, Failed, "", "other"}).Draw(t, "action")}
	f.Value = value(f.Algorithm)
	if other := algorithm.Draw(t, "other"); other != f.Algorithm {
		f.Others = map[string]string{other: value(other)}
	}
	if rapid.IntRange(0, 4).Draw(t, "moved") == 0 {
		f.PreviousPath = path.Draw(t, "previous")
	}
	return f
}

// Whatever generations say, the index says what plain maps say, and nothing of
// a manifest that turned out to be damaged.
func TestIndex_saysWhatMapsSay(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		x, m := newIndex(), model{}
		for generation := range rapid.IntRange(1, 6).Draw(rt, "generations") {
			files := rapid.SliceOfN(rapid.Custom(drawFile), 0, 6).Draw(rt, "files")
			x.begin()
			for _, f := range files {
				must(rt, x.stage(generation, f))
			}
			if rapid.IntRange(0, 3).Draw(rt, "damaged") == 0 {
				x.drop()
				continue
			}
			must(rt, x.commit())
			for _, f := range files {
				m.add(generation, f)
			}
		}
		x.trim()
		for _, path := range []string{"a", "b", "c", "d/e", "never"} {
			want, known := m[path]
			slices.Reverse(want)
			if d := cmp.Diff(want, x.latest(path), cmpopts.EquateEmpty()); d != "" {
				rt.Fatalf("%s: %s", path, d)
			}
			if _, ok := x.newest[path]; ok != known {
				rt.Fatalf("%s: known %v, want %v", path, ok, known)
			}
		}
	})
}

// A folder that is proven every week, with the same outcome, doesn't grow.
func TestIndex_staysSmall(t *testing.T) {
	t.Parallel()
	x := newIndex()
	for generation := range 50 {
		x.begin()
		for _, f := range bigCard(100).Files {
			f.HashedAt = noon.Add(time.Duration(generation) * time.Hour)
			must(t, x.stage(generation, f))
		}
		must(t, x.commit())
	}
	if len(x.values) != 100 || len(x.digests) != 100*16 {
		t.Errorf("%d values and %d bytes of digests for 100 files", len(x.values), len(x.digests))
	}
	if known := x.latest("DCIM/00000SKUA/SKUA000007.JPG"); len(known) != 1 || known[0].Generation != 49 {
		t.Errorf("latest() = %+v", known)
	}
}

// A manifest that gives one file values without end, or moves them to and fro,
// is stopped before each of them is compared with all the others.
func TestIndex_bounded(t *testing.T) {
	t.Parallel()
	for name, paths := range map[string][2]string{"one file": {"a", "a"}, "moved to and fro": {"a", "b"}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			x := newIndex()
			x.begin()
			for i := range 100_000 {
				f := still(i)
				f.Path, f.PreviousPath = paths[i%2], paths[(i+1)%2]
				must(t, x.stage(1, f))
			}
			if err := x.commit(); !errors.Is(err, errIndex) {
				t.Errorf("commit() = %v, want errIndex", err)
			}
			if n := len(x.latest("a")) + len(x.latest("b")); n == 0 || n > 2*maxValues+2 {
				t.Errorf("%d values are kept", n)
			}
		})
	}
}

// Without remembering paths it can't be told how many there are; with them,
// too many are damage.
func TestLoader_tooManyPaths(t *testing.T) {
	t.Parallel()
	root, _, _ := twoGenerations(t)
	l := &loader{ctx: t.Context(), step: func() {}, root: root, what: keepNothing, records: 100, bytes: 1 << 20, known: maxRecords - 8}
	if _, err := l.history("."); err != errUncounted {
		t.Errorf("history() = %v, want errUncounted", err)
	}
	for known, want := range map[int]int{maxRecords - 8: 0, maxRecords - 7: 1} { // four files and four folders
		l := &loader{ctx: t.Context(), step: func() {}, root: root, what: keepIndex, records: 100, bytes: 1 << 20, known: known}
		if _, err := l.history("."); err != nil || len(l.damage) != want {
			t.Errorf("history() with %d known = %v, %v", known, l.damage, err)
		}
	}
}

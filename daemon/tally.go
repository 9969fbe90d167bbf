package daemon

import (
	"slices"
	"strings"

	"bothy/daemon/offload"
)

// tally knows where each file of a card stands proven. Files that stand in the
// same copies share one entry, so a file costs a few bytes however many drives
// there are. A file goes by its index in the plan.
type tally struct {
	files  []offload.Entry // of the plan
	byPath []int32         // indexes of files in the order of their paths; nil until somebody looks
	set    []int32         // by file: which of sets
	sets   [][]stand       // the first is empty
	steps  map[step]int32  // where a step leads
}

// stand is one finished copy in which a file stands proven.
type stand struct {
	offload.Place
	offloadID string
}

// step takes a file from one set to another: a stand is added, or all those on
// a drive are taken away when offloadID is empty.
type step struct {
	from               int32
	driveID, offloadID string
}

func newTally(plan *offload.Plan) *tally {
	return &tally{files: plan.Files, set: make([]int32, len(plan.Files)), sets: [][]stand{nil}, steps: map[step]int32{}}
}

// find gives a file's index.
func (t *tally) find(name string) (i int, ok bool) {
	if t.byPath == nil {
		t.byPath = make([]int32, len(t.files))
		for i := range t.byPath {
			t.byPath[i] = int32(i) // offload.MaxEntries bounds it
		}
		slices.SortFunc(t.byPath, func(a, b int32) int { return strings.Compare(t.files[a].Path, t.files[b].Path) })
	}
	at, ok := slices.BinarySearchFunc(t.byPath, name, func(i int32, name string) int { return strings.Compare(t.files[i].Path, name) })
	if !ok {
		return 0, false
	}
	return int(t.byPath[at]), true
}

// each calls do with the index of every file of a part of the plan.
func (t *tally) each(part *offload.Plan, do func(i int)) {
	i := 0
	for _, e := range part.Files { // in the order of the whole
		for t.files[i].Path != e.Path {
			i++
		}
		do(i)
	}
}

func (t *tally) add(i int, s stand) {
	key := step{t.set[i], s.DriveID, s.offloadID}
	to, ok := t.steps[key]
	if !ok {
		to = key.from
		if !slices.ContainsFunc(t.sets[to], func(o stand) bool { return o.DriveID == s.DriveID && o.offloadID == s.offloadID }) {
			to = t.keep(append(slices.Clip(t.sets[to]), s))
		}
		t.steps[key] = to
	}
	t.set[i] = to
}

// lose takes away what a drive held of a file.
func (t *tally) lose(i int, driveID string) {
	key := step{from: t.set[i], driveID: driveID}
	to, ok := t.steps[key]
	if !ok {
		to = t.keep(slices.DeleteFunc(slices.Clone(t.sets[key.from]), func(s stand) bool { return s.DriveID == driveID }))
		t.steps[key] = to
	}
	t.set[i] = to
}

func (t *tally) keep(set []stand) int32 {
	t.sets = append(t.sets, set)
	return int32(len(t.sets) - 1)
}

// stands are the finished copies that hold a file, in the order in which they
// became known.
func (t *tally) stands(i int) []stand { return t.sets[t.set[i]] }

func (t *tally) standsOn(i int, driveID string) bool {
	return slices.ContainsFunc(t.stands(i), func(s stand) bool { return s.DriveID == driveID })
}

// bySet computes something of every set once, and gives it by file.
func bySet[T any](t *tally, compute func([]stand) T) func(i int) T {
	values := make([]T, len(t.sets))
	for n, set := range t.sets {
		values[n] = compute(set)
	}
	return func(i int) T { return values[t.set[i]] }
}

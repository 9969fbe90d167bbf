// Package mutants tries a check with many damaged inputs, blindly and fast.
//
// A mutant is a seed that some changes were made to. Which seed and which changes
// comes from the mutant's number alone, so that a number names the same input
// wherever the seeds are the same, and one number repeats one failure. (Mutants of
// the program itself are made by testdata/mutate.)
//
// It is the complement of "go test -fuzz", which looks at what each input reaches
// and keeps what reaches something new: that finds the way into a parser, and costs
// a hundred times what the parser does. Here nothing is looked at and nothing kept.
//
// It guarantees that a failure or a panic is told with the lowest number that has
// it, the input, and the command that repeats it; and that the number of a mutant
// which does not come to an end is told, too. It will not end that one: the time
// limit of the test does.
//
// It is for tests only.
package mutants

import (
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"
)

var (
	countFlag = flag.Int("mutants", 10_000, "how many mutants each target is tried with")
	firstFlag = flag.Uint64("mutants-first", 0, "the number of the first of them")
	onlyFlag  = flag.Int64("mutant", -1, "the number of the one mutant to try; negative: many")
	alsoFlag  = flag.String("mutants-also", "", "`DIR` with more seeds, as \"go test -fuzz\" leaves them in the fuzz folder of its cache; with them numbers name other mutants")
)

// Seed is one sound or odd input: a text for each argument of a target.
type Seed []string

// Check looks at one input, which it must not keep, and fails t when something is
// wrong. It reports whether the input was taken, in whatever sense the target has: a
// parser that refuses all it is given was hardly tried. Several run at once.
//
// What t.TempDir, t.Cleanup and the like cost is paid for each mutant, so a check
// does without.
type Check func(t testing.TB, input [][]byte) (taken bool)

// Try tries as many mutants as the flags say. target is the fuzz target whose
// committed inputs are seeds, too.
func Try(t *testing.T, target string, seeds []Seed, check Check) {
	t.Helper()
	t.Parallel()
	r := run{
		seeds: slices.Clone(seeds), check: check, t: t,
		first: *firstFlag, end: *firstFlag + uint64(*countFlag), workers: runtime.GOMAXPROCS(0),
		patience: time.Minute, out: os.Stderr, again: again(t),
	}
	folders := []string{filepath.Join("testdata", "fuzz", target)}
	if *alsoFlag != "" {
		folders = append(folders, filepath.Join(*alsoFlag, "bothy", here(t), target))
	}
	for _, folder := range folders {
		more, err := committed(folder)
		if err != nil {
			t.Fatal(err)
		}
		r.seeds = append(r.seeds, more...)
	}
	if *onlyFlag >= 0 {
		r.first, r.end = uint64(*onlyFlag), uint64(*onlyFlag)+1
	}
	found := r.do()
	if found != nil {
		t.Fatalf("mutant %d: %s\nthe input, as a file of testdata/fuzz/%s has it:\n%s\nagain: %s", found.number, found.what, target, found.input, r.command(found.number))
	}
	t.Logf("%d mutants of %d seeds (%s), %d of them taken", r.end-r.first, len(r.seeds), target, r.taken)
	if n := r.end - r.first; n >= enough && (r.taken == 0 || r.taken == n) {
		t.Errorf("of %d mutants %d were taken: this tries one side of the parser only", n, r.taken)
	}
}

// enough mutants for there to be some that are taken, and some that are not.
const enough = 5000

// again is the command that repeats one mutant, but for its number.
func again(t *testing.T) string {
	return fmt.Sprintf("go test ./%s -run '^%s$' -mutant ", here(t), t.Name())
}

// here is the folder of the package under test, from the top of the module. A test
// binary that was taken elsewhere, as into a guest, knows the folder's last name.
func here(t testing.TB) string {
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for top := dir; ; top = filepath.Dir(top) {
		if _, err := os.Stat(filepath.Join(top, "go.mod")); err == nil {
			return filepath.ToSlash(strings.TrimPrefix(dir[len(top):], string(filepath.Separator)))
		}
		if top == filepath.Dir(top) {
			return filepath.Base(dir)
		}
	}
}

// command repeats the mutant of that number.
func (r *run) command(number uint64) string {
	if *alsoFlag != "" {
		return fmt.Sprintf("%s%d -mutants-also %s", r.again, number, *alsoFlag)
	}
	return fmt.Sprintf("%s%d", r.again, number)
}

// nobody is what a worker that tries nothing works on.
const nobody = math.MaxUint64

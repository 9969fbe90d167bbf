// Command mutate says how much the tests would notice: it makes one small
// change after the other in the program, each a mutant, and runs the tests that
// reach the changed place.
//
//	go run ./testdata/mutate FILE...             every mutant of these files
//	go run ./testdata/mutate -n 50 FILE...       a sample; -seed gives another one
//	go run ./testdata/mutate -list FILE...       what there is
//	go run ./testdata/mutate -only 17,20 FILE... these again, with what the tests print
//
// It turns conditions round, swaps operators, leaves out calls, assignments,
// continue and break, gives nil for an error, returns at once, and makes numbers
// one larger. A mutant has the same number whenever the files are the same and
// are named in the same order. Constants are left alone.
//
// All mutants are compiled into the program together, asleep, and one after the
// other is woken by an environment variable: compiling takes longer than the
// tests. The sources are replaced while compiling (go test -overlay), so nothing
// in the repository is touched. What does not compile is left out, and not
// counted.
//
// First it asks of each test of a package which lines it reaches, alone; with
// -keep DIR the answer is kept for the next run on the same code. A mutant is
// given to the tests of its own package that reach it, and when it survives them
// to those of the package -also. Tests that take longer than -slowest are left
// out, and so are those that fail while all mutants sleep. A mutant is killed
// when a test fails or does not end in time.
//
// A test that is killed may leave loop devices or mounts behind, and one that
// fails what rapid notes of it in the package's testdata/rapid; this command does
// not clear them away.
//
// Exit code 0: it ran, whatever it found; 1: it could not; 2: bad usage.
package main

import (
	"flag"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	exitFailed = 1
	exitUsage  = 2
)

// config is what a run is asked for.
type config struct {
	files   []string
	sample  int // 0: all
	seed    uint64
	only    []int // no others, when there are any
	list    bool
	also    string
	keep    string        // where what tests reach is kept; empty: nowhere
	slowest time.Duration // for one test
	timeout time.Duration // beyond what the tests of a mutant take without one
}

func main() {
	var c config
	flag.IntVar(&c.sample, "n", 0, "how many mutants, chosen by -seed; 0: all")
	flag.Uint64Var(&c.seed, "seed", 1, "which sample -n takes")
	flag.Func("only", "the numbers of the mutants to try, with commas between", c.setOnly)
	flag.BoolVar(&c.list, "list", false, "only say what there is")
	flag.StringVar(&c.also, "also", "./daemon", "the package whose tests get what survives; empty: none")
	flag.StringVar(&c.keep, "keep", "", "a folder to keep in which lines each test reaches")
	flag.DurationVar(&c.slowest, "slowest", 30*time.Second, "tests that take longer alone are left out")
	flag.DurationVar(&c.timeout, "timeout", 30*time.Second, "how long tests may take with a mutant, beyond four times what they take without")
	flag.Parse()
	c.files = flag.Args()
	if len(c.files) == 0 {
		fmt.Fprintln(os.Stderr, "mutate: name the files to change (see the head of testdata/mutate/main.go)")
		os.Exit(exitUsage)
	}
	if _, err := run(c, os.Stdout); err != nil {
		fmt.Fprintf(os.Stderr, "mutate: %v\n", err)
		os.Exit(exitFailed)
	}
}

// count is how the mutants of one file ended.
type count struct{ killed, survived, notCompiled int }

func run(c config, out io.Writer) (counts map[string]*count, err error) {
	sources, err := sourcesOf(c.files)
	if err != nil {
		return nil, err
	}
	var all []*mutant
	for _, source := range sources {
		all = append(all, source.mutants...)
	}
	chosen, err := c.choose(all)
	if err != nil {
		return nil, err
	}
	if c.list {
		for _, m := range chosen {
			fmt.Fprintln(out, m)
		}
		return nil, nil
	}
	work, err := os.MkdirTemp("", "bothy-mutants-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(work)
	l := &lab{
		config: c, sources: sources, work: work, reach: map[string]*reach{}, binary: map[string]string{},
		without: map[*mutant]bool{}, failing: map[string][]string{},
	}
	if err := l.prepare(); err != nil {
		return nil, err
	}
	counts = map[string]*count{}
	var survivors []*mutant
	for _, m := range chosen {
		n := counts[m.file]
		if n == nil {
			n = &count{}
			counts[m.file] = n
		}
		began := time.Now()
		r, err := l.try(m)
		if err != nil {
			return nil, fmt.Errorf("try mutant %d: %w", m.number, err)
		}
		switch r.how {
		case killed:
			n.killed++
		case survived:
			n.survived++
			survivors = append(survivors, m)
		case notCompiled:
			n.notCompiled++
		}
		fmt.Fprintf(out, "%-12s %v  (%s; %.0f s)\n", r.how, m, r.by, time.Since(began).Seconds())
		if len(c.only) > 0 {
			fmt.Fprintln(out, r.said)
		}
	}
	report(out, counts, survivors)
	return counts, nil
}

func (c *config) setOnly(list string) error {
	for text := range strings.SplitSeq(list, ",") {
		n, err := strconv.Atoi(text)
		if err != nil {
			return err
		}
		c.only = append(c.only, n)
	}
	return nil
}

// choose takes the mutants that are asked for, in the order of their numbers.
func (c config) choose(all []*mutant) ([]*mutant, error) {
	if len(c.only) > 0 {
		var chosen []*mutant
		for _, n := range c.only {
			if n < 1 || n > len(all) {
				return nil, fmt.Errorf("there is no mutant %d: there are %d", n, len(all))
			}
			chosen = append(chosen, all[n-1])
		}
		return chosen, nil
	}
	if c.sample <= 0 || c.sample >= len(all) {
		return all, nil
	}
	order := rand.New(rand.NewPCG(c.seed, 0)).Perm(len(all))[:c.sample]
	slices.Sort(order)
	var chosen []*mutant
	for _, i := range order {
		chosen = append(chosen, all[i])
	}
	return chosen, nil
}

func report(out io.Writer, counts map[string]*count, survivors []*mutant) {
	if len(survivors) > 0 {
		fmt.Fprintln(out, "\nsurvivors:")
		for _, m := range survivors {
			fmt.Fprintln(out, m)
		}
	}
	var files []string
	width := len("together")
	for file := range counts {
		files = append(files, file)
		width = max(width, len(filepath.ToSlash(file)))
	}
	slices.Sort(files)
	fmt.Fprintf(out, "\n%-*s %8s %8s %8s %12s\n", width, "", "compiled", "killed", "survived", "not compiled")
	var sum count
	line := func(name string, n count) {
		fmt.Fprintf(out, "%-*s %8d %8d %8d %12d\n", width, name, n.killed+n.survived, n.killed, n.survived, n.notCompiled)
	}
	for _, file := range files {
		n := *counts[file]
		line(file, n)
		sum.killed += n.killed
		sum.survived += n.survived
		sum.notCompiled += n.notCompiled
	}
	line("together", sum)
	if compiled := sum.killed + sum.survived; compiled > 0 {
		fmt.Fprintf(out, "%.1f %% killed\n", 100*float64(sum.killed)/float64(compiled))
	}
}

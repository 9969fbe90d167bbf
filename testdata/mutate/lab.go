package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// lab tries mutants, one at a time. Nothing in it may be used by two.
type lab struct {
	config
	sources []*source
	work    string              // a folder of its own
	reach   map[string]*reach   // by package, as what follows
	binary  map[string]string   // test programs with all mutants
	without map[*mutant]bool    // that do not compile
	overlay string              // the list of what is replaced
	failing map[string][]string // tests that fail with all mutants asleep
}

// How a mutant ended.
const (
	killed      = "killed"
	survived    = "SURVIVED"
	notCompiled = "not compiled"
)

// result is how one mutant ended, by which test or after how many, and what the
// last tests printed.
type result struct{ how, by, said string }

// quick is how long the first, quickest tests of a mutant take together: most
// mutants end there.
const quick = 3 * time.Second

// patience is how many times as long as alone tests may take with a mutant
// beside others, on a machine that has become busy.
const patience = 4

// prepare compiles the packages of the mutants, until only those are left that
// compile.
func (l *lab) prepare() error {
	l.overlay = filepath.Join(l.work, "overlay.json")
	replace := map[string]string{}
	owns := map[string]bool{}
	for _, s := range l.sources {
		abs, err := filepath.Abs(s.name)
		if err != nil {
			return err
		}
		replace[abs] = filepath.Join(l.work, strings.ReplaceAll(filepath.ToSlash(s.name), "/", "_"))
		added := filepath.Join(l.work, "awake_"+s.pkg+".go")
		replace[filepath.Join(filepath.Dir(abs), "mutant_awake.go")] = added
		if err := os.WriteFile(added, fmt.Appendf(nil, awake, s.pkg), 0o644); err != nil {
			return err
		}
		owns[l.packageOf(s.name)] = true
	}
	list, err := json.Marshal(map[string]map[string]string{"Replace": replace})
	if err != nil {
		return err
	}
	if err := os.WriteFile(l.overlay, list, 0o644); err != nil {
		return err
	}
	for {
		for _, s := range l.sources {
			abs, _ := filepath.Abs(s.name)
			if err := os.WriteFile(replace[abs], []byte(s.text(l.without)), 0o644); err != nil {
				return err
			}
		}
		args := slices.Concat([]string{"build", "-p=1", "-gcflags=-e", "-overlay=" + l.overlay}, slices.Sorted(maps.Keys(owns)))
		text, err := exec.Command("go", args...).CombinedOutput()
		if err == nil {
			return nil
		}
		if !l.leaveOut(string(text)) {
			return fmt.Errorf("compile the mutants: %w\n%s", err, text)
		}
	}
}

var (
	compilerLine = regexp.MustCompile(`(?m)^(\S+\.go):(\d+):\d+: `)
	mutantInText = regexp.MustCompile(`mutant(?:Awake|Error|Int|Sum)\((\d+)`)
)

// leaveOut leaves out the mutants on the lines that the compiler complains of,
// innermost operators first: it reports whether there were any.
func (l *lab) leaveOut(said string) (any bool) {
	numbers := map[string]*mutant{}
	for _, s := range l.sources {
		for _, m := range s.mutants {
			numbers[strconv.Itoa(m.number)] = m
		}
	}
	for _, found := range compilerLine.FindAllStringSubmatch(said, -1) {
		data, err := os.ReadFile(found[1])
		if err != nil {
			continue
		}
		lines := strings.Split(string(data), "\n")
		n, _ := strconv.Atoi(found[2])
		if n < 1 || n > len(lines) {
			continue
		}
		var onLine, likely []*mutant
		for _, in := range mutantInText.FindAllStringSubmatch(lines[n-1], -1) {
			m := numbers[in[1]]
			onLine = append(onLine, m)
			if strings.HasPrefix(in[0], "mutantSum") || strings.HasPrefix(in[0], "mutantInt") {
				likely = append(likely, m)
			}
		}
		if len(likely) > 0 {
			onLine = likely // it is their types, as a rule
		}
		for _, m := range onLine {
			if !l.without[m] {
				l.without[m], any = true, true
			}
		}
	}
	return any
}

func (l *lab) packageOf(file string) string { return "./" + filepath.ToSlash(filepath.Dir(file)) }

// try gives a mutant to the tests that reach it.
func (l *lab) try(m *mutant) (result, error) {
	if l.without[m] {
		return result{how: notCompiled}, nil
	}
	packages := []string{l.packageOf(m.file)}
	if l.also != "" && filepath.Clean(l.also) != filepath.Clean(packages[0]) {
		packages = append(packages, l.also)
	}
	tried, said := 0, ""
	for _, pkg := range packages {
		if err := l.ready(pkg); err != nil {
			return result{}, err
		}
		tests := l.reach[pkg].testsOf(m)
		for _, group := range inGroups(tests) {
			tried += len(group)
			out, err := l.execute(pkg, l.binary[pkg], m.number, l.timeout+patience*sum(group), "-test.failfast", "-test.short", "-test.run="+exactly(group))
			said = out
			if err != nil {
				return result{how: killed, by: whatFailed(out, err), said: out}, nil
			}
		}
	}
	return result{how: survived, by: fmt.Sprintf("%d tests reach it", tried), said: said}, nil
}

// ready compiles a package's tests with all mutants, and leaves out the tests
// that fail while they are asleep.
func (l *lab) ready(pkg string) error {
	if l.binary[pkg] != "" {
		return nil
	}
	r, err := l.reachOf(pkg)
	if err != nil {
		return err
	}
	binary := filepath.Join(l.work, fmt.Sprintf("mutants%d.test", len(l.binary)))
	if out, err := l.compile(pkg, binary, "-overlay="+l.overlay, "-ldflags=-s -w"); err != nil {
		return fmt.Errorf("compile %s: %w\n%s", pkg, err, out)
	}
	out, err := l.execute(pkg, binary, 0, 10*time.Minute, "-test.short", "-test.run="+exactly(r.Tests))
	for line := range strings.SplitSeq(out, "\n") {
		if name, ok := failed(line); ok {
			l.failing[pkg] = append(l.failing[pkg], name)
		}
	}
	if err != nil && len(l.failing[pkg]) == 0 {
		return fmt.Errorf("tests of %s while all mutants sleep: %w\n%s", pkg, err, out)
	}
	r.Tests = slices.DeleteFunc(r.Tests, func(t reached) bool { return slices.Contains(l.failing[pkg], t.Name) })
	l.binary[pkg] = binary
	return nil
}

// inGroups puts the quickest tests first.
func inGroups(tests []reached) (groups [][]reached) {
	n := 0
	for n < len(tests) && sum(tests[:n]) < quick {
		n++
	}
	for _, group := range [][]reached{tests[:n], tests[n:]} {
		if len(group) > 0 {
			groups = append(groups, group)
		}
	}
	return groups
}

func sum(tests []reached) (took time.Duration) {
	for _, t := range tests {
		took += t.Took
	}
	return took
}

func exactly(tests []reached) string {
	var names []string
	for _, t := range tests {
		names = append(names, regexp.QuoteMeta(t.Name))
	}
	return "^(" + strings.Join(names, "|") + ")$"
}

// compile makes the test program of a package.
func (l *lab) compile(pkg, binary string, flags ...string) (out string, err error) {
	args := append([]string{"test", "-c", "-p=1", "-o", binary}, flags...)
	text, err := exec.Command("go", append(args, pkg)...).CombinedOutput()
	return string(text), err
}

// execute runs a test program in its package's folder, and ends all that it
// started when it takes too long.
func (l *lab) execute(pkg, binary string, number int, limit time.Duration, args ...string) (out string, err error) {
	const grace = 10 * time.Second // for the program to say where it stood
	ctx, cancel := context.WithTimeout(context.Background(), limit+grace)
	defer cancel()
	cmd := exec.CommandContext(ctx, binary, append(args, "-test.timeout="+limit.String())...)
	cmd.Dir = pkg
	cmd.Env = append(os.Environ(), mutantVariable+"="+strconv.Itoa(number))
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = grace
	text, err := cmd.CombinedOutput()
	return string(text), err
}

// failed gives the name of the test that a line says has failed.
func failed(line string) (name string, ok bool) {
	if name, ok = strings.CutPrefix(line, "--- FAIL: "); ok {
		name, _, _ = strings.Cut(name, " ")
	}
	return name, ok
}

// whatFailed names the test that noticed a mutant.
func whatFailed(out string, err error) string {
	for line := range strings.SplitSeq(out, "\n") {
		if name, ok := failed(line); ok {
			return name
		}
		if strings.HasPrefix(line, "panic: ") || strings.HasPrefix(line, "fatal error: ") {
			return line
		}
	}
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
		return exit.String()
	}
	return err.Error()
}

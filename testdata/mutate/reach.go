package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// reach is what the tests of one package run through.
type reach struct {
	Tests []reached
	// Slow are tests that took too long to be used.
	Slow []string
}

// reached is one test, alone: how long it took, and the blocks it ran through by
// file (its import path and name), each as first line and column, last line and
// column.
type reached struct {
	Name   string
	Took   time.Duration
	Blocks map[string][][4]int
}

// reachOf runs each test of a package alone, once in a run.
func (l *lab) reachOf(pkg string) (*reach, error) {
	if r := l.reach[pkg]; r != nil {
		return r, nil
	}
	kept := ""
	if l.keep != "" {
		kept = filepath.Join(l.keep, strings.Trim(strings.ReplaceAll(pkg, "/", "_"), "._")+".json")
		if data, err := os.ReadFile(kept); err == nil {
			r := &reach{}
			if err := json.Unmarshal(data, r); err != nil {
				return nil, fmt.Errorf("read %s: %w", kept, err)
			}
			l.reach[pkg] = r
			return r, nil
		}
	}
	r, err := l.measure(pkg)
	if err != nil {
		return nil, fmt.Errorf("see what the tests of %s reach: %w", pkg, err)
	}
	l.reach[pkg] = r
	if kept == "" {
		return r, nil
	}
	data, err := json.Marshal(r)
	if err != nil {
		return nil, err
	}
	return r, os.WriteFile(kept, data, 0o644)
}

func (l *lab) measure(pkg string) (*reach, error) {
	binary := filepath.Join(l.work, "reach.test")
	if out, err := l.compile(pkg, binary, "-cover", "-coverpkg=./..."); err != nil {
		return nil, fmt.Errorf("%w\n%s", err, out)
	}
	names, err := l.execute(pkg, binary, 0, time.Minute, "-test.list=.")
	if err != nil {
		return nil, fmt.Errorf("list tests: %w\n%s", err, names)
	}
	r := &reach{}
	profile := filepath.Join(l.work, "profile")
	for name := range strings.FieldsSeq(names) {
		if !strings.HasPrefix(name, "Test") && !strings.HasPrefix(name, "Fuzz") {
			continue
		}
		began := time.Now()
		out, err := l.execute(pkg, binary, 0, l.slowest, "-test.run=^"+name+"$", "-test.coverprofile="+profile)
		took := time.Since(began)
		if err != nil && took < l.slowest {
			return nil, fmt.Errorf("%s does not pass without a mutant: %w\n%s", name, err, out)
		}
		if err != nil {
			r.Slow = append(r.Slow, name)
			continue
		}
		blocks, err := readProfile(profile)
		if err != nil {
			return nil, err
		}
		r.Tests = append(r.Tests, reached{name, took, blocks})
	}
	slices.SortStableFunc(r.Tests, func(a, b reached) int { return int(a.Took - b.Took) })
	return r, nil
}

// readProfile gives the blocks of a coverage profile that were run through.
func readProfile(name string) (map[string][][4]int, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	blocks := map[string][][4]int{}
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		file, rest, ok := strings.Cut(lines.Text(), ".go:")
		if !ok {
			continue // its head
		}
		var b [4]int
		var statements, times int
		if _, err := fmt.Sscanf(rest, "%d.%d,%d.%d %d %d", &b[0], &b[1], &b[2], &b[3], &statements, &times); err != nil {
			return nil, fmt.Errorf("read %q of the profile: %w", lines.Text(), err)
		}
		if times > 0 {
			blocks[file+".go"] = append(blocks[file+".go"], b)
		}
	}
	return blocks, lines.Err()
}

// testsOf are the tests that reach a mutant, the quickest first; all that run
// through its file when it stands in no function.
func (r *reach) testsOf(m *mutant) (tests []reached) {
	for _, within := range []func([4]int) bool{m.within, func([4]int) bool { return m.outside }} {
		for _, t := range r.Tests {
			for file, blocks := range t.Blocks {
				if strings.HasSuffix(file, "/"+filepath.ToSlash(m.file)) && slices.ContainsFunc(blocks, within) {
					tests = append(tests, t)
				}
			}
		}
		if len(tests) > 0 {
			break
		}
	}
	return tests
}

func (m *mutant) within(b [4]int) bool {
	line, col := m.reachedAt.Line, m.reachedAt.Column
	after := line > b[0] || line == b[0] && col >= b[1]
	before := line < b[2] || line == b[2] && col <= b[3]
	return after && before
}

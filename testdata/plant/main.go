// Command plant shows that the tests can find what they are there for: it puts
// one deliberate defect after the other into a copy of the program, and says
// which test notices. A defect that no test notices makes it fail.
//
//	go run ./testdata/plant             all of them
//	go run ./testdata/plant NAME...     some
//	go run ./testdata/plant -list       what there is
//
// A test counts only when it passes without the defect, and when it is the test
// that fails, not the build. The repository itself is not touched.
//
// Exit code 0: each was noticed; 1: one was not; 2: bad usage.
package main

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"
)

const (
	exitUnnoticed = 1
	exitUsage     = 2
)

func main() {
	list := flag.Bool("list", false, "only say what there is")
	keep := flag.Bool("v", false, "show what the failing tests print")
	flag.Parse()
	chosen, err := choose(bugs, flag.Args())
	if err != nil {
		fmt.Fprintf(os.Stderr, "plant: %v\n", err)
		os.Exit(exitUsage)
	}
	if *list {
		for _, b := range chosen {
			fmt.Printf("%-34s %s\n", b.name, b.what)
		}
		return
	}
	unnoticed, err := plantAll(chosen, *keep)
	if err != nil {
		fmt.Fprintf(os.Stderr, "plant: %v\n", err)
		os.Exit(exitUnnoticed)
	}
	fmt.Printf("\n%d of %d noticed\n", len(chosen)-unnoticed, len(chosen))
	if unnoticed > 0 {
		os.Exit(exitUnnoticed)
	}
}

func choose(all []bug, names []string) (chosen []bug, err error) {
	if len(names) == 0 {
		return all, nil
	}
	for _, name := range names {
		found := false
		for _, b := range all {
			if b.name == name {
				chosen, found = append(chosen, b), true
			}
		}
		if !found {
			return nil, fmt.Errorf("there is no defect %q (see -list)", name)
		}
	}
	return chosen, nil
}

func plantAll(chosen []bug, verbose bool) (unnoticed int, err error) {
	top, err := output("", "git", "rev-parse", "--show-toplevel")
	if err != nil {
		return 0, err
	}
	dir, err := os.MkdirTemp("", "bothy-planted-*")
	if err != nil {
		return 0, err
	}
	defer os.RemoveAll(dir)
	if err := copyTracked(strings.TrimSpace(top), dir); err != nil {
		return 0, err
	}
	sound := map[string]string{} // what a test printed without any defect, when it failed
	for _, b := range chosen {
		began := time.Now()
		noticed, said := b.plant(dir, sound)
		took := time.Since(began).Seconds()
		if noticed == "" {
			unnoticed++
			fmt.Printf("%-34s NOT NOTICED (%.0f s): %s\n", b.name, took, said)
			continue
		}
		fmt.Printf("%-34s %s (%.0f s)\n", b.name, noticed, took)
		if verbose {
			fmt.Println(said)
		}
	}
	return unnoticed, nil
}

// copyTracked copies what git knows of, as it stands in the working tree.
func copyTracked(top, dir string) error {
	names, err := output(top, "git", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
	if err != nil {
		return err
	}
	for name := range strings.SplitSeq(strings.TrimSuffix(names, "\x00"), "\x00") {
		data, err := os.ReadFile(filepath.Join(top, name))
		if os.IsNotExist(err) {
			continue // deleted, and not yet committed so
		}
		if err != nil {
			return err
		}
		to := filepath.Join(dir, name)
		info, err := os.Stat(filepath.Join(top, name))
		if err != nil {
			return err
		}
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		if err := os.WriteFile(to, data, info.Mode().Perm()); err != nil {
			return err
		}
	}
	return nil
}

// plant puts one defect into the copy, runs the tests that must notice, and
// takes it out again. It gives the names of the tests that failed.
func (b bug) plant(dir string, sound map[string]string) (noticed, said string) {
	key := b.pkg + " " + b.run
	if _, ok := sound[key]; !ok {
		failed, out := b.test(dir)
		if len(failed) > 0 || !strings.Contains(out, "\nok ") && !strings.HasPrefix(out, "ok ") {
			sound[key] = "its test does not pass without it either:\n" + out
		} else {
			sound[key] = ""
		}
	}
	if sound[key] != "" {
		return "", sound[key]
	}
	for _, e := range b.edits {
		path := filepath.Join(dir, e.file)
		whole, err := os.ReadFile(path)
		if err != nil {
			return "", err.Error()
		}
		changed, err := e.apply(string(whole))
		if err != nil {
			return "", err.Error()
		}
		if err := os.WriteFile(path, []byte(changed), 0o644); err != nil {
			return "", err.Error()
		}
		defer os.WriteFile(path, whole, 0o644)
	}
	failed, out := b.test(dir)
	if len(failed) == 0 {
		return "", "no test failed:\n" + out
	}
	return strings.Join(failed, ", "), out
}

// test runs the defect's tests and gives those that failed.
func (b bug) test(dir string) (failed []string, out string) {
	cmd := exec.Command("go", "test", "-count=1", "-timeout=5m", "-run", b.run, b.pkg)
	cmd.Dir = dir
	text, _ := cmd.CombinedOutput() // its words say more than its exit code
	for line := range strings.SplitSeq(string(text), "\n") {
		if name, ok := strings.CutPrefix(line, "--- FAIL: "); ok {
			name, _, _ = strings.Cut(name, " ")
			failed = append(failed, name)
		}
		// A test that waits for ever is ended by its time limit, or by the bubble
		// that it runs in, and has noticed, too.
		if strings.HasPrefix(line, "panic: ") && len(failed) == 0 {
			failed = append(failed, strings.TrimPrefix(line, "panic: "))
		}
	}
	return failed, string(text)
}

func output(dir, name string, args ...string) (string, error) {
	cmd := exec.Command(name, args...)
	cmd.Dir = dir
	text, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%s: %w", name, err)
	}
	return string(text), nil
}

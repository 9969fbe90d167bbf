package told

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
)

// tests builds the test programs of packages, each once, and asks them what they have.
type tests struct {
	t   *testing.T
	dir string
	mu  sync.Mutex
	ask map[string]func() (string, error)
}

func newTests(t *testing.T) *tests {
	return &tests{t: t, dir: t.TempDir(), ask: map[string]func() (string, error){}}
}

// program returns the test program of a package, which may be written ./PATH.
func (b *tests) program(pkg string) (string, error) {
	b.mu.Lock()
	if b.ask[pkg] == nil {
		file := filepath.Join(b.dir, strings.ReplaceAll(strings.TrimPrefix(pkg, "./"), "/", "-"))
		b.ask[pkg] = sync.OnceValues(func() (string, error) {
			cmd := exec.CommandContext(b.t.Context(), "go", "test", "-c", "-vet=off", "-ldflags=-s -w", "-trimpath", "-buildvcs=false", "-o", file, pkg)
			cmd.Dir, cmd.Env = root, append(os.Environ(), "CGO_ENABLED=0")
			if out, err := cmd.CombinedOutput(); err != nil {
				return "", fmt.Errorf("go test -c %s: %w\n%s", pkg, err, out)
			}
			return file, nil
		})
	}
	ask := b.ask[pkg]
	b.mu.Unlock()
	return ask()
}

// ofGo are flags of 'go test' that its test programs know by another name, and whether
// they take a value.
var ofGo = map[string]bool{"v": false, "run": true, "bench": true, "fuzz": true, "fuzztime": true, "timeout": true}

// lookUp takes a 'go test' command and runs none of its tests: the packages are built,
// their programs read the flags, and each must have a test that is named.
func (b *tests) lookUp(words []string) error {
	var packages, flags []string
	wanted := "."
	for i := 0; i < len(words); i++ {
		name, isFlag := strings.CutPrefix(words[i], "-")
		takes, known := ofGo[name]
		switch {
		case !isFlag && strings.HasPrefix(words[i], "./"):
			packages = append(packages, words[i])
		case !isFlag || !known || name == "timeout":
			flags = append(flags, words[i])
			if known {
				flags[len(flags)-1] = "-test.timeout"
			}
		case takes && i+1 == len(words):
			return fmt.Errorf("-%s without its value", name)
		case takes:
			i++
			if name != "fuzztime" && words[i] != "XXX" {
				wanted = words[i]
			}
		}
	}
	if len(packages) == 0 {
		return fmt.Errorf("no package is named in %q", words)
	}
	for _, pkg := range packages {
		program, err := b.program(pkg)
		if err != nil {
			return err
		}
		ctx, cancel := context.WithTimeout(b.t.Context(), patience)
		cmd := exec.CommandContext(ctx, program, append([]string{"-test.list=" + wanted}, flags...)...)
		cmd.Dir = filepath.Join(root, pkg)
		out, err := cmd.CombinedOutput()
		cancel()
		if err != nil {
			return fmt.Errorf("%s: %w\n%.600s", pkg, err, out)
		}
		if !regexp.MustCompile(`(?m)^(Test|Fuzz|Benchmark)`).Match(out) {
			return fmt.Errorf("%s has no test that %q names", pkg, wanted)
		}
	}
	return nil
}

// words splits a command as the shell would, for commands as plain as those of the
// documents: quotes, and nothing that is replaced.
func words(command string) []string {
	var all []string
	for _, m := range regexp.MustCompile(`(?:'[^']*'|"[^"]*"|[^\s'"]+)+`).FindAllString(command, -1) {
		all = append(all, strings.NewReplacer("'", "", `"`, "").Replace(m))
	}
	return all
}

// declared are the flags that any program of this repository takes by package flag, and
// the names of all tests.
func declared(t *testing.T) (flags, names []string) {
	t.Helper()
	flag := regexp.MustCompile(`\.\w+\((?:&\w+(?:\.\w+)?, )?"([\w-]+)", `)
	test := regexp.MustCompile(`(?m)^func ((?:Test|Fuzz|Benchmark)\w+)\(`)
	walk(t, func(name string, data []byte) {
		if !strings.HasSuffix(name, ".go") {
			return
		}
		for _, m := range flag.FindAllSubmatch(data, -1) {
			flags = append(flags, string(m[1]))
		}
		if strings.HasSuffix(name, "_test.go") {
			for _, m := range test.FindAllSubmatch(data, -1) {
				names = append(names, string(m[1]))
			}
		}
	})
	return flags, names
}

// walk gives every file of the repository.
func walk(t *testing.T, each func(name string, data []byte)) {
	t.Helper()
	must(t, filepath.WalkDir(root, func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() && d.Name() == ".git" {
			return filepath.SkipDir
		}
		if !d.Type().IsRegular() || d.Name() == ".git" {
			return nil
		}
		data, err := os.ReadFile(path)
		each(strings.TrimPrefix(path, root+"/"), data)
		return err
	}))
}

// Flags that stand alone in a sentence are some program's, and tests that they name are
// there.
func TestDocs_flagsAlone(t *testing.T) {
	t.Parallel()
	flags, names := declared(t)
	for flag := range ofGo {
		flags = append(flags, flag)
	}
	flags = append(flags, "help", "version") // every command of ours has these
	others := []string{"-f", "-", "--web.config.file"}
	n := 0
	for _, p := range pages(t) {
		for _, s := range p.spans {
			given := words(s.text)
			if !strings.HasPrefix(s.text, "-") || len(given) == 0 || slices.Contains(others, given[0]) {
				continue
			}
			for i, word := range given {
				if name := strings.TrimLeft(word, "-"); name != word && !slices.Contains(flags, name) {
					t.Errorf("%s: nothing takes %s", s, word)
				}
				if i > 0 && given[i-1] == "-run" && !slices.ContainsFunc(names, regexp.MustCompile(word).MatchString) {
					t.Errorf("%s: no test is named so", s)
				}
			}
			n++
		}
	}
	if n < 10 {
		t.Errorf("only %d such spans were found", n)
	}
	t.Logf("%d spans of flags, held against the flags that the sources declare", n)
}

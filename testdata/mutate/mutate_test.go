package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// small is a program with a test that notices some changes and not others.
var small = map[string]string{
	"go.mod": "module small\n\ngo 1.26\n",
	"a/a.go": `package a

import "errors"

// Positive has a test for both sides, but not for the edge.
func Positive(n int) bool {
	return n > 0
}

// Check gives an error that a test asks for.
func Check(ok bool) error {
	if !ok {
		return errors.New("not ok")
	}
	return nil
}

// Words cannot be taken apart, so its mutant does not compile.
func Words(s string) string { return s + "s" }

// Never is reached by nothing here.
func Never() { calls++ }

var calls int
`,
	"a/a_test.go": `package a

import "testing"

func TestPositive(t *testing.T) {
	if !Positive(5) || Positive(-5) {
		t.Error("wrong")
	}
}

func TestCheck(t *testing.T) {
	if Check(false) == nil || Check(true) != nil {
		t.Error("wrong")
	}
}

func TestWords(t *testing.T) {
	if Words("card") != "cards" {
		t.Error("wrong")
	}
}
`,
	"b/b_test.go": `package b

import (
	"testing"

	"small/a"
)

func TestNever(t *testing.T) { a.Never() }
`,
}

func writeSmall(t *testing.T) (read func() map[string]string) {
	t.Helper()
	dir := t.TempDir()
	for name, text := range small {
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	t.Chdir(dir)
	t.Setenv("GOFLAGS", "-mod=mod") // whatever those of the run are
	return func() map[string]string {
		found := map[string]string{}
		err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			data, err := os.ReadFile(path)
			name, _ := filepath.Rel(dir, path)
			found[filepath.ToSlash(name)] = string(data)
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return found
	}
}

// Of a program whose mutants are known each ends as it must, and the program is
// not touched.
func TestRun_smallModule(t *testing.T) {
	read := writeSmall(t)
	keep := t.TempDir()
	var out strings.Builder
	c := config{files: []string{"a/a.go"}, also: "./b", slowest: time.Minute, timeout: time.Minute, keep: keep}
	counts, err := run(c, &out)
	if err != nil {
		t.Fatalf("%v\n%s", err, &out)
	}
	for what, how := range map[string]string{
		">= for > in n > 0":            survived, // nobody asks for the edge
		"one more than 0":              survived, // likewise
		"if not (!ok)":                 killed,
		`nil for errors.New("not ok")`: killed,
		"return nil at once":           killed,
		`- for + in s + "s"`:           notCompiled,
		"without calls++":              survived, // reached from b only, which does not look
	} {
		if !strings.Contains(out.String(), "\n"+how) && !strings.HasPrefix(out.String(), how) {
			t.Errorf("nothing %s", how)
		}
		found := false
		for line := range strings.SplitSeq(out.String(), "\n") {
			found = found || strings.HasPrefix(line, how) && strings.Contains(line, ": "+what+"  (")
		}
		if !found {
			t.Errorf("%s: not %s in\n%s", what, how, &out)
		}
	}
	if !strings.Contains(out.String(), "without calls++  (1 tests reach it") {
		t.Errorf("what survives its own tests is not given to those of b:\n%s", &out)
	}
	n := counts["a/a.go"]
	if n == nil || n.killed != 3 || n.survived != 4 || n.notCompiled != 1 {
		t.Errorf("%+v in\n%s", n, &out)
	}
	if !strings.Contains(out.String(), "42.9 % killed") {
		t.Errorf("3 of 7 is 42.9 %%:\n%s", &out)
	}
	for name, text := range read() {
		if text != small[name] {
			t.Errorf("%s was changed:\n%s", name, text)
		}
	}
	for _, name := range []string{"a.json", "b.json"} {
		if _, err := os.Stat(filepath.Join(keep, name)); err != nil {
			t.Errorf("what tests reach was not kept: %v", err)
		}
	}

	// One of them again, by its number.
	c.only = []int{numberOf(t, out.String(), "if not (!ok)")}
	out.Reset()
	if counts, err = run(c, &out); err != nil || counts["a/a.go"].killed != 1 || len(counts) != 1 {
		t.Errorf("alone: %v\n%s", err, &out)
	}
	if !strings.Contains(out.String(), "--- FAIL: TestCheck") {
		t.Errorf("it does not show what the test printed:\n%s", &out)
	}
}

func numberOf(t *testing.T, out, what string) (number int) {
	t.Helper()
	for line := range strings.SplitSeq(out, "\n") {
		if strings.Contains(line, what) {
			_, rest, _ := strings.Cut(line, " ")
			if _, err := fmt.Sscan(rest, &number); err != nil {
				t.Fatalf("%q: %v", line, err)
			}
			return number
		}
	}
	t.Fatalf("%q is not in\n%s", what, out)
	return 0
}

// A test that fails without any mutant shows nothing.
func TestRun_testsThatFailAnyway(t *testing.T) {
	writeSmall(t)
	broken := "package a\n\nimport \"testing\"\n\nfunc TestBroken(t *testing.T) { t.Error(\"always\") }\n"
	if err := os.WriteFile("a/broken_test.go", []byte(broken), 0o644); err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	_, err := run(config{files: []string{"a/a.go"}, slowest: time.Minute, timeout: time.Minute}, &out)
	if err == nil || !strings.Contains(err.Error(), "TestBroken does not pass without a mutant") {
		t.Errorf("%v\n%s", err, &out)
	}
}

func TestChoose(t *testing.T) {
	t.Parallel()
	var all []*mutant
	for n := range 100 {
		all = append(all, &mutant{number: n + 1})
	}
	first, err := config{sample: 10, seed: 1}.choose(all)
	if err != nil || len(first) != 10 {
		t.Fatalf("%d, %v", len(first), err)
	}
	again, _ := config{sample: 10, seed: 1}.choose(all)
	other, _ := config{sample: 10, seed: 2}.choose(all)
	same := 0
	for i := range first {
		if first[i] != again[i] {
			t.Error("one seed gives two samples")
		}
		if first[i] == other[i] {
			same++
		}
		if i > 0 && first[i].number <= first[i-1].number {
			t.Error("not in order")
		}
	}
	if same == len(first) {
		t.Error("two seeds give one sample")
	}
	if _, err := (config{only: []int{101}}).choose(all); err == nil {
		t.Error("mutant 101 of 100")
	}
}

package policy

import (
	"errors"
	"flag"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

var update = flag.Bool("update", false, "write golden files")

// TestParse_wrongPolicies holds every message a wrong policy gives against the
// golden file beside it.
func TestParse_wrongPolicies(t *testing.T) {
	t.Parallel()
	files, err := filepath.Glob("testdata/wrong/*.toml")
	if err != nil || len(files) < 40 {
		t.Fatalf("found %d wrong policies, %v; want 40 at least", len(files), err)
	}
	for _, file := range files {
		name := strings.TrimSuffix(filepath.Base(file), ".toml")
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			p, err := Parse("policy.toml", data)
			if err == nil || p != nil && !errors.Is(err, ErrNoRules) {
				t.Fatalf("got %v, %v; want an error, and no policy beside one that is wrong", p, err)
			}
			checkErrors(t, data, err)
			golden := strings.TrimSuffix(file, ".toml") + ".golden"
			got := err.Error() + "\n"
			if *update {
				if err := os.WriteFile(golden, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
				return
			}
			want, err := os.ReadFile(golden)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("message differs (-want +got):\n%s", diff)
			}
		})
	}
}

// checkErrors holds what is promised of every error of Parse: its type, its
// order, positions that exist in the file, one line each, nothing unprintable.
func checkErrors(t testing.TB, data []byte, err error) {
	t.Helper()
	list, ok := errors.AsType[Errors](err)
	if !ok || len(list) == 0 || len(list) > maxErrors {
		t.Fatalf("got %T with %d errors, want Errors with 1 to %d", err, len(list), maxErrors)
	}
	if first, ok := errors.AsType[*Error](err); !ok || first != list[0] {
		t.Errorf("errors.As finds %v, want the first error", first)
	}
	lines := strings.Split(string(data), "\n")
	for i, e := range list {
		if e.Line < 1 || e.Line > len(lines) || e.Col < 1 || e.Col > len(lines[e.Line-1])+1 {
			t.Errorf("error %d stands at %d:%d, which is not in the file: %v", i, e.Line, e.Col, e)
		}
		if i > 0 && (e.Line < list[i-1].Line || e.Line == list[i-1].Line && e.Col < list[i-1].Col) {
			t.Errorf("error %d comes before error %d", i, i-1)
		}
		if e.Message == "" || !printable(e.Error()) {
			t.Errorf("error %d is not one printable line: %q", i, e.Error())
		}
	}
}

// Only a file that is sound and has no rules at all is one yet to be written;
// half of the rules, or a mistake beside it, is a mistake.
func TestParse_noRules(t *testing.T) {
	t.Parallel()
	for text, want := range map[string]bool{
		"":                                   true,
		"# nothing yet\n[box]\ncopies = 2\n": true,
		"[[light]]\nshows = \"box\"\nled = \"blue:power\"": true,
		"[box]\ncopies = 99\n":                             false,
		"[[card]]\nname = \"stills\"\nlabel = \"SKUA_*\"":  false,
		"[[drive]]\nname = \"bay\"\nslot = \"bay-*\"":      false,
		"[box": false,
	} {
		if _, err := Parse("policy.toml", []byte(text)); err == nil || errors.Is(err, ErrNoRules) != want {
			t.Errorf("%q: got %v; ErrNoRules is to be %v", text, err, want)
		}
	}
}

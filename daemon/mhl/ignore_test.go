package mhl

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// gitTree is a folder that git can be asked about. A name that ends with a slash
// is a folder.
type gitTree struct {
	dir   string
	names []string
}

// newGitTree skips the test where git is missing, but not in the continuous
// check.
func newGitTree(t *testing.T, names []string) gitTree {
	t.Helper()
	if _, err := exec.LookPath("git"); err != nil {
		if os.Getenv("CI") == "true" {
			t.Fatal("git is not installed")
		}
		t.Skip("left out: git is not installed, so nothing independent checks the patterns")
	}
	g := gitTree{t.TempDir(), names}
	files := map[string]string{}
	for _, name := range names {
		files[name] = ""
	}
	folder(t, g.dir, files).Close()
	if _, err := g.run("", "init", "-q"); err != nil {
		t.Fatalf("git init: %v", err)
	}
	return g
}

func (g gitTree) run(stdin string, args ...string) (string, error) {
	cmd := exec.Command("git", append([]string{"-C", g.dir, "-c", "core.excludesFile=/dev/null"}, args...)...)
	cmd.Env = append(os.Environ(), "GIT_CONFIG_NOSYSTEM=1", "HOME="+g.dir)
	cmd.Stdin = strings.NewReader(stdin)
	out, err := cmd.Output()
	return string(out), err
}

// says asks git, the program whose syntax the standard adopts, which names it
// leaves out.
func (g gitTree) says(t tb, patterns []string) []string {
	t.Helper()
	must(t, os.WriteFile(filepath.Join(g.dir, ".git/info/exclude"), []byte(strings.Join(patterns, "\n")+"\n"), 0o644))
	var bare []string
	for _, name := range g.names {
		bare = append(bare, strings.TrimSuffix(name, "/"))
	}
	out, err := g.run(strings.Join(bare, "\x00")+"\x00", "check-ignore", "-z", "--stdin", "--no-index")
	var exit *exec.ExitError
	if err != nil && (!errors.As(err, &exit) || exit.ExitCode() != 1) { // 1: none is left out
		t.Fatalf("git check-ignore: %v", err)
	}
	answer := strings.Split(out, "\x00")
	var left []string
	for i, name := range g.names {
		if slices.Contains(answer, bare[i]) {
			left = append(left, name)
		}
	}
	return left
}

func weSay(t tb, patterns, names []string) []string {
	t.Helper()
	ignore, err := ParseIgnore(patterns)
	must(t, err)
	var left []string
	for _, name := range names {
		bare, isDir := strings.CutSuffix(name, "/")
		if ignore.Match(bare, isDir) {
			left = append(left, name)
		}
	}
	return left
}

var tree = []string{
	"a", "b/", "b/a", "b/c/", "b/c/a", "b/c/d.tmp", "d.tmp", "ab", "a.b", "abc/", "abc/x", "x y", "x ", "!n", "#h", "a]b", "a-b",
	"DCIM/", "DCIM/100SKUA_/", "DCIM/100SKUA_/SKUA0001.JPG", ".DS_Store", "b/.DS_Store", "ascmhl/", "ascmhl/0001.mhl", "c/ascmhl/", "7", "ä",
}

func TestIgnore_agreesWithGit(t *testing.T) {
	t.Parallel()
	git := newGitTree(t, tree)
	for _, patterns := range [][]string{
		DefaultIgnore(), {"a"}, {"/a"}, {"b/"}, {"b"}, {"b/a"}, {"/b/*"}, {"b/**"}, {"**/a"}, {"b/**/a"}, {"**"}, {"*"}, {"/*"},
		{"*.tmp"}, {"*.tmp", "!d.tmp"}, {"b/", "!b/a"}, {"b/*", "!b/a"}, {"!a", "a"}, {"a", "!a"}, {"?"}, {"??"}, {"[ab]"}, {"[!a]"},
		{"[^a]"}, {"[a-c]*"}, {"[[:digit:]]"}, {"[[:upper:]]*"}, {"[[:nonsense:]]"}, {"a[]]b"}, {"a[a\\-]b"}, {"a[-]b"}, {"[a-]"}, {"[a-!]"}, {"[!a-!]*"}, {"[a-b-c]"}, {"[[:digit:]-a]"},
		{"x\\ y"}, {"x\\ "}, {"x "}, {"x y  "}, {"\\!n"}, {"!n"}, {"\\#h"}, {"#h"}, {"a\\"}, {"["}, {"[a"}, {""}, {"/"}, {"!"}, {"//"},
		{"dcim"}, {"DCIM/*/*.JPG"}, {"DCIM/**/*.JPG"}, {"DCIM/*.JPG"}, {"*/a"}, {"b*/c"}, {"***"}, {"b/***"}, {"a**b"}, {"a*b*"}, {"ab*/"},
		{"*/", "!b/"}, {"**/c/**"}, {"b/c/"}, {"/b/c/a/"}, {"ä"}, {"a.b"}, {"a?b"}, {"b?a"}, {"b[/]a"}, {"b[!x]a"},
	} {
		if d := cmp.Diff(git.says(t, patterns), weSay(t, patterns, tree)); d != "" {
			t.Errorf("%q: git (-), we (+)\n%s", patterns, d)
		}
	}
}

// Patterns of all shapes against names of all shapes. A literal before "**" in
// one element (a**/b) isn't drawn: gitignore(5) calls that ordinary asterisks,
// which git's own shortcut for literal beginnings doesn't keep to.
func TestIgnore_agreesWithGitOnRandomPatterns(t *testing.T) {
	t.Parallel()
	names := []string{"a", "b", "aa", "ab", "ba/", "ba/a", "ba/b", "ba/aa/", "ba/aa/a", "ba/aa/b", "ba/aa/ab/", "ba/aa/ab/a",
		"bb/", "bb/b", "bb/ab", "*", "-", "aab"}
	git := newGitTree(t, names)
	element := rapid.StringMatching(`[ab*?]{1,3}|\*\*|[ab]?\[[ab^!-]{1,3}\][ab]?|\\[ab*]`)
	pattern := rapid.Custom(func(t *rapid.T) string {
		elements := rapid.SliceOfN(element, 1, 3).Draw(t, "elements")
		return rapid.SampledFrom([]string{"", "", "!", "/"}).Draw(t, "front") + strings.Join(elements, "/") +
			rapid.SampledFrom([]string{"", "", "/"}).Draw(t, "back")
	}).Filter(func(p string) bool {
		for _, element := range strings.Split(p, "/") {
			if strings.Contains(element, "**") && strings.Trim(element, "*") != "" {
				return false
			}
		}
		return true
	})
	rapid.Check(t, func(rt *rapid.T) {
		patterns := rapid.SliceOfN(pattern, 1, 4).Draw(rt, "patterns")
		if d := cmp.Diff(git.says(rt, patterns), weSay(rt, patterns, names)); d != "" {
			rt.Fatalf("%q: git (-), we (+)\n%s", patterns, d)
		}
	})
}

func TestParseIgnore_bounds(t *testing.T) {
	t.Parallel()
	for name, patterns := range map[string][]string{
		"many":    make([]string, maxPatterns+1),
		"long":    {strings.Repeat("a", maxPatternBytes+1)},
		"control": {"a\x02"},
		"UTF-8":   {"\xff"},
	} {
		if _, err := ParseIgnore(patterns); !errors.Is(err, ErrPatterns) {
			t.Errorf("%s: ParseIgnore() = %v, want ErrPatterns", name, err)
		}
	}
}

// A pattern that makes a matcher that tries one way after the other take
// forever; this one must end.
func TestIgnore_noExplosion(t *testing.T) {
	t.Parallel()
	ignore, err := ParseIgnore([]string{"**/" + strings.Repeat("*a", 500) + "b", strings.Repeat("**/a/", 200) + "b"})
	must(t, err)
	if ignore.Match(strings.Repeat("aaaaaaaaa/", 300)+strings.Repeat("a", 200), false) {
		t.Error("matched")
	}
}

func FuzzIgnore(f *testing.F) {
	for _, pattern := range []string{"*.tmp", "!b/**/[a-z]", "a\\ ", "[[:digit:]]x", "**/ascmhl/", "[", "\\"} {
		f.Add(pattern, "b/c/a.tmp", false)
	}
	f.Fuzz(func(t *testing.T, pattern, path string, isDir bool) {
		ignore, err := ParseIgnore([]string{pattern})
		if err == nil {
			ignore.Match(path, isDir)
		}
	})
}

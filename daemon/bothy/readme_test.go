package main

import (
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"testing"

	"bothy/policy"
)

// What the README promises must be there: the commands of its table are the
// commands, the files it installs exist, the page is where it says.
func TestReadme_is_true(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	text := string(data)
	var listed, real []string
	for _, m := range regexp.MustCompile("(?m)^\\| `bothy ([a-z-]+)").FindAllStringSubmatch(text, -1) {
		listed = append(listed, m[1])
	}
	for _, c := range manCommands(newRoot(console{out: io.Discard, err: io.Discard})) {
		real = append(real, c.Name())
	}
	slices.Sort(listed)
	slices.Sort(real)
	if !slices.Equal(listed, real) {
		t.Errorf("README lists the commands\n%q, there are\n%q", listed, real)
	}
	files := regexp.MustCompile(`deploy/[a-z0-9./-]+[a-z0-9]`).FindAllString(text, -1)
	if len(files) == 0 {
		t.Error("README installs nothing")
	}
	for _, f := range files {
		if _, err := os.Stat(filepath.Join("../..", f)); err != nil {
			t.Errorf("README speaks of %s: %v", f, err)
		}
	}
	if !regexp.MustCompile(regexp.QuoteMeta("http://" + policy.DefaultListen + "/")).MatchString(text) {
		t.Errorf("README does not say that the page is at %s", policy.DefaultListen)
	}
}

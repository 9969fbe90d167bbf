package main

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// faultRows is how many rows the catalogue of faults has.
const faultRows = 40

// Each row of the table in DEVELOPERS.md names a test, each test that it names is
// there, and no row says that a fault is caused nowhere.
func TestFaults_everyRow(t *testing.T) {
	t.Parallel()
	root := "../.."
	there := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (Test\w+)\(t \*testing\.T\)`)
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || !strings.HasSuffix(name, "_test.go") {
			return err
		}
		data, err := os.ReadFile(name)
		for _, m := range declared.FindAllStringSubmatch(string(data), -1) {
			there[m[1]] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, section, found := strings.Cut(string(text), "## Faults and their tests\n")
	section, _, _ = strings.Cut(section, "\n## ")
	rows := regexp.MustCompile(`(?m)^\| (\d+) \|([^|]*)\|([^|]*)\|([^|]*)\|$`).FindAllStringSubmatch(section, -1)
	if !found || len(rows) != faultRows {
		t.Fatalf("the table of faults has %d rows, want %d", len(rows), faultRows)
	}
	named := regexp.MustCompile("`(Test\\w+)`")
	for i, row := range rows {
		if row[1] != fmt.Sprint(i+1) {
			t.Errorf("row %s comes where %d belongs", row[1], i+1)
		}
		tests := named.FindAllStringSubmatch(row[3], -1)
		if len(tests) == 0 || !regexp.MustCompile(`guest|loop|in process`).MatchString(row[4]) {
			t.Errorf("row %s (%s) names no test, or not how the fault is caused", row[1], strings.TrimSpace(row[2]))
		}
		for _, test := range tests {
			if !there[test[1]] {
				t.Errorf("row %s names %s, which is nowhere", row[1], test[1])
			}
		}
	}
}

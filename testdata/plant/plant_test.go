package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// The defects fit the code as it is: otherwise the list shows nothing.
func TestBugs_fitTheCode(t *testing.T) {
	names := map[string]bool{}
	for _, b := range bugs {
		if names[b.name] {
			t.Errorf("%s is listed twice", b.name)
		}
		names[b.name] = true
		if b.what == "" || b.pkg == "" || b.run == "" || len(b.edits) == 0 {
			t.Errorf("%s says too little: %+v", b.name, b)
		}
		for _, e := range b.edits {
			data, err := os.ReadFile(filepath.Join("../..", e.file))
			if err != nil {
				t.Fatal(err)
			}
			if _, err := e.apply(string(data)); err != nil {
				t.Errorf("%s: %v", b.name, err)
			}
		}
	}
	if len(bugs) < 20 {
		t.Errorf("%d defects, want 20 at least", len(bugs))
	}
}

func TestEdit_wantsOnePlace(t *testing.T) {
	for _, tc := range []struct{ text, words string }{{"abc", "is not there"}, {"old and old", "more than once"}} {
		if _, err := (edit{file: "x.go", old: "old", new: "new"}).apply(tc.text); err == nil || !strings.Contains(err.Error(), tc.words) {
			t.Errorf("%q: %v", tc.text, err)
		}
	}
	if got, err := (edit{old: "old", new: "new"}).apply("an old one"); err != nil || got != "an new one" {
		t.Errorf("%q, %v", got, err)
	}
}

func TestChoose_unknown(t *testing.T) {
	if _, err := choose(bugs, []string{"no such defect"}); err == nil {
		t.Error("taken")
	}
}

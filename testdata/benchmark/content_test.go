package main

import (
	"bytes"
	"context"
	"os"
	"strings"
	"testing"
)

func TestRecipe_sameBytesEveryTime(t *testing.T) {
	t.Parallel()
	_, a := made(t)
	_, b := made(t)
	one, err := os.ReadFile(a.sums)
	if err != nil {
		t.Fatal(err)
	}
	two, err := os.ReadFile(b.sums)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(one, two) || len(one) == 0 {
		t.Errorf("two cards of one recipe differ:\n%s\n%s", one, two)
	}
	seen := map[string]bool{}
	for line := range strings.Lines(string(one)) {
		if sum := strings.Fields(line)[0]; seen[sum] {
			t.Errorf("two files of a card are the same: %s", line)
		} else {
			seen[sum] = true
		}
	}
}

func TestRecipe_stillsAreAsLargeAsTheyShould(t *testing.T) {
	t.Parallel()
	r := recipe{seed: 2, stills: 20_000}
	for _, i := range r.list() {
		if i.bytes < 200_000 || i.bytes > 2_000_000 {
			t.Fatalf("%s has %d bytes", i.name, i.bytes)
		}
	}
	// The mean of a spread that is even on a logarithmic scale is
	// (most - least) / ln(most / least): 781,730 bytes.
	if mean := r.bytes() / 20_000; mean < 770_000 || mean > 793_000 {
		t.Errorf("the mean is %d bytes", mean)
	}
	names := map[string]bool{}
	for _, i := range r.list() {
		names[i.name] = true
	}
	if len(names) != 20_000 {
		t.Errorf("%d names for 20000 files", len(names))
	}
}

func TestOptions(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name string
		args []string
		ok   bool
		want string // names
	}{
		{"all by default", nil, true, strings.Join(measureNames(), " ")},
		{"some", []string{"--runs", "1", "slow", "cpu"}, true, "slow cpu"},
		{"an unknown one", []string{"quick"}, false, ""},
		{"no runs", []string{"--runs", "0"}, false, ""},
		{"less than nothing", []string{"--scale", "-1"}, false, ""},
		{"an unknown flag", []string{"--fast"}, false, ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			o, err := parseOptions(test.args, &bytes.Buffer{})
			if test.ok != (err == nil) || test.ok && strings.Join(o.names, " ") != test.want {
				t.Errorf("got %v, %v", o, err)
			}
		})
	}
}

func TestStart_badUsage(t *testing.T) {
	t.Parallel()
	var errs bytes.Buffer
	if code := start(context.Background(), []string{"quick"}, &bytes.Buffer{}, &errs); code != exitUsage {
		t.Errorf("exit code %d, want %d", code, exitUsage)
	}
	if !strings.Contains(errs.String(), "secondlook") {
		t.Errorf("it does not say what there is: %s", errs.String())
	}
}

func TestFieldKB(t *testing.T) {
	t.Parallel()
	const text = "MemTotal:  100 kB\nCached:     42 kB\nSwapCached:  7 kB\n"
	if kb, err := fieldKB(text, "Cached"); err != nil || kb != 42 {
		t.Errorf("got %d, %v", kb, err)
	}
	if _, err := fieldKB(text, "Dirty"); err == nil {
		t.Error("what is not there was read as something")
	}
}

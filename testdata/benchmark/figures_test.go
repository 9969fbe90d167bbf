package main

import (
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestMedian(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		values []float64
		want   float64
	}{
		{"none", nil, 0},
		{"one", []float64{7}, 7},
		{"odd, out of order", []float64{9, 1, 5}, 5},
		{"even: between the middle two", []float64{8, 1, 2, 4}, 3},
		{"one run that went wrong does not count", []float64{10, 10, 900}, 10},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			if got := median(test.values); got != test.want {
				t.Errorf("median of %v is %g, want %g", test.values, got, test.want)
			}
		})
	}
}

func TestNewSeries_keepsTheOrderOfTheRuns(t *testing.T) {
	t.Parallel()
	got := newSeries("copy", "s", []float64{3, 1, 2})
	want := series{Name: "copy", Unit: "s", Values: []float64{3, 1, 2}, Median: 2, Min: 1, Max: 3}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestRatio(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name     string
		ours, to float64
		target   float64
		want     float64
		met      bool
	}{
		{"below the target", 21, 20, 1.1, 1.05, true},
		{"on the target", 21, 20, 1.05, 1.05, true},
		{"above the target", 22, 20, 1.05, 1.1, false},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			var r result
			err := r.ratio("ratio", newSeries("ours", "s", []float64{test.ours}), newSeries("limit", "s", []float64{test.to}), test.target)
			if err != nil {
				t.Fatal(err)
			}
			f := r.Figures[0]
			if math.Abs(f.Value-test.want) > 1e-9 || f.Met == nil || *f.Met != test.met || *f.Target != test.target {
				t.Errorf("got %v, want %g and met %v", f, test.want, test.met)
			}
			if word := map[bool]string{true: ": met", false: ": MISSED"}[test.met]; !strings.HasSuffix(f.String(), word) {
				t.Errorf("%q does not end in %q", f, word)
			}
		})
	}
}

func TestRatio_withoutTargetIsNeitherMetNorMissed(t *testing.T) {
	t.Parallel()
	var r result
	if err := r.ratio("others", newSeries("a", "s", []float64{2}), newSeries("b", "s", []float64{1}), 0); err != nil {
		t.Fatal(err)
	}
	if f := r.Figures[0]; f.Target != nil || f.Met != nil || strings.Contains(f.String(), "target") {
		t.Errorf("a figure without a target is judged: %v", f)
	}
}

// A time that was not taken must not become a brilliant ratio.
func TestRatio_refusesWhatWasNotMeasured(t *testing.T) {
	t.Parallel()
	some, none := newSeries("some", "s", []float64{1}), newSeries("none", "s", nil)
	var r result
	if r.ratio("no limit", some, none, 1.05) == nil || r.ratio("no time of ours", none, some, 1.05) == nil {
		t.Error("a ratio was made of nothing")
	}
	if len(r.Figures) != 0 {
		t.Errorf("figures were kept: %v", r.Figures)
	}
}

func TestJudgeBite(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name   string
		speeds []float64
		want   error
		again  bool // another try may help
	}{
		{"as set", []float64{200}, nil, false},
		{"five in a hundred off", []float64{209.9}, nil, false},
		{"no throttle at all", []float64{1200}, errToothless, false},
		{"no throttle at first", []float64{1200, 200}, errToothless, false},
		{"a little too fast", []float64{211}, errToothless, true},
		{"a little too fast at first only", []float64{211, 203}, nil, false},
		{"too slow", []float64{150}, errToothless, true},
		{"too slow at first only", []float64{150, 196}, nil, false},
		{"above once and below once", []float64{150, 240}, errToothless, true},
		{"nothing was tried", nil, errToothless, true},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			err := judgeBite("SKERRY_A, write", 200, test.speeds)
			if !errors.Is(err, test.want) {
				t.Errorf("got %v, want %v", err, test.want)
			}
			if errors.Is(err, errOff) != test.again {
				t.Errorf("%v: another try may help: %v, want %v", err, !test.again, test.again)
			}
		})
	}
}

func TestAddProgress(t *testing.T) {
	t.Parallel()
	const second = 1_000_000_000
	var r result
	r.addProgress([]shown{
		{at: 0, done: 0},
		{at: 1 * second, done: 0.5, left: 9 * second},
		{at: 2 * second, done: 0.4, left: 12 * second}, // back, and half too much
		{at: 9 * second, done: 0.9, left: 1 * second},
	}, 10*second)
	got := map[string]float64{}
	for _, f := range r.Figures {
		got[f.Name] = f.Value
	}
	// At 0.2 of the time 12 s were shown and 8 were left; that stood until 0.8.
	want := map[string]float64{
		"times that shown progress went back": 1, "time left, furthest from the truth": 43.75, "tenths at which no time left was known": 0,
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	if *r.Figures[0].Met {
		t.Error("progress went back and the target counts as met")
	}
}

package main

import (
	"fmt"
	"slices"
	"strings"
)

// series is one thing, measured several times.
type series struct {
	Name   string    `json:"name"`
	Unit   string    `json:"unit"`
	Values []float64 `json:"values"` // in the order of the runs
	Median float64   `json:"median"`
	Min    float64   `json:"min"`
	Max    float64   `json:"max"`
}

// newSeries of no values is all zero.
func newSeries(name, unit string, values []float64) series {
	s := series{Name: name, Unit: unit, Values: values}
	if len(values) > 0 {
		s.Median, s.Min, s.Max = median(values), slices.Min(values), slices.Max(values)
	}
	return s
}

// median of an even number of values is the mean of the middle two.
func median(values []float64) float64 {
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	if n == 0 {
		return 0
	}
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}

// figure is a result, and what it should be.
type figure struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"` // "x" for a ratio
	// Target is the most that is good; nil where none was set.
	Target *float64 `json:"target,omitempty"`
	Met    *bool    `json:"met,omitempty"`
}

// judged is a figure with a target.
func judged(name string, value float64, unit string, target float64) figure {
	met := value <= target
	return figure{Name: name, Value: value, Unit: unit, Target: &target, Met: &met}
}

func (f figure) String() string {
	text := fmt.Sprintf("%-48s %9.3f %s", f.Name, f.Value, f.Unit)
	if f.Target == nil {
		return text
	}
	verdict := "MISSED"
	if *f.Met {
		verdict = "met"
	}
	return fmt.Sprintf("%s  target at most %g: %s", text, *f.Target, verdict)
}

// result is all that one measure has to say.
type result struct {
	Name    string            `json:"name"`
	Title   string            `json:"title"`
	Sizes   map[string]string `json:"sizes,omitempty"`
	Series  []series          `json:"series,omitempty"`
	Figures []figure          `json:"figures,omitempty"`
	Rows    []growthRow       `json:"rows,omitempty"`
	Notes   []string          `json:"notes,omitempty"`
	Seconds float64           `json:"seconds"` // that the measure took, all in all
	// Refused is why there are no figures although some were asked for.
	Refused string `json:"refused,omitempty"`
	// LeftOut is why nothing was measured here.
	LeftOut string `json:"left_out,omitempty"`
}

func (r *result) add(name, unit string, values []float64) series {
	s := newSeries(name, unit, values)
	r.Series = append(r.Series, s)
	return s
}

// ratio adds how many times the second series the first is. A second one
// without a figure is an error, never an infinite success.
func (r *result) ratio(name string, ours, to series, target float64) error {
	if ours.Median <= 0 || to.Median <= 0 {
		return fmt.Errorf("%s: there is nothing to divide: %g %s by %g %s", name, ours.Median, ours.Unit, to.Median, to.Unit)
	}
	f := figure{Name: name, Value: ours.Median / to.Median, Unit: "x"}
	if target > 0 {
		f = judged(name, f.Value, "x", target)
	}
	r.Figures = append(r.Figures, f)
	return nil
}

func (r *result) note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

func (r *result) size(name, format string, args ...any) {
	if r.Sizes == nil {
		r.Sizes = map[string]string{}
	}
	r.Sizes[name] = fmt.Sprintf(format, args...)
}

// text is the result for people.
func (r *result) text() string {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%s: %s\n", r.Name, r.Title)
	if r.Refused != "" {
		fmt.Fprintf(&b, "  REFUSED to report: %s\n", r.Refused)
		return b.String()
	}
	if r.LeftOut != "" {
		fmt.Fprintf(&b, "  left out: %s\n", r.LeftOut)
		return b.String()
	}
	for _, s := range r.Series {
		fmt.Fprintf(&b, "  %-48s %9.3f %s  (%.3f to %.3f, %d runs)\n", s.Name, s.Median, s.Unit, s.Min, s.Max, len(s.Values))
	}
	for _, f := range r.Figures {
		fmt.Fprintf(&b, "  %s\n", f)
	}
	if len(r.Rows) > 0 {
		b.WriteString(growthTable(r.Rows))
	}
	for _, n := range r.Notes {
		fmt.Fprintf(&b, "  note: %s\n", n)
	}
	return b.String()
}

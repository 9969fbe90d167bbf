package main

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strconv"
	"strings"
	"testing"
)

func someRows() []growthRow {
	row := func(curve string, x, s, peak float64) growthRow {
		return growthRow{curve, x, newSeries("time", "s", []float64{s * 0.9, s, s * 1.2}), newSeries("peak", "MiB", []float64{peak})}
	}
	return []growthRow{
		row(curveBytes, 10, 0.2, 30), row(curveBytes, 100, 0.9, 31), row(curveBytes, 1000, 8, 31.5),
		row(curveFiles, 50, 0.3, 30), row(curveFiles, 5000, 20, 44),
		row(curveDrives, 1, 1, 25), row(curveDrives, 8, 6, 60),
	}
}

// encoding/xml is the reader that judges the picture.
func TestGrowthPicture(t *testing.T) {
	t.Parallel()
	m := machine{Date: "2026-06-01T12:00:00Z", Cores: 4, Kernel: "Linux <odd> & more", Tree: "0123456789ab"}
	for name, rows := range map[string][]growthRow{"full": someRows(), "one point": someRows()[:1], "nothing": nil} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			svg := growthPicture(m, rows)
			words := checkXML(t, svg)
			for _, want := range []string{m.Date, "How 'bothy copy' grows", "seconds (logarithmic)", "MiB", "footage in MiB (logarithmic)", "drives (logarithmic)", m.Kernel} {
				if !strings.Contains(words, want) {
					t.Errorf("the picture does not say %q", want)
				}
			}
			if got := bytes.Count(svg, []byte("<circle")); got != 2*len(rows) {
				t.Errorf("%d points are drawn for %d rows", got, len(rows))
			}
		})
	}
}

// checkXML reads a picture to its end and gives its words. Every colour must be
// a grey, and every number one that can be drawn.
func checkXML(t *testing.T, svg []byte) string {
	t.Helper()
	var words strings.Builder
	d := xml.NewDecoder(bytes.NewReader(svg))
	for {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			return words.String()
		}
		if err != nil {
			t.Fatalf("read the picture: %v", err)
		}
		switch token := token.(type) {
		case xml.CharData:
			words.Write(token)
		case xml.StartElement:
			for _, a := range token.Attr {
				if strings.Contains(a.Value, "NaN") || strings.Contains(a.Value, "Inf") {
					t.Errorf("%s of <%s> is %q", a.Name.Local, token.Name.Local, a.Value)
				}
				if (a.Name.Local == "fill" || a.Name.Local == "stroke") && a.Value != "none" && !isGrey(a.Value) {
					t.Errorf("%q is no grey", a.Value)
				}
			}
		}
	}
}

func isGrey(c string) bool {
	return len(c) == 4 && c[0] == '#' && c[1] == c[2] && c[2] == c[3]
}

func TestScales_everythingLiesOnThePanel(t *testing.T) {
	t.Parallel()
	for _, logY := range []bool{false, true} {
		p := panel{logY: logY, points: []point{{10, 0.2, 0.1, 0.3}, {1000, 31, 30, 99}}}
		x, y, marks := p.scales()
		for _, pt := range p.points {
			for _, v := range []float64{pt.y, pt.low, pt.high} {
				if at := y(v); at < 0 || at > plotHigh {
					t.Errorf("log %v: %g lies at %g of %d", logY, v, at, plotHigh)
				}
			}
			if at := x(pt.x); at < 0 || at > plotWide {
				t.Errorf("log %v: x %g lies at %g of %d", logY, pt.x, at, plotWide)
			}
		}
		if y(marks[0]) <= y(marks[len(marks)-1]) {
			t.Errorf("log %v: the picture stands on its head", logY)
		}
	}
}

func TestGrowthTable(t *testing.T) {
	t.Parallel()
	lines := strings.Split(strings.TrimSpace(growthTable(someRows())), "\n")
	if len(lines) != 2+len(someRows()) {
		t.Fatalf("%d lines for %d rows", len(lines), len(someRows()))
	}
	for _, line := range lines {
		if n := strings.Count(line, "|"); n != 6 {
			t.Errorf("%s columns' edges in %q, want 6", strconv.Itoa(n), line)
		}
	}
}

func TestPlainStep(t *testing.T) {
	t.Parallel()
	for v, want := range map[float64]float64{0.011: 0.02, 1: 1, 1.3: 2, 4.2: 5, 19: 20, 60: 100} {
		if got := plainStep(v); got < want*0.999 || got > want*1.001 {
			t.Errorf("the step for %g is %g, want %g", v, got, want)
		}
	}
}

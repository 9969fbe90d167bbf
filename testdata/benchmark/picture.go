package main

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"math"
	"strconv"
)

// A panel of the picture, in pixels.
const (
	panelWide, panelHigh      = 320, 250
	marginLeft, marginBottom  = 62, 46
	marginTop, marginRight    = 30, 30
	headHigh                  = 64
	plotWide                  = panelWide - marginLeft - marginRight
	plotHigh                  = panelHigh - marginTop - marginBottom
	ink, faint, paper         = "#000", "#999", "#fff"
	pictureWide, pictureHight = 3 * panelWide, headHigh + 2*panelHigh
)

// point is one of a panel's, with the least and the most that were measured.
type point struct{ x, y, low, high float64 }

// panel is one diagram: X on a logarithmic scale, Y from zero on a plain one or
// on a logarithmic one.
type panel struct {
	title, xLabel, yLabel string
	logY                  bool
	points                []point
}

// growthPicture draws the rows. It uses nothing but black on white, and grey for
// the lines that only help the eye.
func growthPicture(m machine, rows []growthRow) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" width="%d" height="%d" viewBox="0 0 %d %d" font-family="sans-serif" font-size="11" fill="%s">`+"\n",
		pictureWide, pictureHight, pictureWide, pictureHight, ink)
	title := "How 'bothy copy' grows with bytes, files and drives"
	fmt.Fprintf(&b, "<title>%s</title>\n<rect width=\"100%%\" height=\"100%%\" fill=\"%s\"/>\n", escape(title), paper)
	text(&b, 14, 24, "start", 16, title)
	text(&b, 14, 44, "start", 11, fmt.Sprintf("%s. %s, %d cores, tree %s. Unthrottled loop devices on one disk; circle: median, bar: least to most.", m.Date, m.Kernel, m.Cores, m.Tree))
	for i, curve := range []string{curveBytes, curveFiles, curveDrives} {
		x := growthUnit(curve)
		if curve == curveBytes {
			x = "footage in MiB"
		}
		high := panel{title: "Time, by " + curve, xLabel: x + " (logarithmic)", yLabel: "seconds (logarithmic)", logY: true}
		low := panel{title: "Peak memory, by " + curve, xLabel: x + " (logarithmic)", yLabel: "MiB"}
		for _, r := range rows {
			if r.Curve != curve {
				continue
			}
			high.points = append(high.points, point{r.X, r.Time.Median, r.Time.Min, r.Time.Max})
			low.points = append(low.points, point{r.X, r.Peak.Median, r.Peak.Min, r.Peak.Max})
		}
		high.draw(&b, i*panelWide, headHigh)
		low.draw(&b, i*panelWide, headHigh+panelHigh)
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

func (p panel) draw(b *bytes.Buffer, left, top int) {
	fmt.Fprintf(b, "<g transform=\"translate(%d %d)\">\n", left+marginLeft, top+marginTop)
	text(b, 0, -10, "start", 12, p.title)
	fmt.Fprintf(b, "<path d=\"M0 0V%dH%d\" fill=\"none\" stroke=\"%s\"/>\n", plotHigh, plotWide, ink)
	text(b, plotWide/2, plotHigh+34, "middle", 11, p.xLabel)
	fmt.Fprintf(b, "<text transform=\"translate(%d %d) rotate(-90)\" text-anchor=\"middle\">%s</text>\n", -46, plotHigh/2, escape(p.yLabel))
	if len(p.points) == 0 {
		text(b, plotWide/2, plotHigh/2, "middle", 11, "not measured")
	} else {
		p.drawPoints(b)
	}
	b.WriteString("</g>\n")
}

func (p panel) drawPoints(b *bytes.Buffer) {
	x, y, marks := p.scales()
	for _, m := range marks {
		fmt.Fprintf(b, "<path d=\"M0 %.1fH%d\" stroke=\"%s\" stroke-dasharray=\"2 3\"/>\n", y(m), plotWide, faint)
		text(b, -6, y(m)+4, "end", 10, number(m))
	}
	line := ""
	for i, pt := range p.points {
		line += fmt.Sprintf("%c%.1f %.1f", "ML"[min(i, 1)], x(pt.x), y(pt.y))
		fmt.Fprintf(b, "<path d=\"M%.1f %.1fV%.1f\" stroke=\"%s\" stroke-width=\"3\"/>\n", x(pt.x), y(pt.low), y(pt.high), faint)
		text(b, x(pt.x), plotHigh+16, "middle", 10, number(pt.x))
	}
	fmt.Fprintf(b, "<path d=\"%s\" fill=\"none\" stroke=\"%s\" stroke-width=\"1.5\"/>\n", line, ink)
	for _, pt := range p.points {
		fmt.Fprintf(b, "<circle cx=\"%.1f\" cy=\"%.1f\" r=\"3.5\" fill=\"%s\" stroke=\"%s\" stroke-width=\"1.5\"/>\n", x(pt.x), y(pt.y), paper, ink)
		text(b, x(pt.x), y(pt.y)-8, "middle", 10, number(pt.y))
	}
}

// scales place values on the panel, and say where to put marks on Y.
func (p panel) scales() (x, y func(float64) float64, marks []float64) {
	first, last, most, least := math.Inf(1), math.Inf(-1), 0.0, math.Inf(1)
	for _, pt := range p.points {
		first, last = min(first, pt.x), max(last, pt.x)
		most, least = max(most, pt.high, pt.y), min(least, pt.low, pt.y)
	}
	x = func(v float64) float64 {
		if last <= first {
			return plotWide / 2
		}
		return plotWide * (0.08 + 0.84*math.Log(v/first)/math.Log(last/first))
	}
	if p.logY && least > 0 {
		low, high := math.Pow(10, math.Floor(math.Log10(least))), math.Pow(10, math.Ceil(math.Log10(most*1.2)))
		y = func(v float64) float64 { return plotHigh * (1 - math.Log(v/low)/math.Log(high/low)) }
		for m := low; m <= high*1.001; m *= 10 {
			marks = append(marks, m)
		}
		return x, y, marks
	}
	step := plainStep(most / 4)
	high := step * math.Ceil(most*1.2/step)
	y = func(v float64) float64 { return plotHigh * (1 - v/high) }
	for m := 0.0; m <= high*1.001; m += step {
		marks = append(marks, m)
	}
	return x, y, marks
}

// plainStep is the next 1, 2 or 5 with zeros that is not below v.
func plainStep(v float64) float64 {
	ten := math.Pow(10, math.Floor(math.Log10(max(v, 1e-9))))
	for _, step := range []float64{1, 2, 5} {
		if v <= step*ten*1.001 {
			return step * ten
		}
	}
	return 10 * ten
}

// number writes three figures at the most.
func number(v float64) string {
	if v >= 1000 {
		return strconv.FormatFloat(v, 'f', 0, 64)
	}
	return strconv.FormatFloat(v, 'g', 3, 64)
}

func text(b *bytes.Buffer, x, y float64, anchor string, size int, s string) {
	fmt.Fprintf(b, "<text x=\"%.1f\" y=\"%.1f\" text-anchor=\"%s\" font-size=\"%d\" stroke=\"%s\" stroke-width=\"3\" paint-order=\"stroke\">%s</text>\n", x, y, anchor, size, paper, escape(s))
}

func escape(s string) string {
	var b bytes.Buffer
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return "" // a bytes.Buffer takes everything
	}
	return b.String()
}

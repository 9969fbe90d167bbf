package browser

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"image"
	"image/png"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// answer is a verdict as it is to be seen.
type answer struct{ Word, Advice, Shape string }

// Each answer has its words, and a mark that can be told from the others without
// colour: as Chromium paints it for somebody who sees none.
func TestVerdict_wordsAndShape(t *testing.T) {
	t.Parallel()
	c := newChromium(t)
	b := newBox(t, everything())
	for _, g := range []glass{{Width: 360}, {Width: 360, Dark: true}, {Width: 1280, Forced: true}} {
		t.Run(g.String(), func(t *testing.T) {
			p := c.open(t, b.url("/"), g)
			p.do("Emulation.setEmulatedVisionDeficiency", map[string]any{"type": "achromatopsia"})
			var got []answer
			p.eval(`Array.from(document.querySelectorAll(".hut"), (h) => ({
				Word: h.querySelector(".verdict strong").innerText, Advice: h.querySelector(".advice").innerText, Shape: h.querySelector(".verdict svg").innerHTML}))`, &got)
			want := []answer{
				{"RELEASE", "take it out, reuse it", ""}, {"WORKING", "leave everything in", ""},
				{"HOLD", "do not reuse it yet: another drive is needed", ""}, {"HOLD", "do not reuse it: somebody must look", ""},
			}
			if diff := cmp.Diff(want, got, cmp.FilterPath(func(p cmp.Path) bool { return p.Last().String() == ".Shape" }, cmp.Ignore())); diff != "" {
				t.Fatalf("answers (-want +got):\n%s", diff)
			}
			var marks [][]bool
			for i := range want {
				marks = append(marks, p.mark(i))
			}
			for i, pair := range [][2]int{{0, 1}, {0, 2}, {1, 2}} {
				if d := differ(marks[pair[0]], marks[pair[1]]); d < 0.1 {
					t.Errorf("pair %d: the marks of %s and %s differ in %.0f %% of their dots", i, got[pair[0]].Word, got[pair[1]].Word, 100*d)
				}
			}
			if d := differ(marks[2], marks[3]); d > 0.1 {
				t.Errorf("two holds have marks that differ in %.0f %% of their dots", 100*d)
			}
		})
	}
}

// mark is which dots of the mark of the nth verdict stand out from its corner.
func (p *tab) mark(n int) []bool {
	p.t.Helper()
	var box struct{ X, Y, Width, Height float64 }
	p.eval(`(() => {
		const r = document.querySelectorAll(".hut .verdict svg")[`+string(rune('0'+n))+`].getBoundingClientRect();
		return {X: Math.round(r.x + scrollX), Y: Math.round(r.y + scrollY), Width: r.width, Height: r.height};
	})()`, &box)
	if box.Width < 24 || box.Height < 24 {
		p.t.Errorf("mark %d is %g by %g", n, box.Width, box.Height)
	}
	var out struct{ Data string }
	clip := map[string]any{"x": box.X, "y": box.Y, "width": 48, "height": 48, "scale": 1}
	if err := json.Unmarshal(p.do("Page.captureScreenshot", map[string]any{"format": "png", "clip": clip, "captureBeyondViewport": true}), &out); err != nil {
		p.t.Fatal(err)
	}
	data, err := base64.StdEncoding.DecodeString(out.Data)
	if err != nil {
		p.t.Fatal(err)
	}
	picture, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		p.t.Fatal(err)
	}
	return standsOut(picture)
}

func standsOut(picture image.Image) []bool {
	var out []bool
	light := func(x, y int) int { r, _, _, _ := picture.At(x, y).RGBA(); return int(r >> 8) } // grey: each part is the same
	b := picture.Bounds()
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			d := light(x, y) - light(b.Min.X, b.Min.Y)
			out = append(out, d > 60 || d < -60)
		}
	}
	return out
}

func differ(a, b []bool) float64 {
	if len(a) != len(b) || len(a) == 0 {
		return 1
	}
	n := 0
	for i := range a {
		if a[i] != b[i] {
			n++
		}
	}
	return float64(n) / float64(len(a))
}

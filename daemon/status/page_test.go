package status

import (
	"bytes"
	"math"
	"regexp"
	"strings"
	"testing"

	"bothy/daemon/state"
	"bothy/testdata/shown"
)

func TestPage_sample(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]*state.State{
		"page_sample.html": sampleState(),
		"page_empty.html":  {Phase: state.Starting, Policy: state.Policy{Error: "policy.toml:3:1: unknown key \"lable\" (did you mean label?)\npolicy.toml:9:8: not a size (write 4GB)"}},
	} {
		var b bytes.Buffer
		days := sampleDays()
		if len(s.Offloads) == 0 {
			days = &DayList{}
		}
		if err := Page(&b, NewDocument(s), days); err != nil {
			t.Fatal(err)
		}
		golden(t, name, b.Bytes())
	}
}

func TestText_sample(t *testing.T) {
	t.Parallel()
	for name, s := range map[string]*state.State{"sample.txt": sampleState(), "empty.txt": {}} {
		var b bytes.Buffer
		if err := Text(&b, NewDocument(s)); err != nil {
			t.Fatal(err)
		}
		golden(t, name, b.Bytes())
	}
}

// The words of a card, a drive and a condition are the same in both windows.
func TestText_sameWordsAsPage(t *testing.T) {
	t.Parallel()
	d := NewDocument(sampleState())
	var page, text bytes.Buffer
	if err := Page(&page, d, nil); err != nil {
		t.Fatal(err)
	}
	if err := Text(&text, d); err != nil {
		t.Fatal(err)
	}
	words := []string{phaseSentence(d.Phase)}
	for _, c := range d.Cards {
		words = append(words, cardLook(c).Word, cardLook(c).Advice, c.Reason)
	}
	for _, v := range d.Drives {
		words = append(words, driveLook(v).Word, driveLook(v).Advice)
	}
	for _, c := range d.Conditions {
		words = append(words, strings.NewReplacer("'", "&#39;").Replace(c.Sentence), c.Detail)
	}
	for _, w := range words {
		if !strings.Contains(page.String(), w) {
			t.Errorf("page lacks %q", w)
		}
		if plain := strings.ReplaceAll(w, "&#39;", "'"); !strings.Contains(text.String(), plain) {
			t.Errorf("text lacks %q", plain)
		}
	}
}

// The Content-Security-Policy forbids all of these; the page must not need them.
func TestPage_nothingInline(t *testing.T) {
	t.Parallel()
	page := pageOf(t, func() string { return "puffin" })
	for _, bad := range []string{`(?i)<style`, `(?i)\sstyle=`, `(?i)\son[a-z]+=`, `(?i)<script>`, `(?i)https?:`, `(?i)<img`, `(?i)<form[^>]*(post|action="[^/])`, `(?i)formaction`, `(?i)http-equiv`} {
		if hit := regexp.MustCompile(bad).Find(page); hit != nil {
			t.Errorf("page holds %q", hit)
		}
	}
	order := []string{`id="cards"`, `id="drives"`, `id="conditions"`, `id="offloads"`, `id="where"`, `id="left-alone"`, `</main>`, `<form class="find"`}
	last := -1
	for _, id := range order {
		i := bytes.Index(page, []byte(id))
		if i <= last {
			t.Errorf("%s does not come in its turn", id)
		}
		last = i
	}
	// A page that fetches itself again under the reader is none of WCAG's (2.2.1).
	for _, want := range []string{`<noscript><p>Without script`, `<p class="aged">`} {
		if !bytes.Contains(page, []byte(want)) {
			t.Errorf("the page lacks %s: without script nothing says that it may be old", want)
		}
	}
}

// WCAG 2.2 AA: 4.5:1 for text (1.4.3), 3:1 for shapes and edges (1.4.11).
func TestPage_contrast(t *testing.T) {
	t.Parallel()
	css, err := assets.ReadFile("page.css")
	if err != nil {
		t.Fatal(err)
	}
	schemes := regexp.MustCompile(`(?s):root \{(.*?)\}`).FindAllSubmatch(css, -1)
	if len(schemes) != 2 {
		t.Fatalf("%d colour schemes, want light and dark", len(schemes))
	}
	for i, scheme := range schemes {
		colour := map[string]string{}
		for _, m := range regexp.MustCompile(`--([a-z-]+): (#[0-9a-f]{6});`).FindAllSubmatch(scheme[1], -1) {
			colour[string(m[1])] = string(m[2])
		}
		for _, pair := range []struct {
			over, under string
			least       float64
		}{
			{"ink", "ground", 4.5}, {"soft", "ground", 4.5}, {"ink", "sheet", 4.5}, {"soft", "sheet", 4.5},
			{"safe-ink", "safe", 4.5}, {"caution-ink", "caution", 4.5}, {"danger-ink", "danger", 4.5},
			{"link", "ground", 4.5}, {"link", "sheet", 4.5},
			{"safe-mark", "sheet", 3}, {"caution-mark", "sheet", 3}, {"danger-mark", "sheet", 3}, {"danger-mark", "ground", 3},
			{"plain-mark", "sheet", 3}, {"edge", "ground", 3}, {"edge", "sheet", 3},
		} {
			if got, err := shown.Contrast(colour[pair.over], colour[pair.under]); err != nil || got < pair.least {
				t.Errorf("scheme %d: %s on %s is %.2f:1, wants %.1f:1 (%v)", i, pair.over, pair.under, got, pair.least, err)
			}
		}
	}
}

func TestSize(t *testing.T) {
	t.Parallel()
	for n, want := range map[int64]string{
		0: "0 B", 999: "999 B", 1000: "1.00 kB", 9994: "9.99 kB", 9999: "10.0 kB", 99_949: "99.9 kB", 99_951: "100 kB", 999_499: "999 kB",
		999_999: "1.00 MB", 64e9: "64.0 GB", 2e12: "2.00 TB", math.MaxInt64: "9 EB", -5: "-5 B",
	} {
		if got := size(n); got != want {
			t.Errorf("size(%d) = %q, want %q", n, got, want)
		}
	}
}

func TestSpan(t *testing.T) {
	t.Parallel()
	for seconds, want := range map[int64]string{
		-5: "0 s", 0: "0 s", 1: "1 s", 9: "9 s", 10: "10 s", 13: "15 s", 57: "55 s", 58: "1 min", 74: "1 min", 75: "1 min 30 s",
		584: "9 min 30 s", 585: "10 min", 629: "10 min", 630: "11 min", 3569: "59 min", 3570: "1 h 0 min", 5400: "1 h 30 min", 35999: "10 h 0 min",
		36000: "10 h", 90000: "25 h",
	} {
		if got := span(seconds); got != want {
			t.Errorf("span(%d) = %q, want %q", seconds, got, want)
		}
	}
}

func TestLeftWords(t *testing.T) {
	t.Parallel()
	for want, l := range map[string]Left{
		"": {},
		"about 12 min left: 9 min of copying, 3 min of proof": {720, 540, 180},
		"about 40 s left, all of it proof":                    {40, 0, 40},
		"about 1 h 30 min left, all of it copying":            {5400, 5400, 0},
	} {
		if got := leftWords(l); got != want {
			t.Errorf("%+v: %q, want %q", l, got, want)
		}
	}
}

// A running offload tells how far it is; one that has ended does not.
func TestViewGoing(t *testing.T) {
	t.Parallel()
	running := func(done float64, seconds int64) Offload {
		return Offload{Running: true, Done: done, Left: Left{Seconds: seconds, CopyingSeconds: seconds}}
	}
	for name, tc := range map[string]struct {
		o    Offload
		want goingView
	}{
		"ended":        {Offload{Done: 1}, goingView{}},
		"begins":       {running(0, 0), goingView{true, 0, "0 % done; how long it takes is not known yet"}},
		"nearly there": {running(0.9999, 1), goingView{true, 99, "99 % done; about 1 s left, all of it copying"}},
		"all there":    {running(1, 0), goingView{true, 100, "100 % done"}},
		"slower ones": {Offload{Running: true, Done: 1, Copies: []Copy{{Phase: "proven"}, {Phase: "behind"}}},
			goingView{true, 100, "100 % done; slower drives still get their copies"}},
		"nonsense": {running(math.NaN(), -4), goingView{true, 0, "0 % done; how long it takes is not known yet"}},
	} {
		if got := viewGoing(tc.o); got != tc.want {
			t.Errorf("%s: %+v, want %+v", name, got, tc.want)
		}
	}
}

// A copy that was let go is still being worked on, in every window.
func TestCopyLook_behind(t *testing.T) {
	t.Parallel()
	o := Offload{SizeBytes: 1000, Copies: []Copy{{Phase: string(state.CopyBehind), WrittenBytes: 500, ProvenBytes: 200, Left: Left{Seconds: 90}}}}
	got := viewCopies(o)[0]
	if got.Shape != "working" || got.Bar != 20 || got.Progress != "50 % written, 20 % proven, about 1 min 30 s left" {
		t.Errorf("%+v", got)
	}
}

func TestPercent(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		done, all int64
		want      int
	}{{0, 0, 0}, {5, 0, 0}, {-1, 10, 0}, {999, 1000, 99}, {1000, 1000, 100}, {2000, 1000, 100}} {
		if got := percent(tc.done, tc.all); got != tc.want {
			t.Errorf("percent(%d, %d) = %d, want %d", tc.done, tc.all, got, tc.want)
		}
	}
}

package stories

import (
	"strings"
	"testing"
)

// seen is a view of one card, released or not, by each window.
func seen(sequence uint64, verdict, light string, page, meter int) view {
	s := Status{Sequence: sequence}
	s.Cards = append(s.Cards, cardStatus{Label: "SKUA_1", Phase: "decided", Verdict: verdict})
	return view{first: s, then: s, light: light, page: page, meter: meter}
}

func TestWitness_compare(t *testing.T) {
	t.Parallel()
	moved := seen(1, "hold", "steady", 1, 1)
	moved.then.Sequence = 2
	working := seen(1, "release", "blinking", 0, 0)
	working.first.Cards[0].Phase = "working"
	for name, tt := range map[string]struct {
		v     view
		wrong bool
	}{
		"all release":           {seen(1, "release", "steady", 1, 1), false},
		"all hold":              {seen(1, "hold", "blinking", 0, 0), false},
		"at work":               {working, false},
		"the light is early":    {seen(1, "hold", "steady", 0, 0), true},
		"the light is missing":  {seen(1, "release", "dark", 1, 1), true},
		"the page is early":     {seen(1, "hold", "blinking", 1, 0), true},
		"the metrics are early": {seen(1, "hold", "blinking", 0, 1), true},
		"the state moved on":    {moved, false},
		"nobody asked the page": {seen(1, "hold", "steady", -1, -1), false},
	} {
		if got := (&Witness{}).compare(tt.v); (got != "") != tt.wrong {
			t.Errorf("%s: %q", name, got)
		}
	}
}

func TestWitness_claims(t *testing.T) {
	t.Parallel()
	windows := func(views ...view) string {
		w := &Witness{seen: map[string]bool{}}
		var before view
		for _, v := range views {
			w.claims(v, before)
			before = v
		}
		var list []string
		for _, s := range w.Said() {
			list = append(list, s.Window+" "+s.Card+s.Drive)
		}
		return strings.Join(list, ", ")
	}
	proven := seen(3, "hold", "blinking", 0, 0)
	proven.first.Offloads = append(proven.first.Offloads, offloadStatus{CardLabel: "SKUA_1", Copies: []copyStatus{{DriveName: "A", Phase: "proven"}, {DriveName: "B", Phase: "finishing"}}})
	for name, tt := range map[string]struct {
		views []view
		want  string
	}{
		"a hold":                  {[]view{seen(1, "hold", "blinking", 0, 0)}, ""},
		"a release":               {[]view{seen(1, "release", "steady", 1, 1)}, "status SKUA_1, page SKUA_1, metrics SKUA_1, light SKUA_1"},
		"told once":               {[]view{seen(1, "release", "steady", -1, -1), seen(2, "release", "steady", -1, -1)}, "status SKUA_1, light SKUA_1"},
		"a light of the past":     {[]view{seen(1, "hold", "steady", -1, -1), seen(2, "hold", "blinking", -1, -1)}, ""},
		"a light that stays":      {[]view{seen(1, "hold", "steady", -1, -1), seen(1, "hold", "steady", -1, -1)}, "light SKUA_1"},
		"a copy that is proven":   {[]view{proven}, "status SKUA_1A"},
		"the light alone is dark": {[]view{seen(1, "release", "dark", 1, 1)}, "status SKUA_1, page SKUA_1, metrics SKUA_1"},
	} {
		if got := windows(tt.views...); got != tt.want {
			t.Errorf("%s: %q, want %q", name, got, tt.want)
		}
	}
}

func TestMeter(t *testing.T) {
	t.Parallel()
	text := "# HELP bothy_slot_cards Cards\nbothy_slot_cards{rule=\"stills\",slot=\"1\",verdict=\"release\"} 2\n" +
		"bothy_slot_cards{rule=\"stills\",slot=\"2\",verdict=\"hold\"} 1\nbothy_slot_cards{rule=\"clips\",slot=\"2\",verdict=\"release\"} 1\nbothy_cards 4\n"
	if n := meter(text); n != 3 {
		t.Errorf("%d cards released, want 3", n)
	}
}

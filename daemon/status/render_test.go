package status

import (
	"bytes"
	"encoding/json"
	"reflect"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/state"
	"bothy/testdata/shown"
)

func TestDocuments_golden(t *testing.T) {
	t.Parallel()
	s := sampleState()
	for name, doc := range map[string]any{
		"status.json":   NewDocument(s),
		"empty.json":    NewDocument(&state.State{Phase: state.Starting}),
		"offloads.json": OffloadList{renderAll(s.Offloads, renderOffload)},
		"offload.json":  NewOffload(s.Offloads[1]),
		"drives.json":   DriveList{renderAll(s.Drives, renderDrive)},
		"problem.json":  Problem{Type: "about:blank", Title: "Not Found", Status: 404, Detail: "there is nothing at this path"},
	} {
		got, err := encode(doc)
		if err != nil {
			t.Fatal(err)
		}
		golden(t, name, got)
	}
}

// Every member's name is snake_case and says its unit.
func TestDocument_names(t *testing.T) {
	t.Parallel()
	unit := regexp.MustCompile(`_bytes$|_seconds$|_per_second$`)
	seen := map[reflect.Type]bool{}
	var walk func(reflect.Type)
	walk = func(typ reflect.Type) {
		for typ.Kind() == reflect.Slice || typ.Kind() == reflect.Pointer {
			typ = typ.Elem()
		}
		if typ.Kind() != reflect.Struct || typ == reflect.TypeFor[time.Time]() || seen[typ] {
			return
		}
		seen[typ] = true
		for i := range typ.NumField() {
			f := typ.Field(i)
			if f.Anonymous { // its members are members of typ
				walk(f.Type)
				continue
			}
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			if name == "" || strings.ContainsFunc(name, func(r rune) bool { return r != '_' && !unicode.IsLower(r) }) {
				t.Errorf("%s.%s: member is called %q", typ.Name(), f.Name, name)
			}
			if f.Type.Kind() == reflect.Int64 && name != "sequence" && !unit.MatchString(name) {
				t.Errorf("%s.%s: %q does not say its unit", typ.Name(), f.Name, name)
			}
			walk(f.Type)
		}
	}
	walk(reflect.TypeFor[Document]())
	if len(seen) < 9 {
		t.Errorf("only %d types looked at", len(seen))
	}
}

// In every doubt a card is held: exhaustive over what a State can say.
func TestCard_releasedOnlyWhenDecidedAndReleased(t *testing.T) {
	t.Parallel()
	phases := []state.CardPhase{state.CardLooking, state.CardQueued, state.CardWorking, state.CardDecided, "", "later-version"}
	verdicts := []state.Verdict{state.Hold, state.Release, "", "RELEASE", "release "}
	kinds := []state.HoldKind{state.NoHold, state.NeedsDrive, state.HoldByFault, "later-version"}
	for _, p := range phases {
		for _, v := range verdicts {
			for _, k := range kinds {
				card := state.Card{Phase: p, Verdict: v, HoldKind: k}
				want := p == state.CardDecided && v == state.Release
				doc := renderCard(card)
				if got := doc.Verdict == "release"; got != want {
					t.Errorf("%q %q %q: JSON says %q", p, v, k, doc.Verdict)
				}
				d := NewDocument(&state.State{Cards: []state.Card{card}})
				var page, text bytes.Buffer
				if err := Page(&page, d, nil); err != nil {
					t.Fatal(err)
				}
				if err := Text(&text, d); err != nil {
					t.Fatal(err)
				}
				if got := strings.Contains(page.String(), "<strong>RELEASE</strong>"); got != want {
					t.Errorf("%q %q %q: page says release: %t", p, v, k, got)
				}
				if got := strings.Contains(text.String(), "[+] RELEASE"); got != want {
					t.Errorf("%q %q %q: text says release: %t", p, v, k, got)
				}
			}
		}
	}
	// A document of another program is not believed either.
	if l := cardLook(Card{Phase: "working", Verdict: "release"}); l.Shape == "release" {
		t.Error("a card that is being worked on is shown as released")
	}
}

func TestDrive_mayBePulledNeverWhileInUseOrAFolder(t *testing.T) {
	t.Parallel()
	for bits := range 32 {
		d := Drive{Attached: bits&1 != 0, InUse: bits&2 != 0, Full: bits&4 != 0, Failing: bits&8 != 0, Refused: bits&16 != 0}
		if got := driveLook(d).Advice; d.InUse && got != "do not pull it" {
			t.Errorf("%+v: %q", d, got)
		}
		if strings.HasSuffix(driveLook(d).Advice, "may be pulled") != (d.Attached && !d.InUse) {
			t.Errorf("%+v: %q", d, driveLook(d).Advice)
		}
		d.Path = "/mnt/nas"
		if strings.Contains(driveLook(d).Advice, "may be pulled") {
			t.Errorf("folder %+v: %q", d, driveLook(d).Advice)
		}
	}
}

func TestInstant(t *testing.T) {
	t.Parallel()
	faroe := time.FixedZone("", 3600)
	for _, tc := range []struct {
		name string
		in   time.Time
		want string
	}{
		{"zone becomes UTC", time.Date(2026, 11, 25, 15, 0, 0, 123456789, faroe), `"2026-11-25T14:00:00.123Z"`},
		{"zero", time.Time{}, `"0001-01-01T00:00:00Z"`},
		{"year 10000", time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC), `"0001-01-01T00:00:00Z"`},
		{"year -5", time.Date(-5, 1, 1, 0, 0, 0, 0, time.UTC), `"0001-01-01T00:00:00Z"`},
	} {
		got, err := json.Marshal(instant(tc.in))
		if err != nil || string(got) != tc.want {
			t.Errorf("%s: %s, %v; want %s", tc.name, got, err, tc.want)
		}
	}
}

// A hostile document survives its own JSON unchanged, and the JSON holds
// nothing that a terminal would act on. RFC 8259 section 7 is the source of
// the escapes; encoding/json reads them back.
func TestEncode_losslessAndPrintable(t *testing.T) {
	t.Parallel()
	i := 0
	s := filled(func() string { i++; return shown.Hostile[i%len(shown.Hostile)] })
	doc := NewDocument(s)
	raw, err := encode(doc)
	if err != nil {
		t.Fatal(err)
	}
	shown.MustPrint(t, "JSON", string(raw))
	var back Document
	if err := json.Unmarshal(raw, &back); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(doc, &back); diff != "" {
		t.Errorf("document changed (-sent +received):\n%s", diff)
	}
}

func TestCut(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ in, want string }{
		{"", ""}, {"abcd", "abcd"}, {"abcde", "abc\u2026"}, {"\u00e9\u00e9\u00e9\u00e9", "\u00e9\u00e9\u00e9\u00e9"},
		{strings.Repeat("\u00e9", 5), "\u00e9\u00e9\u00e9\u2026"}, {"a\xff\xfeb", "a\ufffdb"}, {strings.Repeat("\xff", 100), "\ufffd"},
	} {
		if got := cut(tc.in, 4); got != tc.want {
			t.Errorf("cut(%q, 4) = %q, want %q", tc.in, got, tc.want)
		}
	}
}

func FuzzClean(f *testing.F) {
	for _, s := range shown.Hostile {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got := clean(brief(s))
		shown.MustPrint(t, "clean", got)
		if strings.Contains(got, "\n") {
			t.Errorf("a line break came through: %q", got)
		}
		if n := utf8.RuneCountInString(brief(s)); n > maxBrief {
			t.Errorf("brief is %d runes", n)
		}
		raw, err := encode(brief(s))
		if err != nil {
			t.Fatal(err)
		}
		shown.MustPrint(t, "JSON", string(raw))
		var back string
		if err := json.Unmarshal(raw, &back); err != nil || back != brief(s) {
			t.Errorf("JSON of %q came back as %q, %v", brief(s), back, err)
		}
	})
}

package policy

import (
	"strings"
	"testing"
	"unicode/utf16"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestFolderName(t *testing.T) {
	t.Parallel()
	facts := FolderFacts{
		Date: "2026-11-25", Time: "143107", Box: "skerry-2", Label: "SKUA_A003",
		Slot: "platform-soc-usb-0:1.2:1.0-scsi-0:0:0:0", Sequence: 42, ClockTrusted: true,
	}
	with := func(change func(*FolderFacts)) FolderFacts {
		f := facts
		change(&f)
		return f
	}
	for name, test := range map[string]struct {
		folder string
		facts  FolderFacts
		want   string
	}{
		"default":           {DefaultFolder, facts, "2026-11-25/skerry-2-SKUA_A003-143107"},
		"all":               {"{seq}/{slot}", facts, "00042/platform-soc-usb-0_1.2_1.0-scsi-0_0_0_0"},
		"no placeholder":    {"cards", facts, "cards"},
		"clock unsure":      {DefaultFolder, with(func(f *FolderFacts) { f.ClockTrusted = false }), "2026-11-25/skerry-2-SKUA_A003-143107-clock-unsure"},
		"clock not used":    {"{label}-{seq}", with(func(f *FolderFacts) { f.ClockTrusted = false }), "SKUA_A003-00042"},
		"no label":          {"{label}", with(func(f *FolderFacts) { f.Label = "" }), "no-label"},
		"blank label":       {"{label}", with(func(f *FolderFacts) { f.Label = " .. " }), "no-label"},
		"climbing label":    {"{date}/{label}", with(func(f *FolderFacts) { f.Label = "../../etc" }), "2026-11-25/_.._etc"},
		"backslash":         {"{label}", with(func(f *FolderFacts) { f.Label = `..\..\x` }), `_.._x`},
		"control":           {"{label}", with(func(f *FolderFacts) { f.Label = "a\x00b\nc\x1b[2J\u202e\x7f" }), "a_b_c_[2J__"},
		"markup":            {"{label}", with(func(f *FolderFacts) { f.Label = "<b>x</b>" }), "_b_x__b_"},
		"invalid UTF-8":     {"{label}", with(func(f *FolderFacts) { f.Label = "a\xffb" }), "a_b"},
		"hidden":            {"{label}", with(func(f *FolderFacts) { f.Label = ".bothy" }), "bothy"},
		"device":            {"{label}", with(func(f *FolderFacts) { f.Label = "nul.txt" }), "_nul.txt"},
		"device with digit": {"{label}", with(func(f *FolderFacts) { f.Label = "COM¹" }), "_COM¹"},
		"reports":           {"{label}/x", with(func(f *FolderFacts) { f.Label = "Reports" }), "_Reports/x"},
		"history":           {"x/{label}", with(func(f *FolderFacts) { f.Label = "ASCMHL" }), "x/_ASCMHL"},
		"unfinished":        {"{label}", with(func(f *FolderFacts) { f.Label = "x.Unfinished" }), "x.Unfinished_"},
		"trailing dots":     {"{label}", with(func(f *FolderFacts) { f.Label = "x. . ." }), "x"},
		"braces":            {"{label}", with(func(f *FolderFacts) { f.Label = "{date}" }), "{date}"},
		"negative sequence": {"{seq}", with(func(f *FolderFacts) { f.Sequence = -1 }), "00000"},
		"long":              {"{label}-{seq}", with(func(f *FolderFacts) { f.Label = strings.Repeat("é", 100) }), strings.Repeat("é", 59)},
		"long, unsure": {"{time}{label}", with(func(f *FolderFacts) { f.Label, f.ClockTrusted = strings.Repeat("x", 200), false }),
			"143107" + strings.Repeat("x", 99) + "-clock-unsure"},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := (&CardRule{Folder: test.folder}).FolderName(test.facts)
			if err != nil || got != test.want {
				t.Errorf("got %q, %v; want %q", got, err, test.want)
			}
		})
	}
	for _, folder := range []string{"", "/x", "../x", "{label", "{what}", "a//b", "CON"} {
		if got, err := (&CardRule{Folder: folder}).FolderName(facts); err == nil {
			t.Errorf("template %q gives %q, want an error", folder, got)
		}
	}
}

// offence says why element could not be a folder on an ordinary drive, or "".
// It is written from the specifications, not from the code it checks:
// Microsoft's exFAT specification, table 35 (invalid characters), section
// 7.6.3 (1 to 255 UTF-16 units) and 7.7.3 ("." and ".." are reserved);
// MS-FSCC 2.1.5.2 for NTFS, with the same characters; Microsoft, "Naming
// Files, Paths, and Namespaces" (devices, trailing dot and space; from memory).
func offence(element string) string {
	if units := len(utf16.Encode([]rune(element))); units < 1 || units > 255 || len(element) > 120 {
		return "length"
	}
	if !utf8.ValidString(element) {
		return "UTF-8"
	}
	for _, r := range element {
		switch r {
		case 0x22, 0x2a, 0x2f, 0x3a, 0x3c, 0x3e, 0x3f, 0x5c, 0x7c:
			return "forbidden character"
		}
		if r < 0x20 || r >= 0x7f && r < 0xa0 || r >= 0xfffe && r <= 0xffff {
			return "control character"
		}
	}
	if element[0] == '.' || element[0] == ' ' || strings.HasSuffix(element, ".") || strings.HasSuffix(element, " ") {
		return "dot or space at an end"
	}
	base, _, _ := strings.Cut(strings.ToUpper(element), ".")
	for _, device := range strings.Fields("CON PRN AUX NUL COM1 COM2 COM3 COM4 COM5 COM6 COM7 COM8 COM9 LPT1 LPT2 LPT3 LPT4 LPT5 LPT6 LPT7 LPT8 LPT9") {
		if base == device {
			return "device"
		}
	}
	lower := strings.ToLower(element)
	if lower == "ascmhl" || lower == "reports" || strings.HasSuffix(lower, ".unfinished") || strings.HasSuffix(lower, ".incomplete") {
		return "name with a meaning"
	}
	return ""
}

// TestFolderName_safe fills random templates with hostile facts.
func TestFolderName_safe(t *testing.T) {
	t.Parallel()
	piece := rapid.SampledFrom([]string{"{date}", "{time}", "{box}", "{label}", "{slot}", "{seq}", "-", "day", ".", " ", "/", "NUL", "reports"})
	hostile := rapid.OneOf(rapid.String(),
		rapid.StringOf(rapid.RuneFrom([]rune("./\\ :*?<>|\"\x00\x1f\u202eCON"))),
		rapid.SampledFrom([]string{"..", "CON", "nul", "lpt1.x", "ascmhl", "a.unfinished", "x.incomplete ", "reports", strings.Repeat("ß.", 300), "a\xff", "COM0"}),
		rapid.StringOfN(rapid.RuneFrom([]rune("aé€😀 .")), 50, 200, -1))
	rapid.Check(t, func(t *rapid.T) {
		folder := strings.Join(rapid.SliceOfN(piece, 1, 10).Draw(t, "folder"), "")
		rule := CardRule{Folder: folder}
		got, err := rule.FolderName(FolderFacts{
			Date: hostile.Draw(t, "date"), Time: hostile.Draw(t, "time"), Box: hostile.Draw(t, "box"),
			Label: hostile.Draw(t, "label"), Slot: hostile.Draw(t, "slot"),
			Sequence: rapid.Int64().Draw(t, "seq"), ClockTrusted: rapid.Bool().Draw(t, "trusted"),
		})
		if err != nil {
			t.Skip("the template is refused")
		}
		elements := strings.Split(got, "/")
		if want := strings.Count(folder, "/") + 1; len(elements) != want {
			t.Fatalf("%q has %d elements, its template %q has %d", got, len(elements), folder, want)
		}
		for _, element := range elements {
			if why := offence(element); why != "" {
				t.Fatalf("%q of %q: %s", element, got, why)
			}
		}
	})
}

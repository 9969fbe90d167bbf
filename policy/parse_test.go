package policy

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
)

// minimal is the shortest valid policy.
const minimal = `
[[card]]
name = "stills"
label = "SKUA_*"
[[drive]]
name = "bay"
slot = "bay-*"
`

func mustParse(t testing.TB, text string) *Policy {
	t.Helper()
	p, err := Parse("policy.toml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestParse_defaults(t *testing.T) {
	t.Parallel()
	want := &Policy{
		Box:    Box{Copies: 2, Parallel: 1, Timezone: "UTC", Location: time.UTC},
		Status: StatusSettings{Listen: "127.0.0.1:9810"},
		Patrol: Patrol{Hours: 4, SharePercent: 50, After: 30 * 24 * time.Hour},
		Power:  Power{Begin: 20, Park: 5},
		Cards: []CardRule{{
			Name: "stills", Line: 2, Conditions: Conditions{Label: Patterns{"SKUA_*"}},
			Folder: "{date}/{box}-{label}-{time}", Verify: "read-back", Checksum: "xxh128", Dirty: DirtyHold,
		}},
		Drives: []DriveRule{{
			Name: "bay", Line: 5, Conditions: Conditions{Slot: Patterns{"bay-*"}},
			ReserveBytes: 1e9, Enrol: "auto", ReadBack: "auto", WhenFull: "next", Role: "copies",
		}},
	}
	if diff := cmp.Diff(want, mustParse(t, minimal), sameZone); diff != "" {
		t.Errorf("policy differs (-want +got):\n%s", diff)
	}
}

var sameZone = cmp.Comparer(func(a, b *time.Location) bool { return a.String() == b.String() })

func TestParse_everyKey(t *testing.T) {
	t.Parallel()
	got := mustParse(t, `
status = { listen = "off", web_config = "/etc/bothy/web.yml" }
[box]
name = "skerry-2"
copies = 0x3
parallel = 4
timezone = "Atlantic/Faroe"
[patrol]
hours = 6
share = 25
after = "7d"
[[card]]
name = "a"
label = ["L*", "M*"]
uuid = "u"
serial = 's\*'
vendor = "v"
model = "m"
slot = "s"
fs = "exfat"
bus = "usb"
size = "4GB..1TiB"
udev = { ID_X = "1", "ID.Y" = ["2", "3"] }
holds = ["DCIM/*", "MISC"]
folder = "{date}/{time} {box} {label} {slot} {seq}"
verify = "read-back-twice"
checksum = "c4"
ignore = [".Trashes/", "!keep", '\#x']
[[card]]
name = "b"
[card.udev]
ID_Z = "?"
[[drive]]
name = "a"
path = "/mnt/nas"
reserve = "1.5 GB"
enrol = "ask"
read_back = "after"
when_full = "hold"
mirror = "since 14d"
mirror_folders = ["2026-*", "x"]
[[light]]
shows = "card"
slot = ["s*"]
led = "green:status"
colour = "green"
[power]
begin = 30
park = 8
`)
	want := &Policy{
		Box:    Box{Name: "skerry-2", Copies: 3, Parallel: 4, Timezone: "Atlantic/Faroe", Location: got.Box.Location},
		Status: StatusSettings{WebConfig: "/etc/bothy/web.yml"},
		Patrol: Patrol{Hours: 6, SharePercent: 25, After: 7 * 24 * time.Hour},
		Power:  Power{Begin: 30, Park: 8},
		Cards: []CardRule{{
			Name: "a", Line: 12,
			Conditions: Conditions{
				Label: Patterns{"L*", "M*"}, UUID: Patterns{"u"}, Serial: Patterns{`s\*`}, Vendor: Patterns{"v"},
				Model: Patterns{"m"}, Slot: Patterns{"s"}, FS: Patterns{"exfat"}, Bus: Patterns{"usb"},
				Size: SizeRange{MinBytes: 4e9, MaxBytes: 1 << 40, Text: "4GB..1TiB"},
				Udev: map[string]Patterns{"ID_X": {"1"}, "ID.Y": {"2", "3"}},
			},
			Holds: []string{"DCIM/*", "MISC"}, Folder: "{date}/{time} {box} {label} {slot} {seq}",
			Verify: "read-back-twice", Checksum: "c4", Dirty: DirtyHold, Ignore: []string{".Trashes/", "!keep", `\#x`},
		}, {
			Name: "b", Line: 29, Conditions: Conditions{Udev: map[string]Patterns{"ID_Z": {"?"}}},
			Folder: DefaultFolder, Verify: VerifyReadBack, Checksum: DefaultChecksum, Dirty: DirtyHold,
		}},
		Drives: []DriveRule{{Name: "a", Line: 33, Path: "/mnt/nas", ReserveBytes: 15e8, Enrol: "ask", ReadBack: "after", WhenFull: "hold", Role: "copies",
			Mirror: Mirror{Within: 14 * 24 * time.Hour, Folders: Patterns{"2026-*", "x"}, Text: "since 14d"}}},
		Lights: []LightRule{{Line: 42, Shows: "card", Slot: Patterns{"s*"}, LED: "green:status", Colour: "green"}},
	}
	if diff := cmp.Diff(want, got, sameZone, cmpopts.EquateEmpty()); diff != "" {
		t.Errorf("policy differs (-want +got):\n%s", diff)
	}
	// IANA tz database: Atlantic/Faroe keeps Western European Time, which is
	// UTC in winter and an hour ahead in summer.
	summer := time.Date(2026, 7, 1, 23, 30, 5, 0, time.UTC)
	if day, clock := got.Box.Day(summer), got.Box.Clock(summer); day != "2026-07-02" || clock != "003005" {
		t.Errorf("a summer night reads as %s %s, want 2026-07-02 003005", day, clock)
	}
	if day := (Box{}).Day(summer); day != "2026-07-01" {
		t.Errorf("without a zone the day is %s, want UTC's 2026-07-01", day)
	}
}

func TestParse_listenForms(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]string{
		"": "", "off": "", ":9810": ":9810", "0.0.0.0:0": "0.0.0.0:0", "[::1]:80": "[::1]:80", "box.local:65535": "box.local:65535",
	} {
		p := mustParse(t, minimal+"\n[status]\nlisten = \""+in+"\"\n")
		if p.Status.Listen != want {
			t.Errorf("listen = %q reads as %q, want %q", in, p.Status.Listen, want)
		}
	}
}

func TestParse_tooLarge(t *testing.T) {
	t.Parallel()
	data := make([]byte, maxFileBytes+1)
	for i := range data {
		data[i] = '\n'
	}
	if _, err := Parse("policy.toml", data); err == nil {
		t.Error("a file above the bound is read")
	}
	copy(data, minimal)
	if _, err := Parse("policy.toml", data[:maxFileBytes]); err != nil {
		t.Errorf("a file at the bound is refused: %v", err)
	}
}

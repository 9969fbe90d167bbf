package oracle

import (
	"fmt"
	"io/fs"
	"strings"
	"testing"
	"testing/fstest"
	"time"
)

var shot = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

func file(data string) *fstest.MapFile {
	return &fstest.MapFile{Data: []byte(data), Mode: 0o644, ModTime: shot}
}

// onCard are generated pictures.
func onCard() fstest.MapFS {
	return fstest.MapFS{"DCIM/SKUA0001.JPG": file("skua"), "DCIM/SKUA0002.JPG": file("petrel"), "EMPTY.TXT": file("")}
}

// drive makes a drive with one finished copy of the card, and something that was
// on it before.
func drive() fstest.MapFS {
	d := fstest.MapFS{"old/notes.txt": file("keep")}
	var hashes strings.Builder
	for name, f := range onCard() {
		d["day/skua-A003/"+name] = file(string(f.Data))
		fmt.Fprintf(&hashes, `<hash><path size="%d">%s</path><md5 action="original">%s</md5></hash>`, len(f.Data), name, md5Hex(f.Data))
	}
	manifest := `<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><hashes>` + hashes.String() + `</hashes></hashlist>`
	d["day/skua-A003/ascmhl/0001.mhl"] = file(manifest)
	d["day/skua-A003/ascmhl/ascmhl_chain.xml"] = file(`<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0"><hashlist sequencenr="1"><path>0001.mhl</path><c4>` +
		c4([]byte(manifest)) + `</c4></hashlist></ascmhldirectory>`)
	return d
}

func take(t *testing.T, fsys fs.FS) Tree {
	t.Helper()
	tree, err := Take(fsys)
	if err != nil {
		t.Fatal(err)
	}
	return tree
}

func TestViolations(t *testing.T) {
	t.Parallel()
	const copy = "day/skua-A003/"
	tests := map[string]struct {
		spoil func(j *Judge, a, b fstest.MapFS)
		want  string // part of a violation; empty for none
	}{
		"nothing is wrong": {func(*Judge, fstest.MapFS, fstest.MapFS) {}, ""},
		"one byte differs": {func(_ *Judge, a, _ fstest.MapFS) { a[copy+"DCIM/SKUA0001.JPG"] = file("skuA") }, "differs from the card"},
		"a file is short":  {func(_ *Judge, a, _ fstest.MapFS) { a[copy+"DCIM/SKUA0001.JPG"] = file("sku") }, "has 3 bytes, and 4 in"},
		"a file is missing": {func(_ *Judge, a, _ fstest.MapFS) { delete(a, copy+"EMPTY.TXT") },
			`released, and "EMPTY.TXT" stands on 1 disks of 2`},
		"a file is missing, and so is nothing from the manifest": {func(_ *Judge, a, _ fstest.MapFS) { delete(a, copy+"EMPTY.TXT") },
			"is in 0001.mhl and not there"},
		"a stranger's file":    {func(_ *Judge, a, _ fstest.MapFS) { a[copy+"DCIM/MORE.JPG"] = file("x") }, "is in no manifest"},
		"no chain":             {func(_ *Judge, a, _ fstest.MapFS) { delete(a, copy+"ascmhl/ascmhl_chain.xml") }, "chain cannot be read"},
		"another manifest":     {func(_ *Judge, a, _ fstest.MapFS) { a[copy+"ascmhl/0001.mhl"].Data = []byte("<hashlist/>") }, "not the one in the chain"},
		"no manifest":          {func(_ *Judge, a, _ fstest.MapFS) { delete(a, copy+"ascmhl/0001.mhl") }, "is missing"},
		"two of one disk":      {func(j *Judge, _, _ fstest.MapFS) { j.Drives[1].Disk = j.Drives[0].Disk }, "stands on 1 disks of 2"},
		"only unfinished":      {func(_ *Judge, _, b fstest.MapFS) { rename(b, copy, "day/skua-A003.unfinished/") }, "stands on 1 disks of 2"},
		"in a salvaged folder": {func(_ *Judge, _, b fstest.MapFS) { rename(b, copy, "day/skua-A003.incomplete/") }, ""},
		"in a salvaged folder, and other": {func(_ *Judge, _, b fstest.MapFS) {
			rename(b, copy, "day/skua-A003.incomplete/")
			b["day/skua-A003.incomplete/DCIM/SKUA0001.JPG"] = file("skuA")
		}, "stands on 1 disks of 2"},
		"an older file lost":   {func(_ *Judge, _, b fstest.MapFS) { delete(b, "old/notes.txt") }, `"old/notes.txt" is lost`},
		"an older file edited": {func(_ *Judge, _, b fstest.MapFS) { b["old/notes.txt"] = file("kept") }, `"old/notes.txt" has changed`},
		"an older file touched": {func(_ *Judge, _, b fstest.MapFS) {
			b["old/notes.txt"].ModTime = shot.Add(1)
		}, `"old/notes.txt" has changed`},
		"a card nobody knows": {func(j *Judge, _, _ fstest.MapFS) { j.Cards = map[string]Tree{"other": j.Cards["A003"]} }, "nobody knows such a card"},
		"an empty card":       {func(j *Judge, _, _ fstest.MapFS) { j.Cards["A003"] = Tree{} }, "it holds nothing"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			a, b := drive(), drive()
			before := take(t, fstest.MapFS{"old/notes.txt": file("keep")})
			j := Judge{Copies: 2, Cards: map[string]Tree{"A003": take(t, onCard())}, Drives: []Drive{
				{Name: "a", Disk: "sda", Before: before}, {Name: "b", Disk: "sdb", Before: before},
			}}
			tt.spoil(&j, a, b)
			j.Drives[0].Now, j.Drives[1].Now = take(t, a), take(t, b)
			got := strings.Join(j.Violations([]Claim{{Card: "A003", Released: true, When: "now"}}), "\n")
			if tt.want == "" && got != "" || !strings.Contains(got, tt.want) {
				t.Errorf("violations:\n%s\nwant %q among them", got, tt.want)
			}
		})
	}
}

// What was finished once stays so, and is judged again.
func TestViolations_laterLook(t *testing.T) {
	t.Parallel()
	d := drive()
	standing := take(t, d).Standing()
	if len(standing) == 0 || standing["old/notes.txt"].Data != nil {
		t.Fatalf("standing: %d entries", len(standing))
	}
	j := Judge{Copies: 1, Cards: map[string]Tree{"A003": take(t, onCard())}, Drives: []Drive{{Name: "a", Disk: "a", Now: take(t, d), Later: standing}}}
	claims := []Claim{{Card: "A003", Released: true}}
	if got := j.Violations(claims); len(got) > 0 {
		t.Errorf("violations: %q", got)
	}
	rename(d, "day/skua-A003/", "day/skua-A003.unfinished/")
	j.Drives[0].Now = take(t, d)
	if got := strings.Join(j.Violations(claims), "\n"); !strings.Contains(got, "is lost") {
		t.Errorf("violations: %q", got)
	}
}

// A claim to hold is never wrong.
func TestViolations_hold(t *testing.T) {
	t.Parallel()
	j := Judge{Copies: 2, Cards: map[string]Tree{"A003": take(t, onCard())}, Drives: []Drive{{Name: "a", Disk: "sda", Now: Tree{}}}}
	if got := j.Violations([]Claim{{Card: "A003"}}); len(got) > 0 {
		t.Errorf("violations: %q", got)
	}
}

func TestDifferences(t *testing.T) {
	t.Parallel()
	const name = "DCIM/SKUA0001.JPG"
	tests := map[string]func(fstest.MapFS){
		"is new":             func(m fstest.MapFS) { m["NEW"] = file("") },
		"is gone":            func(m fstest.MapFS) { delete(m, name) },
		"holds other bytes":  func(m fstest.MapFS) { m[name] = file("tern") },
		"and was -rw-r--r--": func(m fstest.MapFS) { m[name].Mode = 0o600 },
		"has another time":   func(m fstest.MapFS) { m[name].ModTime = shot.Add(time.Nanosecond) },
	}
	for want, spoil := range tests {
		now := onCard()
		spoil(now)
		if got := take(t, now).Differences(take(t, onCard())); len(got) != 1 || !strings.Contains(got[0], want) {
			t.Errorf("%s: %q", want, got)
		}
	}
	if got := take(t, onCard()).Differences(take(t, onCard())); len(got) > 0 {
		t.Errorf("of the same: %q", got)
	}
}

// A history may grow by manifests; one that it had is never exchanged.
func TestViolations_historyThatGrows(t *testing.T) {
	t.Parallel()
	chainOf := func(c4s ...string) string {
		text := "<ascmhldirectory>"
		for i, c := range c4s {
			text += fmt.Sprintf(`<hashlist sequencenr="%d"><path>%04d.mhl</path><c4>%s</c4></hashlist>`, i+1, i+1, c)
		}
		return text + "</ascmhldirectory>"
	}
	const name = "2026-11-25/A/ascmhl/ascmhl_chain.xml"
	for _, tt := range []struct {
		name, was, is string
		wrong         bool
	}{
		{name, chainOf("c4a"), chainOf("c4a", "c4b"), false},
		{name, chainOf("c4a"), chainOf("c4b", "c4a"), true},
		{name, chainOf("c4a", "c4b"), chainOf("c4a"), true},
		{name, chainOf("c4a"), "", true},
		{name, "mine", chainOf("c4a"), true},
		{"2026-11-25/A/ascmhl_chain.xml", chainOf("c4a"), chainOf("c4a", "c4b"), true},
	} {
		d := Drive{Name: "a", Before: take(t, fstest.MapFS{tt.name: file(tt.was)}), Now: take(t, fstest.MapFS{tt.name: file(tt.is)})}
		if got := d.lost(); (len(got) > 0) != tt.wrong {
			t.Errorf("%s: %q becomes %q: %q", tt.name, tt.was, tt.is, got)
		}
	}
}

// A box renews its own report of a day; another box's, and whatever else stands
// there, it leaves.
func TestViolations_reports(t *testing.T) {
	t.Parallel()
	page := func(box, text string) string {
		return "<!DOCTYPE html>\n<!-- bothy report of box " + box + " -->\n" + text
	}
	table := func(box, text string) string { return "bothy_report_of_box,day\r\n" + box + ",2026-11-25\r\n" + text }
	for _, tt := range []struct {
		name, was, is string
		wrong         bool
	}{
		{"reports/d.html", page("aaaa", "old"), page("aaaa", "new"), false},
		{"reports/d.csv", table("aaaa", "old"), table("aaaa", "new"), false},
		{"reports/d.html", page("aaaa", "old"), page("bbbb", "new"), true},
		{"reports/d.csv", table("aaaa", "old"), table("bbbb", "new"), true},
		{"reports/d.html", "mine", page("aaaa", "new"), true},
		{"reports/d.csv", "a\nb\nc", "a\nb\nd", true},
		{"reports/d.html", page("aaaa", "old"), "", true},
		{"notes/d.html", page("aaaa", "old"), page("aaaa", "new"), true},
	} {
		d := Drive{Name: "a", Before: take(t, fstest.MapFS{tt.name: file(tt.was)}), Now: take(t, fstest.MapFS{tt.name: file(tt.is)})}
		if got := d.lost(); (len(got) > 0) != tt.wrong {
			t.Errorf("%s: %q becomes %q: %q", tt.name, tt.was, tt.is, got)
		}
	}
}

// The empty input's C4 stands in SMPTE ST 2114's reference implementation.
func TestC4(t *testing.T) {
	t.Parallel()
	const want = "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT"
	if got := c4(nil); got != want {
		t.Errorf("C4 of nothing is %s", got)
	}
}

func rename(m fstest.MapFS, from, to string) {
	for name, f := range m {
		if rest, ok := strings.CutPrefix(name, from); ok {
			m[to+rest] = f
			delete(m, name)
		}
	}
}

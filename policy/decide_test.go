package policy

import (
	"io/fs"
	"os"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
)

// survey is the policy of most tests here.
const survey = `
[[card]]
name = "stills"
label = ["SKUA_*", "FULMAR_*"]
size = "4GB..1TB"
holds = ["DCIM/*"]
[[card]]
name = "recorder"
fs = "vfat"
udev = { ID_DRIVE_FLASH_SD = "1" }
[[card]]
name = "reader"
slot = "pci-usb-0:2:*"
[[drive]]
name = "bay"
slot = "pci-usb-0:[1-2]:*"
fs = "ext4"
[[drive]]
name = "station"
path = "/mnt/station"
[[drive]]
name = "model"
vendor = "Lee Shore"
`

func dcim() fs.FS { return fstest.MapFS{"DCIM/100SKUAS/SKUA0001.JPG": {}} }

var decisions = map[string]struct {
	facts    Facts
	outcome  Outcome
	rule     string
	sentence string
}{
	"card, not listed": {
		Facts{Label: "SKUA_A003", SizeBytes: 64e9, FS: "exfat", HasFileSystem: true},
		OutcomeNeedsTree, "stills",
		`card rule "stills" may take it: label "SKUA_A003" matches "SKUA_*", size 64.0 GB is within "4GB..1TB", what it holds is not known yet`,
	},
	"card, listed": {
		Facts{Label: "FULMAR_B", SizeBytes: 64e9, FS: "exfat", HasFileSystem: true, Tree: dcim()},
		OutcomeCard, "stills",
		`taken as a card by rule "stills": label "FULMAR_B" matches "FULMAR_*", size 64.0 GB is within "4GB..1TB", it holds "DCIM/*"`,
	},
	"card, empty": {
		Facts{Label: "SKUA_A003", SizeBytes: 64e9, HasFileSystem: true, Tree: fstest.MapFS{}},
		OutcomeLeftAlone, "", `left alone: no rule takes the medium labelled "SKUA_A003"`,
	},
	"card by property": {
		Facts{SizeBytes: 8e9, FS: "vfat", HasFileSystem: true, Properties: map[string]string{"ID_DRIVE_FLASH_SD": "1"}},
		OutcomeCard, "recorder", `taken as a card by rule "recorder": fs "vfat" matches "vfat", ID_DRIVE_FLASH_SD "1" matches "1"`,
	},
	"card without file system": {
		Facts{SizeBytes: 8e9, Slot: "pci-usb-0:2:1"},
		OutcomeCard, "reader", `taken as a card by rule "reader": slot "pci-usb-0:2:1" matches "pci-usb-0:2:*"; no file system is known on it`,
	},
	"drive": {
		Facts{SizeBytes: 2e12, Slot: "pci-usb-0:1:1", FS: "ext4", HasFileSystem: true},
		OutcomeDrive, "bay", `taken as a drive by rule "bay": slot "pci-usb-0:1:1" matches "pci-usb-0:[1-2]:*", fs "ext4" matches "ext4"`,
	},
	"drive, read-only": {
		Facts{SizeBytes: 2e12, Vendor: "Lee Shore", FS: "ext4", HasFileSystem: true, ReadOnly: true},
		OutcomeDrive, "model", `taken as a drive by rule "model": vendor "Lee Shore" matches "Lee Shore"; it can only be read at the moment`,
	},
	"folder": {
		Facts{Path: "/mnt/station/"}, // a trailing slash changes nothing
		OutcomeDrive, "station", `taken as a drive by rule "station": path is "/mnt/station"`,
	},
	"other folder": {
		Facts{Path: "/mnt/other", Slot: "pci-usb-0:2:1", FS: "ext4", Vendor: "Lee Shore"}, // device facts of a folder count for nothing
		OutcomeLeftAlone, "", `left alone: no rule takes the folder "/mnt/other"`,
	},
	"both kinds": {
		Facts{SizeBytes: 2e12, Slot: "pci-usb-0:2:1", FS: "ext4", HasFileSystem: true},
		OutcomeLeftAlone, "", `left alone: card rule "reader" and drive rule "bay" both take it, and a card must never be written`,
	},
	"maybe both, not listed": {
		Facts{Label: "SKUA_A", SizeBytes: 64e9, Slot: "pci-usb-0:1:1", FS: "ext4", HasFileSystem: true},
		OutcomeNeedsTree, "stills",
		`card rule "stills" may take it: label "SKUA_A" matches "SKUA_*", size 64.0 GB is within "4GB..1TB", what it holds is not known yet`,
	},
	"maybe both, listing fails": {
		Facts{Label: "SKUA_A", SizeBytes: 64e9, Slot: "pci-usb-0:1:1", FS: "ext4", HasFileSystem: true, Tree: brokenFS{}},
		OutcomeLeftAlone, "",
		`left alone: drive rule "bay" takes it, but it may be a card of rule "stills": "DCIM/*" was not found: the card could not be listed: "open .: input/output error"`,
	},
	"listing fails": {
		Facts{Label: "SKUA_A", SizeBytes: 64e9, HasFileSystem: true, Tree: brokenFS{}},
		OutcomeLeftAlone, "",
		`left alone: no rule takes the medium labelled "SKUA_A"; rule "stills" is unclear: "DCIM/*" was not found: the card could not be listed: "open .: input/output error"`,
	},
	"running system": {
		Facts{Label: "SKUA_A", SizeBytes: 64e9, Tree: dcim(), HasFileSystem: true, RunningSystem: true},
		OutcomeLeftAlone, "", `left alone whatever the rules say: it belongs to the running system`,
	},
	"running system, folder": {
		Facts{Path: "/mnt/station", RunningSystem: true},
		OutcomeLeftAlone, "", `left alone whatever the rules say: it belongs to the running system`,
	},
	"whole disk with partitions": {
		Facts{SizeBytes: 64e9, Slot: "pci-usb-0:2:1", HasPartitions: true},
		OutcomeLeftAlone, "", `left alone as a whole disk: its partitions are looked at one by one`,
	},
	"empty slot": {
		Facts{Slot: "pci-usb-0:2:1", Removable: true},
		OutcomeLeftAlone, "", `left alone: the slot is empty`,
	},
	"unknown stick": {
		Facts{SizeBytes: 8e9, Slot: "pci-usb-0:7:1", FS: "vfat", HasFileSystem: true, Removable: true},
		OutcomeLeftAlone, "", `left alone: no rule takes this removable medium without a label`,
	},
	"hostile label": {
		Facts{Label: "<b>\x1b[31m\n\u202e", SizeBytes: 8e9, HasFileSystem: true},
		OutcomeLeftAlone, "", `left alone: no rule takes the medium labelled "<b>\x1b[31m\n\u202e"`,
	},
}

func TestDecide(t *testing.T) {
	t.Parallel()
	p := mustParse(t, survey)
	for name, test := range decisions {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := p.Decide(test.facts)
			if got.Outcome != test.outcome || got.Rule != test.rule {
				t.Errorf("got %s by %q, want %s by %q", got.Outcome, got.Rule, test.outcome, test.rule)
			}
			if diff := cmp.Diff(test.sentence, got.Sentence); diff != "" {
				t.Errorf("sentence differs (-want +got):\n%s", diff)
			}
			checkDecision(t, p, test.facts, got)
		})
	}
}

// checkDecision holds what is promised of every decision.
func checkDecision(t testing.TB, p *Policy, f Facts, d Decision) {
	t.Helper()
	if (d.Card != nil) != (d.Outcome == OutcomeCard) || (d.Drive != nil) != (d.Outcome == OutcomeDrive) {
		t.Errorf("outcome %s comes with card %v and drive %v", d.Outcome, d.Card, d.Drive)
	}
	if d.Card != nil && d.Card.Name != d.Rule || d.Drive != nil && d.Drive.Name != d.Rule || (d.Rule == "") != (d.Outcome == OutcomeLeftAlone) {
		t.Errorf("outcome %s names rule %q", d.Outcome, d.Rule)
	}
	if f.RunningSystem && d.Outcome != OutcomeLeftAlone {
		t.Errorf("the running system's disk is %s", d.Outcome)
	}
	if f.Path != "" && (d.Outcome == OutcomeCard || d.Outcome == OutcomeNeedsTree) {
		t.Errorf("a folder is %s", d.Outcome)
	}
	if f.Tree != nil && d.Outcome == OutcomeNeedsTree {
		t.Error("needs a tree that it has")
	}
	matched := map[string]int{}
	for _, step := range d.Trace {
		if step.Why == "" || !printable(step.Why) {
			t.Errorf("rule %q says %q", step.Rule, step.Why)
		}
		if step.Matched != (step.Answer == "yes") || step.Answer == "" {
			t.Errorf("rule %q matched %v and says %q", step.Rule, step.Matched, step.Answer)
		}
		if step.Matched {
			matched[step.Kind]++
		}
	}
	if len(d.Trace) != 0 && len(d.Trace) != len(p.Cards)+len(p.Drives) || matched["card"] > 1 || matched["drive"] > 1 {
		t.Errorf("trace of %d steps, matches %v", len(d.Trace), matched)
	}
	if d.Outcome == OutcomeCard && matched["drive"] != 0 || d.Outcome == OutcomeDrive && matched["card"] != 0 {
		t.Errorf("both kinds match and the outcome is %s", d.Outcome)
	}
	if d.Sentence == "" || !printable(d.Sentence) {
		t.Errorf("sentence %q", d.Sentence)
	}
}

func printable(s string) bool {
	for _, r := range s {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r == '\u202e' {
			return false
		}
	}
	return true
}

func TestDecide_nilPolicy(t *testing.T) {
	t.Parallel()
	var p *Policy
	if d := p.Decide(Facts{Label: "SKUA_A", SizeBytes: 1}); d.Outcome != OutcomeLeftAlone || d.Sentence == "" {
		t.Errorf("got %+v", d)
	}
}

// TestDecide_rulesWithoutConditions: such rules do not come out of Parse, and
// take nothing if somebody makes them.
func TestDecide_rulesWithoutConditions(t *testing.T) {
	t.Parallel()
	p := &Policy{Cards: []CardRule{{Name: "c"}}, Drives: []DriveRule{{Name: "d"}}}
	if d := p.Decide(Facts{Label: "X", SizeBytes: 1, HasFileSystem: true}); d.Outcome != OutcomeLeftAlone {
		t.Errorf("got %s", d.Explain())
	}
}

// TestExplain_golden keeps what `bothy explain` prints.
func TestExplain_golden(t *testing.T) {
	t.Parallel()
	p := mustParse(t, survey)
	var got []byte
	for _, name := range []string{"unknown stick", "card, listed", "card, not listed", "both kinds", "folder", "drive", "empty slot"} {
		got = append(got, "# "+name+"\n"+p.Decide(decisions[name].facts).Explain()+"\n"...)
	}
	lower := Facts{Label: "skua_a", SizeBytes: 1e9, FS: "ext4", HasFileSystem: true}
	got = append(got, "# wrong case\n"+p.Decide(lower).Explain()+"\n"...)
	small := Facts{Label: "SKUA_A", SizeBytes: 3_999_999_999, FS: "ext4", HasFileSystem: true}
	got = append(got, "# a little too small\n"+p.Decide(small).Explain()...)
	const golden = "testdata/explain.golden"
	if *update {
		if err := os.WriteFile(golden, got, 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(golden)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(string(want), string(got)); diff != "" {
		t.Errorf("explanation differs (-want +got):\n%s", diff)
	}
}

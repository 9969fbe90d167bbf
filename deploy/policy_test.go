package deploy_test

import (
	"os"
	"strings"
	"testing"

	"bothy/policy"
)

// TestSamplePolicy_parses keeps the policy that ships, and what is commented
// out in it, valid.
func TestSamplePolicy_parses(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("policy.toml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := policy.Parse("policy.toml", data)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Cards) != 3 || len(p.Drives) != 1 || len(p.Lights) != 4 || p.Box.Copies != 2 {
		t.Errorf("got %d card, %d drive, %d light rules, %d copies; want 3, 1, 4, 2",
			len(p.Cards), len(p.Drives), len(p.Lights), p.Box.Copies)
	}
	uncommented := strings.NewReplacer("#[[", "[[", "#name", "name", "#path", "path",
		"#label", "label", "#role", "role", "#select", "select", "#counts", "counts").Replace(string(data))
	p, err = policy.Parse("policy.toml", []byte(uncommented))
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Drives) != 3 || !p.Drives[0].Shuttle() || p.Drives[0].Select == nil || p.Drives[2].Path != "/mnt/station" {
		t.Errorf("the commented drive rules read as %+v", p.Drives)
	}
}

// TestSamplePolicy_takesWhatItSays runs the sample over invented media.
func TestSamplePolicy_takesWhatItSays(t *testing.T) {
	t.Parallel()
	data, err := os.ReadFile("policy.toml")
	if err != nil {
		t.Fatal(err)
	}
	p, err := policy.Parse("policy.toml", data)
	if err != nil {
		t.Fatal(err)
	}
	sd := map[string]string{"ID_DRIVE_FLASH_SD": "1"}
	for name, test := range map[string]struct {
		facts   policy.Facts
		outcome policy.Outcome
		rule    string
	}{
		"labelled card":    {policy.Facts{Label: "SKUA_A003", SizeBytes: 64e9, FS: "exfat"}, policy.OutcomeNeedsTree, "stills"},
		"recorder card":    {policy.Facts{SizeBytes: 32e9, FS: "vfat", Properties: sd}, policy.OutcomeNeedsTree, "nest-recorder"},
		"card in reader":   {policy.Facts{SizeBytes: 512e9, FS: "exfat", Slot: "platform-soc-usb-0:2.1:1.0-scsi-0:0:0:0"}, policy.OutcomeCard, "reader"},
		"drive in bay":     {policy.Facts{SizeBytes: 2e12, FS: "ext4", Slot: "platform-soc-usb-0:1.3:1.0-scsi-0:0:0:0"}, policy.OutcomeDrive, "bay"},
		"thumb drive":      {policy.Facts{SizeBytes: 8e9, FS: "vfat", Slot: "platform-soc-usb-0:1.3:1.0-scsi-0:0:0:0"}, policy.OutcomeLeftAlone, ""},
		"system disk":      {policy.Facts{SizeBytes: 2e12, FS: "ext4", Slot: "platform-soc-usb-0:1.3:1.0", RunningSystem: true}, policy.OutcomeLeftAlone, ""},
		"stranger's stick": {policy.Facts{Label: "HOLIDAY", SizeBytes: 64e9, FS: "exfat", Slot: "pci-usb-0:4"}, policy.OutcomeLeftAlone, ""},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got := p.Decide(test.facts)
			if got.Outcome != test.outcome || got.Rule != test.rule {
				t.Errorf("got %s by %q, want %s by %q\n%s", got.Outcome, got.Rule, test.outcome, test.rule, got.Explain())
			}
		})
	}
}

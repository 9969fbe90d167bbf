package policy

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"testing/fstest"
)

func FuzzParse(f *testing.F) {
	f.Add([]byte(minimal))
	f.Add([]byte(survey))
	if sample, err := os.ReadFile("../deploy/policy.toml"); err == nil {
		f.Add(sample)
	}
	files, err := filepath.Glob("testdata/wrong/*.toml")
	if err != nil || len(files) == 0 {
		f.Fatalf("no seeds: %v", err)
	}
	for _, file := range files {
		data, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		p, err := Parse("policy.toml", data)
		if err != nil {
			if p != nil && !errors.Is(err, ErrNoRules) {
				t.Error("a policy comes with an error")
			}
			checkErrors(t, data, err)
			return
		}
		if len(p.Cards) == 0 || len(p.Drives) == 0 || p.Box.Location == nil || p.Box.Copies < 1 || p.Box.Copies > MaxCopies {
			t.Errorf("a policy with a hole: %+v", p)
		}
		for i := range p.Cards {
			if _, err := p.Cards[i].FolderName(FolderFacts{Label: string(data[:min(len(data), 300)])}); err != nil {
				t.Errorf("a template that was accepted: %v", err)
			}
		}
		facts := Facts{Label: "SKUA_A", Slot: "bay-1", SizeBytes: 64e9, Tree: fstest.MapFS{"DCIM/x": {}}}
		checkDecision(t, p, facts, p.Decide(facts))
	})
}

func FuzzDecide(f *testing.F) {
	f.Add("SKUA_*", "SKUA_A", "pci-usb-0:1:1", "DCIM/x", "exfat", int64(64e9), "", false)
	f.Add("<*>", "<b>\x1b[0m</b>", "\x00", "..", "", int64(0), "", true)
	f.Add("*", "\u202e\xff", "", "", "vfat", int64(-1), "/mnt/station", false)
	f.Fuzz(func(t *testing.T, glob, label, slot, name, fsType string, size int64, folder string, system bool) {
		text := minimal + "[[card]]\nname = \"fuzzed\"\nholds = [\"dcim/*\"]\nlabel = " + strconv.Quote(glob) + "\n"
		p, err := Parse("policy.toml", []byte(text))
		if err != nil {
			p = mustParse(t, survey)
		}
		facts := Facts{
			Label: label, Slot: slot, Serial: name, FS: fsType, SizeBytes: size, Path: folder, RunningSystem: system,
			Properties: map[string]string{"ID_DRIVE_FLASH_SD": label},
		}
		checkDecision(t, p, facts, p.Decide(facts))
		facts.Tree = fstest.MapFS{name: {}, "DCIM": {}}
		checkDecision(t, p, facts, p.Decide(facts))
		facts.Tree = brokenFS{}
		checkDecision(t, p, facts, p.Decide(facts))
	})
}

package policy

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"testing/fstest"

	"bothy/testdata/mutants"
)

// fuzzedPolicies are the seeds: sound ones, the sample that is installed, and every
// mistake that has a test.
func fuzzedPolicies(t testing.TB) (seeds []mutants.Seed) {
	t.Helper()
	files, err := filepath.Glob("testdata/wrong/*.toml")
	if err != nil || len(files) == 0 {
		t.Fatalf("no seeds: %v", err)
	}
	seeds = []mutants.Seed{{minimal}, {survey}}
	for _, file := range append(files, "../deploy/policy.toml") {
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		seeds = append(seeds, mutants.Seed{string(data)})
	}
	return seeds
}

// checkParsed: a policy, sound in all its parts and able to decide, or errors that
// name places in the file.
func checkParsed(t testing.TB, data []byte) (taken bool) {
	p, err := Parse("policy.toml", data)
	if err != nil {
		if p != nil && !errors.Is(err, ErrNoRules) {
			t.Error("a policy comes with an error")
		}
		checkErrors(t, data, err)
		return false
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
	return true
}

func FuzzParse(f *testing.F) {
	for _, seed := range fuzzedPolicies(f) {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkParsed(t, data) })
}

func TestParse_mutants(t *testing.T) {
	mutants.Try(t, "FuzzParse", fuzzedPolicies(t), func(t testing.TB, input [][]byte) bool { return checkParsed(t, input[0]) })
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

package main

import (
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// Imports run down the table of DEVELOPERS.md and never up: a package may import
// those of this program that stand here beside it, and no others.
var mayImport = map[string][]string{
	"udev": {}, "policy": {}, "metrics": {},
	"daemon/state": {}, "daemon/identity": {}, "daemon/health": {}, "daemon/supply": {}, "daemon/checksum": {}, "daemon/mhl": {"daemon/checksum"}, "daemon/volume": {}, "daemon/ledger": {}, "daemon/diagnose": {},
	"daemon/pace": {"daemon/state"}, "daemon/light": {"daemon/state"}, "daemon/report": {"daemon/state"}, "daemon/status": {"daemon/report", "daemon/state"},
	"daemon/offload": {"daemon/checksum", "daemon/mhl", "daemon/state", "daemon/volume"},
	"daemon": {
		"daemon/checksum", "daemon/health", "daemon/identity", "daemon/ledger", "daemon/light", "daemon/mhl", "daemon/offload", "daemon/pace", "daemon/report", "daemon/state", "daemon/status", "daemon/supply",
		"daemon/volume", "metrics", "policy", "udev",
	},
	"daemon/bothy": nil, // everything
}

// What is asked is the go command, which knows what it builds.
func TestImports_runDown(t *testing.T) {
	t.Parallel()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-f", "{{.ImportPath}}:{{join .Imports \" \"}}", "bothy/daemon/...", "bothy/udev", "bothy/policy", "bothy/metrics")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	seen := 0
	for line := range strings.Lines(string(out)) {
		path, imports, _ := strings.Cut(strings.TrimSpace(line), ":")
		name := strings.TrimPrefix(path, "bothy/")
		allowed, known := mayImport[name]
		if !known {
			t.Errorf("%s stands in no row of the table", name)
			continue
		}
		seen++
		for _, i := range strings.Fields(imports) {
			ours, ok := strings.CutPrefix(i, "bothy/")
			if ok && name != "daemon/bothy" && !slices.Contains(allowed, ours) {
				t.Errorf("%s imports %s", name, ours)
			}
		}
	}
	if seen != len(mayImport) {
		t.Errorf("%d packages were looked at, %d are in the table", seen, len(mayImport))
	}
}

package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"bothy/daemon/volume"
)

// The disk below the running system's root is never a candidate, not even for a
// policy that would take everything.
func TestExplain_leaves_the_system_disk_alone(t *testing.T) {
	t.Parallel()
	disks, err := volume.Disks("/")
	if err != nil {
		t.Fatal(err)
	}
	if len(disks) == 0 || !volume.IsDisk(disks[0]) {
		if os.Getenv("CI") == "true" {
			t.Fatalf("the root file system lies on %q: no disk to ask about", disks)
		}
		t.Skipf("left out: the root file system lies on %q, which is no disk of this machine", disks)
	}
	policy := filepath.Join(t.TempDir(), "greedy.toml")
	greedy := "[[card]]\nname = \"all\"\nsize = \"1B..\"\n[[drive]]\nname = \"none\"\nlabel = \"no such label\"\n"
	if err := os.WriteFile(policy, []byte(greedy), 0o644); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	code := execute(context.Background(), []string{"explain", disks[0], "--policy", policy}, console{out: &out, err: &errs})
	if code != exitDone || !strings.Contains(out.String(), "belongs to the running system") {
		t.Errorf("exit code %d\n%s%s", code, out.String(), errs.String())
	}
}

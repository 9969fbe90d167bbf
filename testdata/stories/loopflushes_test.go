package stories

import (
	"encoding/json"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"bothy/testdata/oracle"
	"bothy/testdata/testbed"
)

// The same as everyFlush for what this host's kernel mounts, without a guest and
// so in seconds: the engine by hand on two loop devices, and the power failing
// behind every flush, before and after the command has said that both copies are
// proven.
func TestStory_everyFlushOnLoopDevices(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("left out: needs root for loop devices")
	}
	for _, pair := range [][2]testbed.FS{{testbed.Ext4, testbed.XFS}, {testbed.Btrfs, testbed.Ext4}} {
		t.Run(string(pair[0])+" and "+string(pair[1]), func(t *testing.T) {
			c := loopChain(t, pair)
			for _, id := range []string{driveA, driveB} {
				c.everyFlush(id)
			}
		})
	}
}

// loopChain is one offload by hand, recorded.
func loopChain(t *testing.T, pair [2]testbed.FS) *chain {
	t.Helper()
	tree, foreign := NewTree(t, "loop", 12, 2, 1), Tree{t.TempDir()}
	foreign.Add(t, "2026-05-01/terns/SHOT0001.RAW", "foreign", 150_000)
	card, err := oracle.Take(os.DirFS(tree.dir))
	if err != nil {
		t.Fatal(err)
	}
	c := &chain{
		t: t, rig: &cutRig{tree: card, before: map[string]oracle.Tree{}}, dir: t.TempDir(),
		fs: map[string]testbed.FS{driveA: pair[0], driveB: pair[1]}, first: map[string]string{}, logs: map[string]string{},
	}
	args := []string{"copy", tree.dir, "--checksum", "md5", "--json"}
	watches := map[string]*testbed.LogWatch{}
	var detach []func()
	for _, id := range []string{driveA, driveB} {
		first := testbed.MakeImage(t, c.fs[id], c.fs[id].SmallestBytes()+16*testbed.MiB, driveName(id), foreign.dir)
		c.first[id], c.logs[id] = first, filepath.Join(c.dir, id+".log")
		c.rig.before[first] = contents(t, c.fs[id], first)
		work, at := filepath.Join(c.dir, id+".img"), t.TempDir()
		shell(t, `cp --sparse=always "$0" "$1"`, first, work)
		node, end := testbed.LoopDisk(t, work, c.logs[id])
		shell(t, `mount "$0" "$1"`, node, at)
		detach = append(detach, func() { shell(t, `umount "$0"`, at) }, end)
		if watches[id], err = testbed.WatchLog(c.logs[id]); err != nil {
			t.Fatal(err)
		}
		defer watches[id].Close()
		args = append(args, "--to", at)
	}
	out, err := exec.Command(daemonBinary(t), args...).Output()
	entries := map[string]int{}
	for id, w := range watches {
		entries[id] = w.Entries()
	}
	for _, end := range detach {
		end()
	}
	var said struct{ Verdict string }
	if jsonErr := json.Unmarshal(out, &said); err != nil || jsonErr != nil || said.Verdict != "release" {
		t.Fatalf("copy: %v, %v: %s", err, jsonErr, out)
	}
	c.said = []Said{{Window: "the command", Card: cardLabel, When: "at its end", Entries: maps.Clone(entries)}}
	return c
}

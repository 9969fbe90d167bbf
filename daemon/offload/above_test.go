package offload

import (
	"context"
	"errors"
	"os"
	"path"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// Another file system is mounted where the day's folder is: what is written there
// would be on another disk than the one that is counted. It is refused before
// the first byte, and the other drive goes on.
func TestRun_anotherMountAboveTheCopy(t *testing.T) {
	t.Parallel()
	if os.Geteuid() != 0 {
		t.Skip("left out: mounting needs root")
	}
	g := newRig(t, memoryDir(t), tree{"a": file1(noise(1, 5000))}, 2)
	at := g.on(1, path.Dir(testFolder))
	if err := unix.Mount("none", at, "tmpfs", 0, ""); err != nil {
		t.Fatal(err)
	}
	mounted := true
	unmount := func() {
		if mounted {
			mounted = false
			if err := unix.Unmount(at, unix.MNT_DETACH); err != nil {
				t.Error(err)
			}
		}
	}
	t.Cleanup(unmount)
	res := Run(context.Background(), g.job)
	entries, err := os.ReadDir(at)
	if err != nil || len(entries) > 0 {
		t.Errorf("on the other file system stand %v, %v", entries, err)
	}
	unmount()
	g.audit(t, res)
	mustProve(t, res, 0)
	c := res.Copies[1]
	if c.Phase != state.CopyRefused || !errors.Is(c.Err, volume.ErrElsewhere) || !strings.Contains(c.Err.Error(), path.Dir(testFolder)) {
		t.Errorf("the copy is %s: %v", c.Phase, c.Err)
	}
}

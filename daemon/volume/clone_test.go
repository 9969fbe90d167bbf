package volume

import (
	"context"
	"os"
	"path/filepath"
	"testing"
)

// A drive and its image, bit for bit, with one UUID, on two disks at once: what is
// mounted from either is its own, or it is refused. Nothing that is written to one
// is ever seen on the other, so no copy can look like two.
func TestClone_onLoopDevices(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		image := fs.image(t)
		data, err := os.ReadFile(image)
		if err != nil {
			t.Fatal(err)
		}
		twin := filepath.Join(t.TempDir(), "twin")
		if err := os.WriteFile(twin, data, 0o600); err != nil {
			t.Fatal(err)
		}
		nodes := map[string]string{"drive": loop(t, image), "image": loop(t, twin)}
		own := func(m *Mount, which string) {
			t.Helper()
			for other := range nodes {
				_, err := os.Stat(filepath.Join(m.Path, "of the "+other))
				if there := err == nil; there && other != which {
					t.Errorf("on the %s there is what was written to the %s", which, other)
				} else if !there && other == which {
					t.Errorf("the %s lacks what was written to it: %v", which, err)
				}
			}
		}
		for _, first := range []string{"drive", "image", "drive"} {
			second := map[string]string{"drive": "image", "image": "drive"}[first]
			m := mountDrive(t, nodes[first], fs.name)
			writeSynced(t, filepath.Join(m.Path, "of the "+first), patterned(10_000))
			both, err := mounter(t).Drive(context.Background(), nodes[second], fs.name, false)
			if err == nil {
				writeSynced(t, filepath.Join(both.Path, "of the "+second), patterned(10_000))
				own(both, second)
				own(m, first)
				unmount(t, both)
			} else {
				t.Logf("with the %s mounted the %s is refused: %v", first, second, err)
			}
			own(m, first)
			unmount(t, m)
			m = mountDrive(t, nodes[second], fs.name)
			writeSynced(t, filepath.Join(m.Path, "of the "+second), patterned(10_000))
			own(m, second)
			unmount(t, m)
		}
	})
}

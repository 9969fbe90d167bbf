package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"bothy/daemon/offload"
	"bothy/udev"
)

// sysfs says of an invented disk what the kernel says of a real one, by the
// layout of Documentation/ABI/testing/sysfs-block.
type sysfs struct{ root string }

func (s sysfs) say(t *testing.T, seq, sectors int) {
	t.Helper()
	dir := filepath.Join(s.root, "devices/invented/block/sdx")
	for name, value := range map[string]string{"diskseq": strconv.Itoa(seq), "size": strconv.Itoa(sectors)} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(dir, name), []byte(value+"\n"), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	class := filepath.Join(s.root, "class/block")
	if err := os.MkdirAll(class, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../../devices/invented/block/sdx", filepath.Join(class, "sdx")); err != nil && !errors.Is(err, os.ErrExist) {
		t.Fatal(err)
	}
}

// A medium is the one that was mounted for as long as its insertion has the
// same number: not a lower one and not a higher one, and never an empty reader.
func TestMedium_Check(t *testing.T) {
	t.Parallel()
	s := sysfs{t.TempDir()}
	m := &medium{tree: udev.Tree{Sys: s.root}, disk: "sdx", node: "/invented/sdx", seq: 7}
	for _, tc := range []struct {
		what         string
		seq, sectors int
		want         error
	}{
		{"as it was", 7, 64, nil},
		{"another card", 8, 64, offload.ErrCardChanged},
		{"an older number", 6, 64, offload.ErrCardChanged},
		{"empty reader", 7, 0, offload.ErrCardGone},
		{"emptied and counted on", 8, 0, offload.ErrCardGone},
	} {
		s.say(t, tc.seq, tc.sectors)
		if err := m.Check(); !errors.Is(err, tc.want) || tc.want == nil && err != nil {
			t.Errorf("%s: %v", tc.what, err)
		}
	}
	if err := os.Remove(filepath.Join(s.root, "class/block/sdx")); err != nil {
		t.Fatal(err)
	}
	if err := m.Check(); !errors.Is(err, offload.ErrCardGone) {
		t.Errorf("the disk is gone: %v", err)
	}
}

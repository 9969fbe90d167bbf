package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"syscall"
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
	m.ask = func(string) (uint64, int64, error) { return 8, 32768, nil }
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

// A card that is pulled has a new number for a moment, and still its size. What
// the device says then tells that from another card: an offload whose card was
// only pulled goes on when it comes again.
func TestMedium_pulledNotSwapped(t *testing.T) {
	t.Parallel()
	s := sysfs{t.TempDir()}
	s.say(t, 8, 64)
	for what, tc := range map[string]struct {
		seq  uint64
		size int64
		err  error
		want error
	}{
		"the hub lost its power": {err: &os.PathError{Op: "open", Path: "/invented/sdx", Err: syscall.ENXIO}, want: offload.ErrCardGone},
		"the node is away":       {err: &os.PathError{Op: "open", Path: "/invented/sdx", Err: syscall.ENOENT}, want: offload.ErrCardGone},
		"the reader is empty":    {err: &os.PathError{Op: "open", Path: "/invented/sdx", Err: syscall.ENOMEDIUM}, want: offload.ErrCardGone},
		"empty by now":           {seq: 8, want: offload.ErrCardGone},
		"another card":           {seq: 8, size: 32768, want: offload.ErrCardChanged},
		"the old number again":   {seq: 7, size: 32768, want: offload.ErrCardChanged},
		"it cannot be looked at": {err: syscall.EACCES, want: offload.ErrCardChanged},
	} {
		m := &medium{tree: udev.Tree{Sys: s.root}, disk: "sdx", node: "/invented/sdx", seq: 7}
		m.ask = func(string) (uint64, int64, error) { return tc.seq, tc.size, tc.err }
		if err := m.Check(); !errors.Is(err, tc.want) {
			t.Errorf("%s: %v, want %v", what, err, tc.want)
		}
	}
}

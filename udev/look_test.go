package udev

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

// whileReading makes attr of the device a pipe, runs change while somebody reads
// that attribute, and gives the reader the value that stood there. Afterwards attr is
// a plain file again.
func whileReading(t *testing.T, tree Tree, name, attr string, change func()) {
	t.Helper()
	dir, err := tree.deviceDir(name)
	if err != nil {
		t.Fatal(err)
	}
	pipe, plain := filepath.Join(dir, attr), filepath.Join(dir, attr+".plain")
	value, err := os.ReadFile(pipe)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(pipe, plain); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	t.Cleanup(func() { <-done })
	go func() {
		defer close(done)
		f, err := os.OpenFile(pipe, os.O_WRONLY, 0) // waits for the reader
		if err != nil {
			t.Error(err)
			return
		}
		defer f.Close()
		if err := os.Rename(plain, pipe); err != nil {
			t.Error(err)
		}
		change()
		if _, err := f.Write(value); err != nil {
			t.Error(err)
		}
	}()
}

// Another card goes in while a device is read: the result is all of the one or
// all of the other.
func TestTree_Lookup_mediumChangesMeanwhile(t *testing.T) {
	t.Parallel()
	for _, attr := range []string{"dev", "uevent", "ro"} {
		t.Run(attr, func(t *testing.T) {
			t.Parallel()
			tree := unpack(t, "swap/2-first")
			whileReading(t, tree, "sdb", attr, func() { lay(t, tree, "swap/5-second") })
			d, err := tree.Lookup("sdb")
			if err != nil || d.DiskSeq != 33 || d.Label != "SKUA_A004" || d.Properties["DISKSEQ"] != "33" {
				t.Errorf("Lookup = seq %d, label %q, DISKSEQ %s, %v; want all of the second card",
					d.DiskSeq, d.Label, d.Properties["DISKSEQ"], err)
			}
		})
	}
}

func TestTree_DiskSeq_mediumChangesMeanwhile(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "swap/2-first")
	whileReading(t, tree, "sdb", "size", func() {
		dir, err := tree.deviceDir("sdb")
		if err != nil {
			t.Error(err)
		}
		write(t, filepath.Join(dir, "size"), "0\n")
		write(t, filepath.Join(dir, "diskseq"), "32\n")
	})
	if seq, size, err := tree.DiskSeq("sdb"); seq != 32 || size != 0 || err != nil {
		t.Errorf("DiskSeq = %d, %d, %v; want 32, 0", seq, size, err)
	}
}

// A partition whose number is gone when it is read first, and whose other
// attributes are there, must not come out as a whole disk.
func TestTree_Lookup_partitionIsNoWholeDisk(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-partition")
	dir, err := tree.deviceDir("sdb1")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(filepath.Join(dir, "partition")); err != nil {
		t.Fatal(err)
	}
	if d, err := tree.Lookup("sdb1"); err == nil {
		t.Errorf("Lookup = %+v; want an error", d)
	}
}

// What a disk that vanishes between open and read answers.
func TestVanished(t *testing.T) {
	t.Parallel()
	for _, errno := range []syscall.Errno{syscall.ENODEV, syscall.ENXIO, syscall.ENOTDIR, syscall.ENOENT} {
		err := vanished(&os.PathError{Op: "read", Path: "size", Err: errno})
		if !errors.Is(err, fs.ErrNotExist) || !errors.Is(err, errno) {
			t.Errorf("vanished(%v) = %v; want fs.ErrNotExist and the cause", errno, err)
		}
	}
	if err := vanished(syscall.EIO); errors.Is(err, fs.ErrNotExist) {
		t.Error("EIO counts as vanished")
	}
}

func TestSectorsToBytes(t *testing.T) {
	t.Parallel()
	for in, want := range map[string]int64{
		"0": 0, "1": 512, "18014398509481983": 18014398509481983 * 512, // the last that fits
		"18014398509481984": 0, "18446744073709551616": 0, "-1": 0, "": 0, "x": 0, "1 ": 0,
	} {
		if got := sectorsToBytes(in); got != want {
			t.Errorf("sectorsToBytes(%q) = %d, want %d", in, got, want)
		}
	}
}

package testbed

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// FS is a file system by the name the kernel mounts it with.
type FS string

// The file systems the bed can make and look into.
const (
	FAT32 FS = "vfat"
	ExFAT FS = "exfat"
	Ext4  FS = "ext4"
	XFS   FS = "xfs"
	Btrfs FS = "btrfs"
	NTFS  FS = "ntfs"
)

// MiB is a mebibyte in bytes.
const MiB = 1 << 20

// SmallestBytes is the least size that the tools of Debian 12 accept for a file
// system (mkfs.xfs 6.1: 300 MiB, mkfs.btrfs 6.2: about 109 MiB; FAT32 has at
// least 65525 clusters).
func (fs FS) SmallestBytes() int64 {
	return map[FS]int64{FAT32: 34 * MiB, ExFAT: 8 * MiB, Ext4: 8 * MiB, XFS: 300 * MiB, Btrfs: 128 * MiB, NTFS: 8 * MiB}[fs]
}

// toolLimit bounds one outside program that works on an image.
const toolLimit = 10 * time.Minute

// MakeImage makes a file system without a partition table in a sparse file of
// the test's and fills it from folder populate, unless that is "". No content
// is ever written through the guest's kernel: FAT is filled by mtools, ext4 by
// mke2fs, XFS and Btrfs by this host's kernel, exFAT and NTFS by their FUSE
// drivers. Filling anything but FAT and ext4 needs root.
func MakeImage(t testing.TB, fs FS, sizeBytes int64, label, populate string) string {
	t.Helper()
	image := filepath.Join(t.TempDir(), fmt.Sprintf("%s-%s.img", fs, strings.ReplaceAll(label, "/", "_")))
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	if err := makeImage(ctx, image, fs, sizeBytes, label, populate); err != nil {
		t.Fatalf("make %s image: %v", fs, err)
	}
	return image
}

func makeImage(ctx context.Context, image string, fs FS, sizeBytes int64, label, populate string) error {
	if least := fs.SmallestBytes(); sizeBytes < least {
		return fmt.Errorf("%d bytes are too few, the least is %d", sizeBytes, least)
	}
	if err := makeSparse(image, sizeBytes); err != nil {
		return err
	}
	maker := map[FS][]string{
		FAT32: {"mkfs.vfat", "-F", "32", "-n", label, image},
		ExFAT: {"mkfs.exfat", "-L", label, image},
		Ext4:  {"mke2fs", "-q", "-t", "ext4", "-F", "-L", label, image},
		XFS:   {"mkfs.xfs", "-q", "-f", "-L", label, image},
		Btrfs: {"mkfs.btrfs", "-q", "-f", "-L", label, image},
		NTFS:  {"mkntfs", "-q", "-Q", "-F", "-L", label, image},
	}[fs]
	if maker == nil {
		return fmt.Errorf("unknown file system %q", fs)
	}
	if fs == Ext4 && populate != "" {
		maker = append(maker[:len(maker)-1], "-d", populate, image)
	}
	if err := command(ctx, maker[0], maker[1:]...); err != nil {
		return err
	}
	if populate == "" || fs == Ext4 {
		return nil
	}
	return fill(ctx, image, fs, populate)
}

func fill(ctx context.Context, image string, fs FS, populate string) error {
	if fs == FAT32 {
		entries, err := os.ReadDir(populate)
		if err != nil {
			return err
		}
		// -s: with subfolders, -m: keep times, -o: never ask.
		args := []string{"-s", "-m", "-o", "-i", image}
		for _, e := range entries {
			args = append(args, filepath.Join(populate, e.Name()))
		}
		if len(entries) == 0 {
			return nil
		}
		return command(ctx, "mcopy", append(args, "::/")...)
	}
	return withMount(ctx, image, fs, false, func(dir string) error {
		return command(ctx, "cp", "-R", "--preserve=timestamps", populate+"/.", dir)
	})
}

var twins sync.Mutex

// withMount mounts an image on this host for the time of do.
func withMount(ctx context.Context, image string, fs FS, readOnly bool, do func(dir string) error) error {
	dir, err := os.MkdirTemp("", "testbed-mount-")
	if err != nil {
		return err
	}
	defer os.Remove(dir)
	mode := "rw"
	if readOnly {
		mode = "ro"
	}
	var mount []string
	switch fs {
	case ExFAT:
		// This driver insists on a block device.
		args := []string{"--find", "--show", image}
		if readOnly {
			args = append(args, "--read-only")
		}
		device, err := output(ctx, "losetup", args...)
		if err != nil {
			return err
		}
		loop := strings.TrimSpace(string(device))
		defer command(context.WithoutCancel(ctx), "losetup", "--detach", loop)
		mount = []string{"mount.exfat-fuse", "-o", mode, loop, dir}
	case NTFS:
		mount = []string{"ntfs-3g", "-o", mode + ",big_writes", image, dir}
	case Ext4, XFS, Btrfs:
		// Two copies of one XFS or Btrfs are one to the kernel.
		if fs != Ext4 {
			twins.Lock()
			defer twins.Unlock()
		}
		mount = []string{"mount", "-t", string(fs), "-o", "loop," + mode, image, dir}
	default:
		return fmt.Errorf("mount %s on this host: not supported", fs)
	}
	if err := command(ctx, mount[0], mount[1:]...); err != nil {
		return err
	}
	err = do(dir)
	if umountErr := command(context.WithoutCancel(ctx), "umount", dir); umountErr != nil {
		return errors.Join(err, umountErr)
	}
	return err
}

// Extract copies everything in an image into a new folder of this host, by
// programs that share no code with the guest: mtools for FAT, the FUSE drivers
// for exFAT and NTFS, this host's kernel for the others. It works on a copy,
// so a journal that wants replay gets it and the image stays as it is.
func Extract(t testing.TB, fs FS, image, dir string) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), toolLimit)
	defer cancel()
	if err := extract(ctx, fs, image, dir); err != nil {
		t.Fatal(err)
	}
}

// Digest is the SHA-256 of a whole image: equal digests, not one byte written.
func Digest(t testing.TB, image string) string {
	t.Helper()
	f, err := os.Open(image)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	sum := sha256.New()
	if _, err := io.Copy(sum, f); err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(sum.Sum(nil))
}

func makeSparse(path string, sizeBytes int64) error {
	if err := os.WriteFile(path, nil, 0o644); err != nil {
		return err
	}
	return os.Truncate(path, sizeBytes)
}

package testbed

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

// tree lays out a small card and returns its folder.
func tree(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	when := time.Date(2026, 5, 4, 3, 2, 2, 0, time.UTC)
	for name, content := range map[string]string{
		"DCIM/100SKUA/SKUA0001.MOV":        string(make([]byte, 3*MiB)) + "end",
		"DCIM/100SKUA/empty.txt":           "",
		"notes über den fels.txt":          "gannets: 412\n",
		"deep/er/than/the/others/name.bin": "\x00\x01\x02",
	} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(content), 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, when, when); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "empty folder"), 0o755); err != nil {
		t.Fatal(err)
	}
	return dir
}

// contents reads a tree: names to bytes, folders to "/".
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	err := filepath.WalkDir(dir, func(path string, entry os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, _ := filepath.Rel(dir, path)
		if entry.IsDir() {
			all[name] = "/"
			return nil
		}
		text, err := os.ReadFile(path)
		all[name] = string(text)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	// ext4 makes this folder by itself.
	delete(all, "lost+found")
	return all
}

var allFS = []FS{FAT32, ExFAT, Ext4, XFS, Btrfs, NTFS}

// needRoot leaves out what mounts. The test command counts what is left out.
func needRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("left out: mounting images needs root")
	}
}

func TestImage_comesBackAsItWasFilled(t *testing.T) {
	t.Parallel()
	needRoot(t)
	for _, fs := range allFS {
		t.Run(string(fs), func(t *testing.T) {
			t.Parallel()
			source := tree(t)
			image := MakeImage(t, fs, fs.SmallestBytes(), "SKUA", source)
			before := Digest(t, image)
			out := filepath.Join(t.TempDir(), "out")
			Extract(t, fs, image, out)
			if diff := cmp.Diff(contents(t, source), contents(t, out)); diff != "" {
				t.Errorf("extracted tree differs (-source +image):\n%s", diff)
			}
			info, err := os.Stat(filepath.Join(out, "DCIM/100SKUA/SKUA0001.MOV"))
			if err != nil {
				t.Fatal(err)
			}
			// UTC on both sides: command sets TZ, and FAT stores what it is told.
			if want := time.Date(2026, 5, 4, 3, 2, 2, 0, time.UTC); !info.ModTime().Equal(want) {
				t.Errorf("modification time %v, want %v", info.ModTime().UTC(), want)
			}
			if after := Digest(t, image); after != before {
				t.Error("looking into the image has changed it")
			}
		})
	}
}

func TestDisk_partitionsComeBack(t *testing.T) {
	t.Parallel()
	needRoot(t)
	first := MakeImage(t, FAT32, FAT32.SmallestBytes(), "ONE", tree(t))
	second := MakeImage(t, Ext4, Ext4.SmallestBytes(), "TWO", "")
	disk := MakeDisk(t, first, second)
	for i, image := range []string{first, second} {
		if Digest(t, PartitionImage(t, disk, i+1)) != Digest(t, image) {
			t.Errorf("partition %d differs from the image it was made of", i+1)
		}
	}
}

func TestDigest_seesOneByte(t *testing.T) {
	t.Parallel()
	image := filepath.Join(t.TempDir(), "image")
	if err := makeSparse(image, 4*MiB); err != nil {
		t.Fatal(err)
	}
	before := Digest(t, image)
	if err := MutateImage(image, 3*MiB, []byte{1}); err != nil {
		t.Fatal(err)
	}
	if Digest(t, image) == before {
		t.Error("the digest did not change with the image")
	}
}

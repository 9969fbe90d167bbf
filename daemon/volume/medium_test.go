package volume

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

// corruptOnMedium flips one byte of the first block of want wherever the image
// holds it, behind the back of the file system that is mounted from it.
func corruptOnMedium(t *testing.T, image string, want []byte) {
	t.Helper()
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	needle := want[:min(len(want), 1024)] // no longer than a block of the smallest file systems: its neighbour may be elsewhere
	found := 0
	buf := make([]byte, 1<<20+len(needle)) // windows overlap by the needle
	for from := int64(0); ; from += 1 << 20 {
		data, err := unix.Seek(int(f.Fd()), from, unix.SEEK_DATA) // skip the holes
		if errors.Is(err, unix.ENXIO) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		from = data &^ 4095
		n, err := f.ReadAt(buf, from)
		if err != nil && err != io.EOF {
			t.Fatal(err)
		}
		for at := 0; ; at++ { // a journal may have it a second time nearby
			i := bytes.Index(buf[at:n], needle)
			if i < 0 {
				break
			}
			at += i
			if _, err := f.WriteAt([]byte{needle[len(needle)/2] ^ 0xFF}, from+int64(at+len(needle)/2)); err != nil {
				t.Fatal(err)
			}
			found++
		}
	}
	if found == 0 {
		t.Fatal("the file's bytes are nowhere in the image")
	}
	if err := f.Sync(); err != nil {
		t.Fatal(err)
	}
}

// readAllDirect returns what is read from the medium.
func readAllDirect(root *os.Root, path string) ([]byte, error) {
	d, err := OpenDirect(root, path)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	return io.ReadAll(d)
}

// A medium that changed behind a clean cache is seen by OpenDirect, and by a
// buffered read only after eviction. Sizes: one that ends in mid-block, and one
// that some file systems would store inside their own records.
func TestOpenDirect_seesTheMediumNotTheCache(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		for _, size := range []int{1<<20 + 100, 300} {
			image := fs.image(t)
			m := mountDrive(t, loop(t, image), fs.name)
			path := filepath.Join(m.Path, "clip")
			want := patterned(size)
			writeOutside(t, path, want)
			if err := m.Flush(); err != nil {
				t.Fatal(err)
			}
			root := openRoot(t, m.Path)
			if got, err := readAllDirect(root, "clip"); err != nil || !bytes.Equal(got, want) {
				t.Fatalf("%d bytes, medium unharmed: %d bytes differ from what was written, %v", size, len(got), err)
			}
			if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) { // fills the cache
				t.Fatalf("%d bytes: buffered read gave %d bytes, %v", size, len(got), err)
			}
			corruptOnMedium(t, image, want)
			if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) {
				t.Errorf("%d bytes: the buffered read saw the medium (%v): the test shows nothing", size, err)
			}
			if got, err := readAllDirect(root, "clip"); err == nil && bytes.Equal(got, want) {
				t.Errorf("%d bytes: OpenDirect did not see that the medium had changed", size)
			}
			checkEvictedReadSees(t, path, want)
			root.Close()
			unmount(t, m)
		}
	})
}

// writeOutside writes a file so that no file system stores it inside its own
// records: written to a whole block first, flushed, then cut.
func writeOutside(t *testing.T, path string, data []byte) {
	t.Helper()
	padded := append(bytes.Clone(data), make([]byte, 4096)...)
	writeSynced(t, path, padded)
	if err := os.Truncate(path, int64(len(data))); err != nil {
		t.Fatal(err)
	}
}

func checkEvictedReadSees(t *testing.T, path string, want []byte) {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := Evict(f); err != nil {
		t.Error(err)
	}
	if got, err := io.ReadAll(f); err == nil && bytes.Equal(got, want) {
		t.Errorf("%d bytes: a buffered read after eviction did not see that the medium had changed", len(want))
	}
}

// Small files written plainly either are read from the medium or refused; they
// are never served from the file system's own records.
func TestOpenDirect_smallFiles(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		image := fs.image(t)
		m := mountDrive(t, loop(t, image), fs.name)
		want := patterned(300)
		writeSynced(t, filepath.Join(m.Path, "small"), want)
		if err := m.Flush(); err != nil {
			t.Fatal(err)
		}
		root := openRoot(t, m.Path)
		got, err := readAllDirect(root, "small")
		switch {
		case errors.Is(err, ErrCached) && fs.name == "ntfs": // stored in its file record, and said so
		case err != nil || !bytes.Equal(got, want):
			t.Errorf("small file: %d bytes, %v", len(got), err)
		default:
			corruptOnMedium(t, image, want)
			if got, err := readAllDirect(root, "small"); err == nil && bytes.Equal(got, want) {
				t.Error("OpenDirect did not see that the medium had changed")
			}
		}
		root.Close()
		unmount(t, m)
	})
}

// A Btrfs that somebody else mounted keeps small files inside its records.
func TestOpenDirect_refusesInlineOnBtrfs(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		if fs.name != "btrfs" {
			t.Skip("this is about Btrfs")
		}
		dir := t.TempDir()
		if err := unix.Mount(loop(t, fs.image(t)), dir, "btrfs", 0, ""); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { unix.Unmount(dir, unix.MNT_DETACH) })
		writeSynced(t, filepath.Join(dir, "plain"), patterned(300))
		writeOutside(t, filepath.Join(dir, "cut"), patterned(300))
		f, err := os.Create(filepath.Join(dir, "allocated"))
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(unix.Fallocate(int(f.Fd()), 0, 0, 300), f.Close()); err != nil {
			t.Fatal(err)
		}
		if f, err = os.OpenFile(filepath.Join(dir, "allocated"), os.O_WRONLY, 0); err != nil {
			t.Fatal(err)
		}
		if _, err := f.Write(patterned(300)); err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(f.Sync(), f.Close()); err != nil {
			t.Fatal(err)
		}
		root := openRoot(t, dir)
		if _, err := readAllDirect(root, "plain"); !errors.Is(err, ErrCached) {
			t.Errorf("inline file: %v, want ErrCached", err)
		}
		for _, name := range []string{"cut", "allocated"} {
			if got, err := readAllDirect(root, name); err != nil || !bytes.Equal(got, patterned(300)) {
				t.Errorf("%s file: %d bytes, %v", name, len(got), err)
			}
		}
		root.Close()
	})
}

// Compressed extents on Btrfs are read through the cache even with O_DIRECT, so
// the eviction has to carry the proof.
func TestOpenDirect_compressedOnBtrfs(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		if fs.name != "btrfs" {
			t.Skip("this is about Btrfs")
		}
		dir := t.TempDir()
		if err := unix.Mount(loop(t, fs.image(t)), dir, "btrfs", 0, "compress-force=zstd"); err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { unix.Unmount(dir, unix.MNT_DETACH) })
		want := bytes.Repeat([]byte("skua "), 40_000)
		writeSynced(t, filepath.Join(dir, "clip"), want)
		root := openRoot(t, dir)
		if got, err := readAllDirect(root, "clip"); err != nil || !bytes.Equal(got, want) {
			t.Errorf("compressed file: %d bytes, %v", len(got), err)
		}
		f, err := os.Open(filepath.Join(dir, "clip"))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		mapping, err := unix.Mmap(int(f.Fd()), 0, 4096, unix.PROT_READ, unix.MAP_SHARED|unix.MAP_POPULATE)
		if err != nil {
			t.Fatal(err)
		}
		defer unix.Munmap(mapping)
		if _, err := readAllDirect(root, "clip"); !errors.Is(err, ErrCached) {
			t.Errorf("compressed file with a page held in memory: %v, want ErrCached", err)
		}
		root.Close()
	})
}

// Every attachment of a medium is another insertion.
func TestCheckMedium_countsInsertions(t *testing.T) {
	t.Parallel()
	needRoot(t)
	const size = 3 << 20
	image := sparse(t, size)
	var last uint64
	for range 3 {
		node, detach := attachLoop(t, image)
		seq, got, err := CheckMedium(node)
		if err != nil || got != size {
			t.Fatalf("CheckMedium: %d bytes, %v; want %d", got, err, size)
		}
		if again, _, err := CheckMedium(node); err != nil || again != seq {
			t.Errorf("CheckMedium again: diskseq %d, %v; want %d", again, err, seq)
		}
		if seq <= last {
			t.Errorf("diskseq %d does not grow, before it was %d", seq, last)
		}
		last = seq
		detach()
	}
	if _, _, err := CheckMedium(image); !errors.Is(err, unix.ENOTBLK) {
		t.Errorf("CheckMedium of a file: %v, want ENOTBLK", err)
	}
}

// A drive may ask, in its own superblock, to be mounted so that direct I/O is
// quietly served from memory (ext4(5), data=journal). What is read from it as
// from the medium is the medium's, or is refused.
func TestOpenDirect_driveThatTakesNoDirectIO(t *testing.T) {
	eachFS(t, func(t *testing.T, fs rigFS) {
		if fs.name != "ext4" {
			t.Skip("this kernel has no driver that would do so")
		}
		judges.Need(t, "tune2fs")
		image := fs.image(t)
		run(t, "tune2fs", "-o", "journal_data", image)
		m := mountDrive(t, loop(t, image), fs.name)
		path := filepath.Join(m.Path, "clip")
		want := patterned(1<<20 + 100)
		writeOutside(t, path, want)
		if err := m.Flush(); err != nil {
			t.Fatal(err)
		}
		if got, err := os.ReadFile(path); err != nil || !bytes.Equal(got, want) { // fills the cache
			t.Fatalf("buffered read gave %d bytes, %v", len(got), err)
		}
		// What is in the journal only would be written over the damage later: a frozen
		// file system has all of it in its place.
		run(t, "fsfreeze", "-f", m.Path)
		run(t, "fsfreeze", "-u", m.Path)
		corruptOnMedium(t, image, want)
		root := openRoot(t, m.Path)
		for _, open := range []func(*os.Root, string) (*DirectFile, error){OpenGrowing, OpenDirect} { // the second empties the cache
			d, err := open(root, "clip")
			if errors.Is(err, ErrCached) {
				continue
			}
			if err != nil {
				t.Fatal(err)
			}
			if got, err := io.ReadAll(d); err == nil && bytes.Equal(got, want) {
				t.Errorf("a file that is opened as %s was read from memory", d.Method())
			}
			d.Close()
		}
		root.Close()
		unmount(t, m)
	})
}

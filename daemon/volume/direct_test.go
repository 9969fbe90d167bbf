package volume

import (
	"bytes"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

func openRoot(t *testing.T, dir string) *os.Root {
	t.Helper()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { root.Close() })
	return root
}

// diskFolder returns a temporary folder on a file system whose medium can be
// read past the cache.
func diskFolder(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	l, err := LimitsAt(dir)
	if err != nil {
		t.Fatal(err)
	}
	if !l.DirectReadsMedium {
		t.Skipf("left out: temporary files are on %s here, which has no medium; TMPDIR can name a folder on a disk", l.FSType)
	}
	return dir
}

// patterned returns n bytes that differ from block to block.
func patterned(n int) []byte {
	b := make([]byte, n)
	x := uint32(2654435761)
	for i := range b {
		x = x*1664525 + 1013904223
		b[i] = byte(x >> 24)
	}
	return b
}

func writeSynced(t *testing.T, path string, data []byte) {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Write(data); err != nil {
		t.Fatal(err)
	}
	if err := SyncFile(f); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
}

func TestAlignedBuffer(t *testing.T) {
	t.Parallel()
	for _, n := range []int{1, 511, 4096, 4097, 1 << 20} {
		b := AlignedBuffer(n)
		if len(b) != n || cap(b) != n {
			t.Errorf("AlignedBuffer(%d): len %d, cap %d", n, len(b), cap(b))
		}
		if uintptr(unsafe.Pointer(&b[0]))%Alignment != 0 {
			t.Errorf("AlignedBuffer(%d) is not aligned", n)
		}
	}
	if b := AlignedBuffer(0); b != nil {
		t.Errorf("AlignedBuffer(0) = %d bytes, want none", len(b))
	}
}

func TestOpenDirect_readsEverySizeAndOffset(t *testing.T) {
	t.Parallel()
	dir := diskFolder(t)
	root := openRoot(t, dir)
	for _, size := range []int{0, 1, 511, 512, 4095, 4096, 4097, 100_000, bounceBytes + 1, 1<<20 + 17} {
		want := patterned(size)
		writeSynced(t, filepath.Join(dir, "f"), want)
		d, err := OpenDirect(root, "f")
		if err != nil {
			t.Fatalf("%d bytes: %v", size, err)
		}
		if d.Size() != int64(size) {
			t.Errorf("%d bytes: Size() = %d", size, d.Size())
		}
		got, err := io.ReadAll(d)
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("%d bytes: reading in order gave %d bytes, %v", size, len(got), err)
		}
		aligned := AlignedBuffer(roundUp(size+1, Alignment))
		n, err := d.ReadAt(aligned, 0)
		if err != io.EOF || !bytes.Equal(aligned[:n], want) {
			t.Errorf("%d bytes: aligned ReadAt gave %d bytes, %v", size, n, err)
		}
		for _, off := range []int{1, 510, 4095, 4097, size - 1, size / 2} {
			if off < 0 || off >= size {
				continue
			}
			odd := make([]byte, min(3000, size-off))
			if n, err := d.ReadAt(odd, int64(off)); n != len(odd) || err != nil || !bytes.Equal(odd, want[off:off+len(odd)]) {
				t.Errorf("%d bytes: ReadAt(%d bytes at %d) gave %d, %v", size, len(odd), off, n, err)
			}
		}
		if n, err := d.ReadAt(make([]byte, 10), int64(size)+5000); n != 0 || err != io.EOF {
			t.Errorf("%d bytes: reading past the end gave %d, %v", size, n, err)
		}
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestOpenDirect_refuses(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	if err := os.Mkdir(filepath.Join(dir, "folder"), 0o755); err != nil {
		t.Fatal(err)
	}
	writeSynced(t, filepath.Join(dir, "file"), []byte("x"))
	if err := unix.Mkfifo(filepath.Join(dir, "fifo"), 0o600); err != nil {
		t.Fatal(err)
	}
	for link, target := range map[string]string{"link": "file", "out": "/etc/hostname", "up": ".."} {
		if err := os.Symlink(target, filepath.Join(dir, link)); err != nil {
			t.Fatal(err)
		}
	}
	root := openRoot(t, dir)
	tests := []struct {
		path string
		want error
	}{
		{"folder", errNotRegular},
		{"fifo", errNotRegular}, // and does not wait for a writer
		{"link", unix.ELOOP},
		{"out", unix.ELOOP},
		{"up/x", unix.ELOOP},
		{"../x", unix.EXDEV},
		{"/etc/hostname", unix.EXDEV},
		{"missing", unix.ENOENT},
	}
	for _, tt := range tests {
		d, err := OpenDirect(root, tt.path)
		if err == nil {
			d.Close()
		}
		if !errors.Is(err, tt.want) {
			t.Errorf("OpenDirect(%q): %v, want %v", tt.path, err, tt.want)
		}
	}
}

func TestEvict_showsWhatIsCached(t *testing.T) {
	t.Parallel()
	path := filepath.Join(diskFolder(t), "f")
	const pages = 64
	writeSynced(t, path, patterned(pages*os.Getpagesize()))
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := io.Copy(io.Discard, f); err != nil {
		t.Fatal(err)
	}
	counts := map[string]func() (int64, error){
		"Resident":    func() (int64, error) { return Resident(f) },
		"mincore(2)":  func() (int64, error) { return mincore(f) },
		"Resident, 2": func() (int64, error) { return Resident(f) },
	}
	for name, count := range counts {
		if n, err := count(); err != nil || n != pages {
			t.Errorf("%s after reading: %d pages, %v; want %d", name, n, err, pages)
		}
	}
	if err := Evict(f); err != nil {
		t.Fatal(err)
	}
	for name, count := range counts {
		if n, err := count(); err != nil || n != 0 {
			t.Errorf("%s after Evict: %d pages, %v; want 0", name, n, err)
		}
	}
}

// A page that somebody has mapped and touched cannot be dropped, so the
// eviction must not be claimed.
func TestEvict_refusesWhenPagesStay(t *testing.T) {
	t.Parallel()
	path := filepath.Join(diskFolder(t), "f")
	writeSynced(t, path, patterned(8192))
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	mapping, err := unix.Mmap(int(f.Fd()), 0, 8192, unix.PROT_READ, unix.MAP_SHARED|unix.MAP_POPULATE)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(mapping)
	if mapping[0] != patterned(1)[0] {
		t.Fatal("the mapping shows other bytes")
	}
	if err := Evict(f); !errors.Is(err, ErrCached) {
		t.Errorf("Evict with a mapped page: %v, want ErrCached", err)
	}
}

// TestCreateFile_takesNothingOver: what bears the name stays as it is.
func TestCreateFile_takesNothingOver(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	want := []byte("what stood here before")
	writeSynced(t, dir+"/CLIP0001.MOV", want)
	f, err := CreateFile(openRoot(t, dir), "CLIP0001.MOV")
	if err == nil {
		f.Close()
	}
	if !errors.Is(err, os.ErrExist) {
		t.Errorf("made: %v", err)
	}
	if got, err := os.ReadFile(dir + "/CLIP0001.MOV"); err != nil || string(got) != string(want) {
		t.Errorf("it holds %q: %v", got, err)
	}
}

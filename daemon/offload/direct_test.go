package offload

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"

	"bothy/daemon/volume"
)

// edges are sizes around the blocks, the portions and the size from which files
// are written directly.
var edges = []int{0, 1, 511, 512, 4095, 4096, 4097, 1<<20 - 1, 1 << 20, 1<<20 + 1,
	directBytes - 1, directBytes, directBytes + 1, directBytes + 4096, directBytes + 4095, 33<<20 + 5}

// diskFS is the FS of a mounted place, with its own limits.
func diskFS(t *testing.T, mnt string) *RootFS {
	t.Helper()
	limits, err := volume.LimitsAt(mnt)
	if err != nil {
		t.Fatal(err)
	}
	root, err := os.OpenRoot(mnt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { root.Close() })
	return &RootFS{Root: root, Limits: limits}
}

// onDisks runs a test on file systems of their own.
func onDisks(t *testing.T, sizeBytes int64, body func(t *testing.T, mnt string, fsys *RootFS)) {
	t.Helper()
	for _, fsType := range []string{"ext4", "xfs"} {
		t.Run(fsType, func(t *testing.T) {
			t.Parallel()
			mnt := loopMount(t, fsType, sizeBytes)
			body(t, mnt, diskFS(t, mnt))
		})
	}
}

// TestSink_everySizeAtTheEdges: what was written in portions, flushed, and is
// read anew by the kernel after its caches were dropped, is the same.
func TestSink_everySizeAtTheEdges(t *testing.T) {
	t.Parallel()
	onDisks(t, 320<<20, func(t *testing.T, mnt string, fsys *RootFS) {
		for i, size := range edges {
			s, err := fsys.Create(fmt.Sprint(size), int64(size))
			if err != nil {
				t.Fatal(err)
			}
			if direct := s.(*sink).direct; direct != (size >= directBytes) {
				t.Errorf("%d bytes: written directly: %v", size, direct)
			}
			writeAll(t, s, noise(i, size))
		}
		for i, size := range edges {
			name := filepath.Join(mnt, fmt.Sprint(size))
			dropCache(t, name)
			got, err := os.ReadFile(name)
			if err != nil || !bytes.Equal(got, noise(i, size)) {
				t.Errorf("%d bytes: %d came back, equal: %v, %v", size, len(got), bytes.Equal(got, noise(i, size)), err)
			}
		}
	})
}

// writeAll writes in the engine's portions, out of aligned buffers as it does.
func writeAll(t *testing.T, s Sink, data []byte) {
	t.Helper()
	buf := volume.AlignedBuffer(chunkBytes)
	for len(data) > 0 {
		n := copy(buf, data)
		data = data[n:]
		if m, err := s.Write(buf[:n]); m != n || err != nil {
			t.Fatalf("%d of %d bytes: %v", m, n, err)
		}
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
}

// dropCache makes the kernel forget a file's pages.
func dropCache(t *testing.T, name string) {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := volume.Evict(f); err != nil {
		t.Fatal(err)
	}
}

// TestSink_leavesNothingDirty: of a large file no page is left to be written
// out but its last portion's (mincore(2) counts the pages in memory).
func TestSink_leavesNothingDirty(t *testing.T) {
	t.Parallel()
	onDisks(t, 320<<20, func(t *testing.T, mnt string, fsys *RootFS) {
		const size = 33<<20 + 5
		s, err := fsys.Create("large", size)
		if err != nil {
			t.Fatal(err)
		}
		data := volume.AlignedBuffer(33 << 20)
		copy(data, noise(5, len(data)))
		for at := 0; at < len(data); at += chunkBytes {
			if _, err := s.Write(data[at:min(at+chunkBytes, len(data))]); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := s.Write(noise(6, 5)); err != nil {
			t.Fatal(err)
		}
		if n := residentBytes(t, filepath.Join(mnt, "large"), size); n > 128<<10 {
			t.Errorf("%d bytes of it are in memory", n)
		}
		if err := errors.Join(s.Sync(), s.Close()); err != nil {
			t.Fatal(err)
		}
	})
}

// residentBytes counts what the kernel holds of a file in memory.
func residentBytes(t *testing.T, name string, size int) (n int) {
	t.Helper()
	f, err := os.Open(name)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	m, err := unix.Mmap(int(f.Fd()), 0, size, unix.PROT_READ, unix.MAP_SHARED)
	if err != nil {
		t.Fatal(err)
	}
	defer unix.Munmap(m)
	page := os.Getpagesize()
	vec := make([]byte, (size+page-1)/page)
	if _, _, errno := unix.Syscall(unix.SYS_MINCORE, uintptr(unsafe.Pointer(&m[0])), uintptr(size), uintptr(unsafe.Pointer(&vec[0]))); errno != 0 {
		t.Fatal(errno)
	}
	for _, b := range vec {
		n += int(b&1) * page
	}
	return n
}

// TestSink_noRoom: where the room for a file cannot be had, no file is left.
func TestSink_noRoom(t *testing.T) {
	t.Parallel()
	onDisks(t, 320<<20, func(t *testing.T, mnt string, fsys *RootFS) {
		_, err := fsys.Create("too large", 4<<30)
		if !errors.Is(err, syscall.ENOSPC) {
			t.Errorf("error %v", err)
		}
		if _, err := os.Lstat(filepath.Join(mnt, "too large")); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("a file is left: %v", err)
		}
		if n := openFiles(t, mnt); n != 0 {
			t.Errorf("%d files are open", n)
		}
	})
}

// openFiles counts this process's descriptors of regular files below a place.
func openFiles(t *testing.T, mnt string) (n int) {
	t.Helper()
	list, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range list {
		if to, err := os.Readlink("/proc/self/fd/" + e.Name()); err == nil && strings.HasPrefix(to, mnt+"/") {
			n++
		}
	}
	return n
}

// TestSink_directRefused: a file system that takes the flag and then refuses to
// write so, or does not take it, or cannot reserve room, gets its files through
// the cache.
func TestSink_directRefused(t *testing.T) {
	t.Parallel()
	data := noise(9, 3<<20+17)
	t.Run("at a write, by its alignment", func(t *testing.T) {
		t.Parallel()
		onDisks(t, 320<<20, func(t *testing.T, mnt string, fsys *RootFS) {
			s, err := fsys.Create("odd", int64(len(data)))
			if err != nil {
				t.Fatal(err)
			}
			odd := volume.AlignedBuffer(len(data) + 1)[1:]
			copy(odd, data)
			for at := 0; at < len(data); at += chunkBytes {
				if n, err := s.Write(odd[at:min(at+chunkBytes, len(data))]); err != nil {
					t.Fatalf("at %d: %d, %v", at, n, err)
				}
				if err := s.Push(false); err != nil {
					t.Fatal(err)
				}
			}
			if s.(*sink).direct {
				t.Error("nothing was refused, so this test shows nothing")
			}
			if err := errors.Join(s.Sync(), s.Close()); err != nil {
				t.Fatal(err)
			}
			dropCache(t, filepath.Join(mnt, "odd"))
			if got, err := os.ReadFile(filepath.Join(mnt, "odd")); err != nil || !bytes.Equal(got, data) {
				t.Errorf("%d bytes, %v", len(got), err)
			}
		})
	})
	t.Run("from the start", func(t *testing.T) {
		t.Parallel()
		dir := memoryDir(t)
		fsys := diskFS(t, dir)
		fsys.Limits.WritesDirect = true // which it does not
		s, err := fsys.Create("f", int64(len(data)))
		if err != nil {
			t.Fatal(err)
		}
		writeAll(t, s, data)
		if got, err := os.ReadFile(filepath.Join(dir, "f")); err != nil || !bytes.Equal(got, data) {
			t.Errorf("%d bytes, %v", len(got), err)
		}
	})
}

// TestRun_directOnDisks: the whole engine on file systems that are written to
// directly and read back behind the writer.
func TestRun_directOnDisks(t *testing.T) {
	t.Parallel()
	onDisks(t, 400<<20, func(t *testing.T, mnt string, fsys *RootFS) {
		tr := tree{}
		for i, size := range edges {
			tr["DCIM/"+strconv.Itoa(size)] = file1(noise(i, size))
		}
		g := newRig(t, memoryDir(t), tr, 1)
		g.base = mnt // of the drive
		if err := os.Mkdir(filepath.Join(mnt, "drive0"), 0o755); err != nil {
			t.Fatal(err)
		}
		old().write(t, filepath.Join(mnt, "drive0"))
		root, err := os.OpenRoot(filepath.Join(mnt, "drive0"))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { root.Close() })
		g.drives[0].FS, g.drives[0].noFlush = &RootFS{Root: root, Limits: fsys.Limits}, false
		g.job.Drives[0].Root, g.job.Drives[0].Limits = root, fsys.Limits
		g.job.Portions.AloneBytes, g.job.Portions.FollowBytes = 0, 4<<20
		res := Run(context.Background(), g.job)
		mustProve(t, res, 0)
		if err := g.auditDrive(0, res.Copies[0]); err != nil {
			t.Error(err)
		}
		if n := g.drives[0].count("open growing"); n != 1 {
			t.Errorf("%d files were read back while they grew", n)
		}
	})
}

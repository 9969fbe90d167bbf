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

func TestRoundUp(t *testing.T) {
	t.Parallel()
	for n, want := range map[int]int{0: 0, 1: 4096, 4095: 4096, 4096: 4096, 4097: 8192, 8192: 8192} {
		if got := roundUp(n, 4096); got != want {
			t.Errorf("roundUp(%d) = %d, want %d", n, got, want)
		}
	}
}

// A buffer goes to the kernel as it is when all three are aligned, and never when
// one is not.
func TestDirectFile_alignedTo(t *testing.T) {
	t.Parallel()
	d := &DirectFile{align: Alignment}
	p := AlignedBuffer(4 * Alignment)
	for _, tt := range []struct {
		name string
		p    []byte
		off  int64
		want bool
	}{
		{"all", p, Alignment, true},
		{"not the offset", p, 512, false},
		{"not the length", p[:Alignment+512], 0, false},
		{"not the memory", p[512 : 512+Alignment], 0, false},
	} {
		if got := d.alignedTo(tt.p, tt.off); got != tt.want {
			t.Errorf("%s: %v", tt.name, got)
		}
	}
}

// What is asked for in one go comes in one go, through the inner buffer too, and
// what needs no inner buffer has none.
func TestDirectFile_innerBuffer(t *testing.T) {
	t.Parallel()
	dir := diskFolder(t)
	root := openRoot(t, dir)
	want := patterned(3*bounceBytes + 100)
	writeSynced(t, filepath.Join(dir, "f"), want)
	d, err := OpenDirect(root, "f")
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	aligned := AlignedBuffer(2 * bounceBytes)
	if n, err := d.ReadAt(aligned, Alignment); n != len(aligned) || err != nil || !bytes.Equal(aligned, want[Alignment:Alignment+n]) {
		t.Errorf("aligned: %d bytes, %v", n, err)
	}
	if d.Method() == Direct && d.bounce != nil {
		t.Error("an aligned buffer was copied")
	}
	odd := make([]byte, 2*bounceBytes+77)
	if n, err := d.ReadAt(odd, 0); n != len(odd) || err != nil || !bytes.Equal(odd, want[:n]) {
		t.Errorf("a long odd buffer: %d bytes, %v", n, err)
	}
}

// An error of the kernel is one for the caller, with nothing read.
func TestDirectFile_errorsAreSaid(t *testing.T) {
	t.Parallel()
	f, err := os.Open("/proc/version")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	for _, method := range []Method{Direct, Evicted, Unbacked} {
		d := &DirectFile{file: f, fd: -1, method: method, align: Alignment}
		p := AlignedBuffer(Alignment)
		if n, err := d.ReadAt(p, 0); n != 0 || !errors.Is(err, unix.EBADF) {
			t.Errorf("%s: %d bytes, %v", method, n, err)
		}
		if n, err := d.ReadAt(p[1:10], 3); n != 0 || !errors.Is(err, unix.EBADF) {
			t.Errorf("%s, not aligned: %d bytes, %v", method, n, err)
		}
	}
	// This file is nothing that takes direct I/O, and must not be said to.
	if err := setDirect(int(f.Fd())); err == nil {
		t.Error("direct reading of a file of the kernel's own is taken to work")
	}
}

// A file is followed while it grows only where what was flushed of it surely
// comes from the medium.
func TestOpenGrowing_whereItIsSure(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		m := mountDrive(t, loop(t, fs.image(t)), fs.name)
		writeSynced(t, filepath.Join(m.Path, "f"), patterned(100_000))
		root := openRoot(t, m.Path)
		d, err := OpenGrowing(root, "f")
		if sure := m.Limits().ReadsWhileWritten; sure != (err == nil) || err != nil && !errors.Is(err, ErrCached) {
			t.Errorf("%v, and it is sure: %v", err, sure)
		}
		if err == nil {
			if got, err := io.ReadAll(d); err != nil || !bytes.Equal(got, patterned(100_000)) || d.Method() != Direct {
				t.Errorf("%d bytes by way of %q, %v", len(got), d.Method(), err)
			}
			d.Close()
		}
		root.Close()
		unmount(t, m)
	})
}

// A page that stays in the cache does not matter where reading goes past it, and
// forbids the proof where it does not.
func TestOpenDirect_pageThatStays(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		if fs.name != "ext4" {
			t.Skip("one file system that can do both is enough")
		}
		judges.Need(t, "tune2fs")
		for _, journalled := range []bool{false, true} {
			image := fs.image(t)
			if journalled {
				run(t, "tune2fs", "-o", "journal_data", image)
			}
			m := mountDrive(t, loop(t, image), fs.name)
			path := filepath.Join(m.Path, "f")
			writeSynced(t, path, patterned(8192))
			f, err := os.Open(path)
			if err != nil {
				t.Fatal(err)
			}
			if TakesDirect(int(f.Fd())) == journalled {
				t.Errorf("journalled %v: takes direct I/O: %v", journalled, !journalled)
			}
			mapping, err := unix.Mmap(int(f.Fd()), 0, 8192, unix.PROT_READ, unix.MAP_SHARED|unix.MAP_POPULATE)
			if err != nil {
				t.Fatal(err)
			}
			root := openRoot(t, m.Path)
			d, err := OpenDirect(root, "f")
			switch {
			case journalled && !errors.Is(err, ErrCached):
				t.Errorf("read through a cache that holds a page: %v, want ErrCached", err)
			case !journalled && (err != nil || d.Method() != Direct):
				t.Errorf("read past a cache that holds a page: %v", err)
			}
			if err == nil {
				d.Close()
			}
			if err := unix.Munmap(mapping); err != nil {
				t.Error(err)
			}
			f.Close()
			root.Close()
			unmount(t, m)
		}
	})
}

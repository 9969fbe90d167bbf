package main

import (
	"bytes"
	"context"
	"encoding/json"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

func needRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		if os.Getenv("CI") == "true" {
			t.Fatal("this needs root, and in CI nothing may be left out")
		}
		t.Skip("left out: making disks from images needs root")
	}
}

// loopDisk makes a disk of its own from an image, with an ext4 on it, mounts it
// and returns where; the image is beside it, with .img after its name.
func loopDisk(t *testing.T, name string) string {
	t.Helper()
	dir := t.TempDir()
	image, point := filepath.Join(dir, name+".img"), filepath.Join(dir, name)
	run := func(program string, args ...string) string {
		t.Helper()
		out, err := exec.Command(program, args...).CombinedOutput()
		if err != nil {
			t.Fatalf("%s %q: %v\n%s", program, args, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	undo := func(program string, args ...string) {
		t.Cleanup(func() {
			if out, err := exec.Command(program, args...).CombinedOutput(); err != nil {
				t.Errorf("%s %q: %v\n%s", program, args, err, out)
			}
		})
	}
	if err := os.WriteFile(image, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(image, 64<<20); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(point, 0o755); err != nil {
		t.Fatal(err)
	}
	run("mke2fs", "-q", "-t", "ext4", image)
	device := run("losetup", "--find", "--show", image)
	undo("losetup", "--detach", device)
	run("blockdev", "--setrw", device) // somebody before us may have set it read-only
	run("mount", device, point)
	undo("umount", point)
	return point
}

// The verdict counts disks, not folders: two proven copies on one disk hold, the
// same two on two disks release. The kernel, not this project, says which disk a
// folder lies on.
func TestCopy_verdict_counts_disks(t *testing.T) {
	t.Parallel()
	needRoot(t)
	one, two := loopDisk(t, "one"), loopDisk(t, "two")
	card := t.TempDir()
	if err := os.MkdirAll(filepath.Join(card, "DCIM", "100SKUAS"), 0o755); err != nil {
		t.Fatal(err)
	}
	clip := bytes.Repeat([]byte("invented clip of a skua\n"), 100_000)
	if err := os.WriteFile(filepath.Join(card, "DCIM", "100SKUAS", "SKUA0001.MOV"), clip, 0o644); err != nil {
		t.Fatal(err)
	}
	again := filepath.Join(one, "again")
	if err := os.Mkdir(again, 0o755); err != nil {
		t.Fatal(err)
	}
	for _, tc := range []struct{ first, second, verdict string }{{one, again, "hold"}, {one, two, "release"}} {
		var out, errs bytes.Buffer
		code := execute(context.Background(), []string{"copy", card, "--to", tc.first, "--to", tc.second, "--json"}, console{out: &out, err: &errs})
		var got copyResult
		if err := json.Unmarshal(out.Bytes(), &got); err != nil {
			t.Fatalf("%v\n%s%s", err, out.String(), errs.String())
		}
		if code != exitDone || got.Verdict != tc.verdict || len(got.Copies) != 2 {
			t.Errorf("to %s and %s: exit code %d, want 0; %+v, want verdict %s", tc.first, tc.second, code, got, tc.verdict)
		}
		for _, c := range got.Copies {
			copied, err := os.ReadFile(filepath.Join(c.Folder, "DCIM", "100SKUAS", "SKUA0001.MOV"))
			if err != nil || !bytes.Equal(copied, clip) || c.State != "proven" {
				t.Errorf("%+v: %v; equal: %v", c, err, bytes.Equal(copied, clip))
			}
		}
	}
}

// A byte that rots on the medium while the page cache still holds the good one
// must be found: that is the difference between reading a file and proving it.
func TestVerify_reads_the_medium(t *testing.T) {
	t.Parallel()
	needRoot(t)
	disk := loopDisk(t, "bay")
	card := t.TempDir()
	clip := append([]byte("this is where it begins\n"), bytes.Repeat([]byte("a clip that will rot\n"), 10_000)...)
	if err := os.WriteFile(filepath.Join(card, "SKUA0001.MOV"), clip, 0o644); err != nil {
		t.Fatal(err)
	}
	var out, errs bytes.Buffer
	if code := execute(context.Background(), []string{"copy", card, "--to", disk, "--json"}, console{out: &out, err: &errs}); code != exitDone {
		t.Fatalf("exit code %d\n%s%s", code, out.String(), errs.String())
	}
	var copied copyResult
	if err := json.Unmarshal(out.Bytes(), &copied); err != nil {
		t.Fatal(err)
	}
	folder := copied.Copies[0].Folder
	file := filepath.Join(folder, "SKUA0001.MOV")
	if _, err := os.ReadFile(file); err != nil { // now the cache holds it
		t.Fatal(err)
	}
	rot(t, disk+".img", clip[:4096])
	if cached, err := os.ReadFile(file); err != nil || !bytes.Equal(cached, clip) {
		t.Fatalf("the cache does not hide the damage, so this test shows nothing: %v", err)
	}
	out.Reset()
	code := execute(context.Background(), []string{"verify", folder}, console{out: &out, err: &errs})
	if code != exitNotAll || !strings.Contains(out.String(), "changed: "+file) {
		t.Errorf("exit code %d, want 1 and the file named\n%s%s", code, out.String(), errs.String())
	}
}

// rot changes one byte of the block that holds want, in the image below a file
// system that knows nothing of it.
func rot(t *testing.T, image string, want []byte) {
	t.Helper()
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	data, err := io.ReadAll(f)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(data, want)
	if at < 0 || bytes.Contains(data[at+1:], want) {
		t.Fatalf("the image holds the bytes at %d and perhaps elsewhere: want one place", at)
	}
	if _, err := f.WriteAt([]byte{want[0] ^ 1}, int64(at)); err != nil {
		t.Fatal(err)
	}
}

package diagnose

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

var at = time.Date(2026, 11, 25, 14, 0, 0, 0, time.UTC)

func text(s string) func(context.Context) ([]byte, error) {
	return func(context.Context) ([]byte, error) { return []byte(s), nil }
}

// unpack lets tar(1) open a bundle.
func unpack(t *testing.T, bundle []byte) func(name string) string {
	t.Helper()
	dir := t.TempDir()
	cmd := exec.Command("tar", "-xz", "-C", dir)
	cmd.Stdin = bytes.NewReader(bundle)
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("tar: %v\n%s", err, out)
	}
	return func(name string) string {
		t.Helper()
		data, err := os.ReadFile(filepath.Join(dir, "skerry-2", name))
		if err != nil {
			t.Fatal(err)
		}
		return string(data)
	}
}

// What cannot be had is said in its place, and everything else is there.
func TestWrite(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("a", 10) + strings.Repeat("z", MaxPart)
	parts := []Part{
		{"one.txt", "the first", text("guillemot\n")},
		{"fault.txt", "one that fails", func(context.Context) ([]byte, error) { return []byte("a part of it"), errors.New("the disk is gone") }},
		{"missing.txt", "a file that is not there", Files(filepath.Join(t.TempDir(), "none"))},
		{"program.txt", "a program that is not there", Said("no-such-program-of-this-name")},
		{"failed.txt", "a program that fails", Said("sh", "-c", "echo before; echo complaint >&2; exit 3")},
		{"long.txt", "one that is too long", text(long)},
		{"last.txt", "the last", text("razorbill\n")},
	}
	var b bytes.Buffer
	if err := Write(t.Context(), &b, "skerry-2", at, parts); err != nil {
		t.Fatal(err)
	}
	file := unpack(t, b.Bytes())
	for name, words := range map[string][]string{
		"one.txt": {"guillemot\n"}, "last.txt": {"razorbill\n"},
		"fault.txt":   {"a part of it", "This could not be had: the disk is gone"},
		"missing.txt": {"This could not be had: open ", "no such file"},
		"program.txt": {"This could not be had: no-such-program-of-this-name"},
		"failed.txt":  {"before\n", "complaint\n", "exit status 3"},
		"README.txt":  {"one.txt", "the first", "last.txt", "No footage", "serial numbers"},
		"long.txt":    {"(10 bytes before this are left out)\nzzz"},
	} {
		for _, w := range words {
			if got := file(name); !strings.Contains(got, w) {
				t.Errorf("%s does not say %q:\n%.300s", name, w, got)
			}
		}
	}
}

// A program that prints without end is ended with the time that it has, and costs
// bounded memory.
func TestSaid_endless(t *testing.T) {
	t.Parallel()
	begun := filepath.Join(t.TempDir(), "begun")
	if err := exec.Command("mkfifo", begun).Run(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	go func() {
		_, _ = os.ReadFile(begun) // comes back when the program is under way
		cancel()
	}()
	out, err := Said("sh", "-c", `echo >"$0"; exec cat /dev/zero`, begun)(ctx)
	if err == nil || len(out) > 2*MaxPart {
		t.Errorf("%d bytes, %v", len(out), err)
	}
}

// A part that is stuck in the kernel costs its time and no more.
func TestWrite_stuckPart(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		never := make(chan struct{})
		defer close(never)
		stuck := Part{"stuck.txt", "", func(context.Context) ([]byte, error) { <-never; return nil, nil }}
		var b bytes.Buffer
		if err := Write(t.Context(), &b, "skerry-2", at, []Part{stuck, {"last.txt", "", text("razorbill\n")}}); err != nil {
			t.Fatal(err)
		}
		files := map[string]string{}
		packed, err := gzip.NewReader(&b)
		if err != nil {
			t.Fatal(err)
		}
		for r := tar.NewReader(packed); ; {
			head, err := r.Next()
			if err != nil {
				break
			}
			data, err := io.ReadAll(r)
			if err != nil {
				t.Fatal(err)
			}
			files[head.Name] = string(data)
		}
		if !strings.Contains(files["skerry-2/stuck.txt"], "it does not answer") || files["skerry-2/last.txt"] != "razorbill\n" {
			t.Errorf("%q", files)
		}
	})
}

func TestWrite_givenUp(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(t.Context())
	asked := 0
	stop := Part{"x", "", func(context.Context) ([]byte, error) { asked++; cancel(); return nil, nil }}
	if err := Write(ctx, &bytes.Buffer{}, "skerry-2", at, []Part{stop, stop}); !errors.Is(err, context.Canceled) || asked != 1 {
		t.Errorf("%v, %d asked", err, asked)
	}
	full := errors.New("no space left")
	if err := Write(t.Context(), failing{full}, "skerry-2", at, []Part{{"x", "", text(strings.Repeat("x", 1<<20))}}); !errors.Is(err, full) {
		t.Errorf("a bundle that cannot be written: %v", err)
	}
}

type failing struct{ err error }

func (f failing) Write([]byte) (int, error) { return 0, f.err }

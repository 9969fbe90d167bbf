// Package diagnose makes one file of what a helper far away needs to see why a box
// does not do what it should.
//
// It guarantees that what cannot be had is a sentence in its place and stops nothing,
// that each part is bounded in size and time, and that the file says itself what is in
// it. It holds nothing of what cards and drives carry but labels, names of folders, and
// names of files where something was the matter with them; no certificate and no
// password: the web configuration file is not read.
//
// It changes nothing, and sends nothing anywhere.
package diagnose

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"time"
)

// Bounds of each part.
const (
	MaxPart  = 8 << 20 // bytes; more is cut off at the front, where what is oldest stands
	partTime = 20 * time.Second
)

// Part is one file of the bundle.
type Part struct {
	Name string // in the bundle
	What string // one line for a person
	// Take gives the content. Its error stands in the bundle in the content's place,
	// after what was taken by then.
	Take func(ctx context.Context) ([]byte, error)
}

// Write writes the parts into w, compressed, below a folder of the bundle's name and
// after a page that says what is in it. The error is that of writing, or that of ctx.
func Write(ctx context.Context, w io.Writer, name string, at time.Time, parts []Part) error {
	packed := gzip.NewWriter(w)
	archive := tar.NewWriter(packed)
	add := func(file string, data []byte) error {
		head := &tar.Header{Name: name + "/" + file, Mode: 0o644, Size: int64(len(data)), ModTime: at, Format: tar.FormatPAX}
		if err := archive.WriteHeader(head); err != nil {
			return err
		}
		_, err := archive.Write(data)
		return err
	}
	if err := add("README.txt", []byte(Contents(parts))); err != nil {
		return fmt.Errorf("write bundle: %w", err)
	}
	for _, p := range parts {
		data := take(ctx, p)
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := add(p.Name, data); err != nil {
			return fmt.Errorf("write bundle: %w", err)
		}
	}
	if err := errors.Join(archive.Close(), packed.Close()); err != nil {
		return fmt.Errorf("write bundle: %w", err)
	}
	return nil
}

// Contents says what is in a bundle of these parts.
func Contents(parts []Part) string {
	var b strings.Builder
	b.WriteString("What a box knows of itself, for whoever helps from afar. No footage is in it, no\n" +
		"certificate and no password; labels of cards, names of drives and folders, and of files\n" +
		"where something was the matter with them, are, with serial numbers of disks, and whatever\n" +
		"was written into the policy, the unit and the kernel's command line.\n\n")
	for _, p := range parts {
		fmt.Fprintf(&b, "%-16s %s\n", p.Name, p.What)
	}
	return b.String()
}

func take(ctx context.Context, p Part) []byte {
	ctx, cancel := context.WithTimeout(ctx, partTime)
	defer cancel()
	data, err := taken(ctx, p)
	if cut := len(data) - MaxPart; cut > 0 {
		data = append(fmt.Appendf(nil, "(%d bytes before this are left out)\n", cut), data[cut:]...)
	}
	if err != nil {
		data = append(data, "\nThis could not be had: "+err.Error()+"\n"...)
	}
	return data
}

// taken gives up what does not end with its context: a call may be stuck in the kernel
// for as long as the fault lasts that somebody wants to tell of.
func taken(ctx context.Context, p Part) ([]byte, error) {
	type answer struct {
		data []byte
		err  error
	}
	answers := make(chan answer, 1)
	go func() {
		data, err := p.Take(ctx)
		answers <- answer{data, err}
	}()
	select {
	case a := <-answers:
		return a.data, a.err
	case <-ctx.Done():
	}
	select {
	case a := <-answers: // it may have been about to end
		return a.data, a.err
	case <-time.After(2 * time.Second):
		return nil, fmt.Errorf("it does not answer: %w", ctx.Err())
	}
}

// Files takes files one after the other, each after its name. One that is missing is
// an error only when all are.
func Files(names ...string) func(context.Context) ([]byte, error) {
	return func(context.Context) ([]byte, error) {
		var out bytes.Buffer
		var faults []error
		for _, name := range names {
			data, err := head(name)
			if err != nil {
				faults = append(faults, err)
				continue
			}
			if len(names) > 1 {
				fmt.Fprintf(&out, "== %s\n", name)
			}
			out.Write(data)
		}
		if len(faults) < len(names) {
			return out.Bytes(), nil
		}
		return nil, errors.Join(faults...)
	}
}

func head(name string) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, MaxPart))
}

// Said takes what a program prints, its complaints too.
func Said(program string, args ...string) func(context.Context) ([]byte, error) {
	return func(ctx context.Context) ([]byte, error) {
		cmd := exec.CommandContext(ctx, program, args...)
		cmd.Env = append(os.Environ(), "LC_ALL=C.UTF-8", "SYSTEMD_COLORS=0", "SYSTEMD_PAGER=")
		cmd.WaitDelay = time.Second
		out := &tail{}
		cmd.Stdout, cmd.Stderr = out, out
		if err := cmd.Run(); err != nil {
			return out.bytes(), fmt.Errorf("%s %s: %w", program, strings.Join(args, " "), err)
		}
		return out.bytes(), nil
	}
}

// tail keeps the end of what is written to it, twice MaxPart at most.
type tail struct{ kept []byte }

func (t *tail) Write(p []byte) (int, error) {
	t.kept = append(t.kept, p...)
	if over := len(t.kept) - MaxPart; over > MaxPart {
		t.kept = append([]byte(nil), t.kept[over:]...)
	}
	return len(p), nil
}

func (t *tail) bytes() []byte { return t.kept }

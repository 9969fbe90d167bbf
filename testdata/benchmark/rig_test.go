package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestMain lets this binary be its own daemon and its own meter, as the
// benchmark is.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && (os.Args[1] == daemonLife || os.Args[1] == meterLife) {
		os.Exit(start(context.Background(), os.Args[1:], os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

// tinyWish is a rig without throttles.
var tinyWish = wish{cards: []recipe{{seed: 9, clips: 2, clipBytes: 3 * mib, stills: 3, sidecars: 3}}, drives: []speed{{}, {}}}

func needRig(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("left out: loop devices need root")
	}
	for _, program := range []string{"losetup", "mkfs.ext4", "xxhsum"} {
		if _, err := exec.LookPath(program); err != nil {
			t.Skipf("left out: %s is not installed", program)
		}
	}
}

// needThrottle is for what a kernel with cgroups of version 2 alone cannot do.
func needThrottle(t *testing.T) {
	t.Helper()
	needRig(t)
	if _, err := os.Stat(throttleFile("read")); err != nil {
		t.Skipf("this kernel has no driver for throttles: %v", err)
	}
}

// built is the program under test.
func built(t *testing.T) *bench {
	t.Helper()
	b := &bench{options: options{runs: 1}, bothy: filepath.Join(t.TempDir(), "bothy"), log: t.Output()}
	if _, err := tool(t.Context(), "go", "build", "-o", b.bothy, "bothy/daemon/bothy"); err != nil {
		t.Fatal(err)
	}
	return b
}

// loops are the loop devices whose images lie in a rig's folder.
func loops(t *testing.T, dir string) string {
	t.Helper()
	out, err := tool(t.Context(), "losetup", "--list", "--noheadings", "--output", "NAME,BACK-FILE")
	if err != nil {
		t.Fatal(err)
	}
	var ours []string
	for line := range strings.Lines(out) {
		if strings.Contains(line, dir) {
			ours = append(ours, line)
		}
	}
	return strings.Join(ours, "")
}

// The whole way without a throttle, by hand and by the daemon, and nothing left.
func TestRig_everyCopyIsProvenAndNothingIsLeft(t *testing.T) {
	t.Parallel()
	needRig(t)
	b := built(t)
	var dir string
	err := withRig(t.Context(), tinyWish, func(r *rig) error {
		dir = r.dir
		u, err := b.bothyCopy(t.Context(), r)
		if err != nil {
			return err
		}
		if u.Wall <= 0 || u.CPU <= 0 || u.PeakKB <= 0 {
			t.Errorf("a program ran and took nothing: %+v", u)
		}
		for name, text := range map[string]string{"cp": cpAndDiff, "tee": teeAndSum, "sum": cpThenSum} {
			if _, err := publicTool(t.Context(), r, 2, text); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		run, err := daemonRun(t.Context(), r, r.drives, boxOptions{gap: closeLook, trace: true})
		if err != nil {
			return err
		}
		if run.released <= 0 || run.done < run.released || run.firstRead <= 0 || run.firstRead > run.released || run.peakKB <= 0 {
			t.Errorf("the daemon's figures make no sense: %+v", run)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	checkGone(t, dir)
}

// A signal ends the context; the rig goes all the same.
func TestRig_goesWhenTheContextEnds(t *testing.T) {
	t.Parallel()
	needRig(t)
	ctx, cancel := context.WithCancel(t.Context())
	var dir string
	err := withRig(ctx, tinyWish, func(r *rig) error {
		dir = r.dir
		cancel()
		_, err := script(ctx, "tail -f /dev/null")
		return err
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want %v", err, context.Canceled)
	}
	checkGone(t, dir)
}

func checkGone(t *testing.T, dir string) {
	t.Helper()
	if _, err := os.Stat(dir); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("the rig's folder is left: %v", err)
	}
	if left := loops(t, dir); left != "" {
		t.Errorf("loop devices are left:\n%s", left)
	}
}

// A copy that the program calls proven, and that is not what the card was given.
func TestRig_refusesACopyThatIsNotProven(t *testing.T) {
	t.Parallel()
	needRig(t)
	b := built(t)
	var dir string
	err := withRig(t.Context(), tinyWish, func(r *rig) error {
		dir = r.dir
		path := filepath.Join(r.cards[0].point, "DCIM/100SKUAS/SKUA0001.XMP")
		if err := os.WriteFile(path, []byte("not what was made"), 0o644); err != nil {
			return err
		}
		_, err := b.bothyCopy(t.Context(), r)
		return err
	})
	if !errors.Is(err, errUnproven) {
		t.Errorf("got %v, want %v", err, errUnproven)
	}
	checkGone(t, dir)
}

// The disk is said to have a speed, and nothing holds it to that.
func TestCheckBite_noThrottle(t *testing.T) {
	t.Parallel()
	needRig(t)
	for name, s := range map[string]speed{"read": {read: 5}, "write": {write: 5}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			d, err := newDisk(t.Context(), t.TempDir(), "SKERRY_A", 64*mib, 1, s)
			defer func() {
				if err := d.remove(); err != nil {
					t.Error(err)
				}
			}()
			if err != nil {
				t.Fatal(err)
			}
			if err := d.checkBite(t.Context()); !errors.Is(err, errToothless) || errors.Is(err, errOff) {
				t.Errorf("got %v, want %v", err, errToothless)
			}
		})
	}
}

// One call as it is made, for its output and exit code; its figures are nobody's
// business here.
func TestStart_smoke(t *testing.T) {
	t.Parallel()
	needThrottle(t)
	out, dir := &bytes.Buffer{}, t.TempDir()
	code := start(t.Context(), []string{"--runs", "1", "--scale", "0.005", "--out", dir, "limit"}, out, t.Output())
	if text := out.String(); code != exitReported && !strings.Contains(text, errOff.Error()) {
		t.Errorf("exit code %d\n%s", code, text)
	}
	if _, err := os.Stat(filepath.Join(dir, "bench.json")); err != nil {
		t.Error(err)
	}
}

package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"runtime"
	"strings"
	"time"

	"golang.org/x/sys/unix"
)

// throttleRoot is the root blkio cgroup (version 1).
const throttleRoot = "/sys/fs/cgroup/blkio"

// machineCan says why nothing can be measured here, if so.
func machineCan() error {
	if os.Geteuid() != 0 {
		return errors.New("loop devices and throttles need root")
	}
	for _, way := range []string{"read", "write"} {
		if err := unix.Access(throttleFile(way), unix.W_OK); err != nil {
			return fmt.Errorf("this kernel offers no block throttle at %s", throttleFile(way))
		}
	}
	for _, program := range []string{"losetup", "mkfs.ext4", "mount", "umount", "dd", "cp", "diff", "tee", "xxhsum", "bash", "go"} {
		if _, err := exec.LookPath(program); err != nil {
			return fmt.Errorf("%s is not installed", program)
		}
	}
	return nil
}

func throttleFile(way string) string {
	return throttleRoot + "/blkio.throttle." + way + "_bps_device"
}

// machine says on what the figures were taken.
type machine struct {
	Date   string `json:"date"` // UTC
	Cores  int    `json:"cores"`
	Kernel string `json:"kernel"`
	Go     string `json:"go"`
	Tree   string `json:"tree"` // the commit, and whether files differ from it
	Load   string `json:"load"` // of one, five and fifteen minutes, at the start
}

func describeMachine(ctx context.Context) machine {
	m := machine{Date: time.Now().UTC().Format(time.RFC3339), Cores: runtime.NumCPU(), Go: runtime.Version()}
	var u unix.Utsname
	if unix.Uname(&u) == nil {
		m.Kernel = unix.ByteSliceToString(u.Sysname[:]) + " " + unix.ByteSliceToString(u.Release[:]) + " " + unix.ByteSliceToString(u.Machine[:])
	}
	// What is not known is left empty; no figure rests on it.
	if load, err := os.ReadFile("/proc/loadavg"); err == nil {
		m.Load = strings.Join(strings.Fields(string(load))[:3], " ")
	}
	if tree, err := exec.CommandContext(ctx, "git", "describe", "--always", "--dirty", "--abbrev=12").Output(); err == nil {
		m.Tree = strings.TrimSpace(string(tree))
	}
	return m
}

// ticks is the time since the machine started. It is the same clock in every
// process and is not set back.
func ticks() time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(unix.CLOCK_MONOTONIC, &t); err != nil {
		panic(err) // every Linux has this clock
	}
	return time.Duration(t.Nano())
}

// forget drops what the kernel keeps of any medium, so that nothing is read
// from memory. What is not flushed stays; whoever wrote it flushes first.
func forget() error {
	if err := os.WriteFile("/proc/sys/vm/drop_caches", []byte("3"), 0); err != nil {
		return fmt.Errorf("drop the page cache: %w", err)
	}
	return nil
}

package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// usage is what a program took, with all programs that it started.
type usage struct {
	Wall   time.Duration `json:"wall"`
	CPU    time.Duration `json:"cpu"` // user and system
	PeakKB int64         `json:"peak_kb"`
}

// tool runs a program and returns what it printed.
func tool(ctx context.Context, name string, args ...string) (string, error) {
	return toolIn(ctx, "", name, args...)
}

func toolIn(ctx context.Context, dir, name string, args ...string) (string, error) {
	cmd := groupCommand(ctx, name, args...)
	cmd.Dir = dir
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Run(); err != nil {
		return "", fmt.Errorf("run %s: %w: %s", name, err, excerpt(out.String()+errs.String()))
	}
	return out.String(), nil
}

// groupCommand ends with everything that it started when ctx does.
func groupCommand(ctx context.Context, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGTERM) }
	cmd.WaitDelay = 20 * time.Second
	return cmd
}

func excerpt(s string) string {
	s = strings.TrimSpace(s)
	if len(s) > 600 {
		return s[:600] + " ..."
	}
	return s
}

// script runs a bash script under the clock; its arguments are $1, $2 ...
func script(ctx context.Context, text string, args ...string) (usage, error) {
	u, _, err := measured(ctx, "bash", append([]string{"-euo", "pipefail", "-c", text, "_"}, args...)...)
	return u, err
}

// meterLife is the first argument of the small parent.
const meterLife = "--meter"

// measured runs a program under a parent that is small. The kernel charges a
// program with the peak of the one that started it, so this one must not.
func measured(ctx context.Context, name string, args ...string) (usage, []byte, error) {
	read, write, err := os.Pipe()
	if err != nil {
		return usage{}, nil, fmt.Errorf("make a pipe: %w", err)
	}
	defer read.Close()
	cmd := groupCommand(ctx, "/proc/self/exe", append([]string{meterLife, name}, args...)...)
	cmd.ExtraFiles = []*os.File{write}
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	err = cmd.Start()
	write.Close()
	if err != nil {
		return usage{}, nil, fmt.Errorf("run %s: %w", name, err)
	}
	figures, rerr := io.ReadAll(read)
	if err := cmd.Wait(); err != nil {
		if ctx.Err() != nil {
			return usage{}, nil, context.Cause(ctx)
		}
		return usage{}, out.Bytes(), fmt.Errorf("run %s: %w: %s", name, err, excerpt(out.String()+errs.String()))
	}
	var u usage
	if err := errors.Join(rerr, json.Unmarshal(figures, &u)); err != nil {
		return usage{}, nil, fmt.Errorf("take the figures of %s: %w", name, err)
	}
	return u, out.Bytes(), nil
}

// meter runs a program, hands its figures to file descriptor 3, and returns its
// exit code.
func meter(args []string, errs io.Writer) int {
	// main catches the signals that end the whole group; they are the program's
	// to answer, and this one waits for it.
	cmd := exec.Command(args[0], args[1:]...)
	cmd.Stdout, cmd.Stderr = os.Stdout, os.Stderr
	begun := ticks()
	err := cmd.Run()
	u := usage{Wall: ticks() - begun}
	if cmd.ProcessState == nil {
		fmt.Fprintln(errs, err)
		return exitRefused
	}
	u.CPU = cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()
	if r, ok := cmd.ProcessState.SysUsage().(*syscall.Rusage); ok {
		u.PeakKB = r.Maxrss
	}
	if err := json.NewEncoder(os.NewFile(3, "figures")).Encode(u); err != nil {
		fmt.Fprintln(errs, err)
		return exitRefused
	}
	return cmd.ProcessState.ExitCode()
}

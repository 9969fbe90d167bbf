package health

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os/exec"
	"syscall"
	"time"
)

// Smartctl asks through the program of that name.
type Smartctl struct {
	Path  string
	Limit time.Duration // 0 means Limit
}

// Find looks for smartctl; ok is false where it is not installed.
func Find() (s Smartctl, ok bool) {
	path, err := exec.LookPath("smartctl")
	return Smartctl{Path: path}, err == nil
}

// Read implements Prober. A disk that sleeps is left asleep and tells nothing.
func (s Smartctl) Read(ctx context.Context, node string) (Reading, error) {
	limit := s.Limit
	if limit <= 0 {
		limit = Limit
	}
	ctx, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	out := &bounded{left: MaxBytes}
	cmd := exec.CommandContext(ctx, s.Path, "--json=c", "-n", "standby", "-H", "-A", "-i", "--", node)
	cmd.Stdout, cmd.Env, cmd.Dir = out, []string{"PATH=/usr/sbin:/usr/bin:/sbin:/bin", "LC_ALL=C"}, "/"
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = time.Second // for whoever holds the pipe still
	err := cmd.Run()
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		return Reading{}, fmt.Errorf("ask %s how it is: %w", node, context.Cause(ctx))
	case out.over:
		return Reading{}, fmt.Errorf("ask %s how it is: the answer is longer than %d bytes", node, MaxBytes)
	case err != nil && !errors.As(err, &exit):
		return Reading{}, fmt.Errorf("ask %s how it is: %w", node, err)
	}
	// Its exit code is a set of bits, among them that the disk fails; all of that
	// is in the answer.
	return Parse(out.kept.Bytes())
}

// bounded keeps what is written to it up to a limit, and takes the rest for
// nothing.
type bounded struct {
	kept bytes.Buffer // not embedded: its ReadFrom would know no limit
	left int
	over bool
}

func (b *bounded) Write(p []byte) (int, error) {
	if len(p) > b.left {
		b.over = true
		return len(p), nil
	}
	b.left -= len(p)
	return b.kept.Write(p)
}

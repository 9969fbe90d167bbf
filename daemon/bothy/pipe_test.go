package main

import (
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/status"
)

// The journal goes away, and takes the other end of standard error with it. The
// daemon has something to say of its broken policy, and lives on.
func TestRun_outlivesItsJournal(t *testing.T) {
	t.Parallel()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	policy, socket := filepath.Join(dir, "policy.toml"), filepath.Join(dir, "control.sock")
	if err := os.WriteFile(policy, []byte("[box]\ncopies = 0\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	reader, writer, err := os.Pipe()
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, self, "run", "--policy", policy, "--socket", socket, "--listen", "off",
		"--state-dir", filepath.Join(dir, "state"), "--run-dir", filepath.Join(dir, "run"))
	cmd.Args[0] = "bothy" // see TestMain
	cmd.Stderr = writer
	reader.Close()
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	writer.Close()
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	for {
		if saysThatTheJournalIsGone(ctx, socket) {
			break
		}
		select {
		case err := <-ended:
			t.Fatalf("it ended: %v", err)
		case <-time.After(50 * time.Millisecond): // it can only be asked again
		}
	}
	if err := cmd.Process.Signal(syscall.SIGTERM); err != nil && !errors.Is(err, os.ErrProcessDone) {
		t.Fatal(err)
	}
	if err := <-ended; err != nil {
		t.Errorf("told to stop, it ended: %v", err)
	}
}

func saysThatTheJournalIsGone(ctx context.Context, socket string) bool {
	client, err := status.Dial(socket)
	if err != nil {
		return false // it is not there yet
	}
	defer client.Close()
	doc, err := client.Status(ctx)
	if err != nil {
		return false
	}
	for _, c := range doc.Conditions {
		if c.Code == "journal-unreachable" {
			return true
		}
	}
	return false
}

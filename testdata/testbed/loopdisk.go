package testbed

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// LoopDisk attaches an image to this host as a loop device that writes a write
// log, without any guest: QEMU's storage daemon keeps the log and shows the disk
// as a file. It returns the device's node. The disk goes with the test, or when
// detach is called. Needs root and /dev/fuse.
func LoopDisk(t testing.TB, image, log string) (node string, detach func()) {
	t.Helper()
	dir := t.TempDir()
	file := filepath.Join(dir, "disk")
	for _, name := range []string{file, log} {
		if err := os.WriteFile(name, nil, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var said bytes.Buffer
	daemon := exec.Command("qemu-storage-daemon",
		"--blockdev", `{"driver":"file","node-name":"image","filename":"`+image+`","locking":"off","cache":{"no-flush":true}}`,
		"--blockdev", `{"driver":"blklogwrites","node-name":"log","file":"image","log-super-update-interval":1,`+
			`"log":{"driver":"file","filename":"`+log+`","cache":{"no-flush":true}}}`,
		"--export", "fuse,id=disk,node-name=log,mountpoint="+file+",writable=on")
	daemon.Stdout, daemon.Stderr = &said, &said
	daemon.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() {
		daemon.Wait()
		close(ended)
	}()
	loop := ""
	gone := false
	detach = func() {
		if gone {
			return
		}
		gone = true
		if loop != "" {
			if err := command(context.Background(), "losetup", "--detach", loop); err != nil {
				t.Error(err)
			}
		}
		daemon.Process.Signal(syscall.SIGTERM)
		<-ended
	}
	t.Cleanup(detach)
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	for first := true; ; first = false {
		// The file has the disk's size once it is the disk.
		if info, err := os.Stat(file); err == nil && info.Size() > 0 {
			break
		}
		select {
		case <-ended:
			t.Fatalf("qemu-storage-daemon: %s", &said)
		default:
		}
		if pause(ctx, first) != nil {
			t.Fatalf("wait for the disk of %s: %s", image, &said)
		}
	}
	out, err := output(ctx, "losetup", "--find", "--show", file)
	if err != nil {
		t.Fatal(err)
	}
	loop = strings.TrimSpace(string(out))
	return loop, detach
}

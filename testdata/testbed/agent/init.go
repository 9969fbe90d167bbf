package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/unix"
)

const (
	rootDevice = "/dev/vda"
	newRoot    = "/newroot"
	agentPath  = "/run/testbed/agent"
)

// The unit is written to /run on each boot, so that a new agent needs no new
// root image. It starts early: a boot that hangs later can still be looked at.
const agentUnit = `[Unit]
Description=Testbed agent
DefaultDependencies=no
After=systemd-remount-fs.service systemd-tmpfiles-setup-dev.service
[Service]
ExecStart=` + agentPath + `
KillMode=process
StandardError=journal+console
OOMScoreAdjust=-900
`

// initialise turns the initial RAM file system into the running system. It
// returns only when that goes wrong, and the kernel then panics with the
// reason on the console.
func initialise() error {
	for _, m := range []struct{ fsType, dir, data string }{
		{"devtmpfs", "/dev", "mode=0755"},
		{"proc", "/proc", ""},
		{"sysfs", "/sys", ""},
		{"tmpfs", "/run", "mode=0755,size=64m"},
	} {
		if err := mount(m.fsType, m.dir, m.fsType, unix.MS_NOSUID, m.data); err != nil {
			return err
		}
	}
	if err := loadModules("/modules"); err != nil {
		return err
	}
	if err := awaitFile(rootDevice, 30*time.Second); err != nil {
		return err
	}
	if err := mount(rootDevice, newRoot, "ext4", unix.MS_NOATIME, ""); err != nil {
		return err
	}
	if err := installAgent(); err != nil {
		return err
	}
	return switchRoot()
}

func mount(source, dir, fsType string, flags uintptr, data string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	if err := unix.Mount(source, dir, fsType, flags, data); err != nil {
		return fmt.Errorf("mount %s on %s: %w", source, dir, err)
	}
	return nil
}

// loadModules inserts every file of dir in the order of the names.
func loadModules(dir string) error {
	files, err := filepath.Glob(dir + "/*.ko")
	if err != nil {
		return err
	}
	for _, file := range files {
		f, err := os.Open(file)
		if err != nil {
			return err
		}
		err = unix.FinitModule(int(f.Fd()), "", 0)
		f.Close()
		// ENODEV: the module is for hardware that this guest lacks.
		if err != nil && !errors.Is(err, unix.EEXIST) && !errors.Is(err, unix.ENODEV) {
			return fmt.Errorf("load %s: %w", file, err)
		}
	}
	return nil
}

func awaitFile(path string, limit time.Duration) error {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	for {
		if _, err := os.Stat(path); err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("wait for %s: %w", path, ctx.Err())
		case <-tick.C:
		}
	}
}

func installAgent() error {
	self, err := os.ReadFile("/proc/self/exe")
	if err != nil {
		return err
	}
	wants := "/run/systemd/system/sysinit.target.wants"
	for _, dir := range []string{filepath.Dir(agentPath), wants} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			return err
		}
	}
	if err := os.WriteFile(agentPath, self, 0o755); err != nil {
		return err
	}
	unit := "/run/systemd/system/testbed-agent.service"
	if err := os.WriteFile(unit, []byte(agentUnit), 0o644); err != nil {
		return err
	}
	return os.Symlink(unit, wants+"/testbed-agent.service")
}

func switchRoot() error {
	for _, dir := range []string{"/dev", "/proc", "/sys", "/run"} {
		if err := unix.Mount(dir, newRoot+dir, "", unix.MS_MOVE, ""); err != nil {
			return fmt.Errorf("move %s: %w", dir, err)
		}
	}
	// What the initial file system holds is memory: give it back.
	for _, path := range []string{"/modules", "/init"} {
		if err := os.RemoveAll(path); err != nil {
			return err
		}
	}
	if err := os.Chdir(newRoot); err != nil {
		return err
	}
	if err := unix.Mount(".", "/", "", unix.MS_MOVE, ""); err != nil {
		return fmt.Errorf("move the root: %w", err)
	}
	if err := unix.Chroot("."); err != nil {
		return fmt.Errorf("chroot: %w", err)
	}
	if err := unix.Exec("/sbin/init", []string{"/sbin/init"}, []string{"TERM=dumb"}); err != nil {
		return fmt.Errorf("start /sbin/init: %w", err)
	}
	return nil
}

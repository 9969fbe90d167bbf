package testbed

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"bothy/testdata/testbed/wire"
)

// wake starts a guest from the state of one that had just booted. What would
// betray that is set right: the clock, and the kernel's random numbers.
func (g *Guest) wake() {
	g.t.Helper()
	g.wakeFrom(g.savedState())
}

func (g *Guest) wakeFrom(dir string) {
	g.t.Helper()
	started := time.Now()
	os.Remove(g.path("root.qcow2"))
	g.createOverlay(filepath.Join(dir, "root.qcow2"), "qcow2")
	g.powerOn(filepath.Join(dir, "state"))
	ctx, cancel := context.WithTimeout(context.Background(), commandLimit)
	defer cancel()
	entropy := make([]byte, 64)
	rand.Read(entropy)
	if _, err := g.call(ctx, wire.Request{Op: wire.OpSeed}, entropy); err != nil {
		g.t.Fatalf("wake guest: %v\n%s", err, tail(g.Console(), 40))
	}
	g.MustRun(fmt.Sprintf("date -s @%.3f", float64(time.Now().UnixMilli())/1000))
	g.emptySlots()
	g.t.Logf("guest awake in %.1f s", time.Since(started).Seconds())
}

// savedState returns the folder with the state of a booted guest of this size,
// and the disk that belongs to it. The first one to ask boots that guest.
func (g *Guest) savedState() string {
	g.t.Helper()
	cache, err := cacheDir()
	if err != nil {
		g.t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*bootLimit)
	defer cancel()
	version, err := output(ctx, g.arch.qemu, "--version")
	if err != nil {
		g.t.Fatal(err)
	}
	// The state fits one machine and one version of QEMU only. The arguments
	// name kernel, root and initial RAM file system by their contents' hashes;
	// the folder of this one guest must not count.
	recipe := strings.ReplaceAll(strings.Join(g.arguments(), "\n"), g.dir, "")
	sum := sha256.Sum256(append([]byte(recipe), version...))
	dir := filepath.Join(cache, "awake-"+hex.EncodeToString(sum[:8]))
	if err := buildOnce(ctx, dir, func(tmp string) error { return g.saveState(ctx, tmp) }); err != nil {
		g.t.Fatalf("save the state of a booted guest: %v", err)
	}
	return dir
}

func (g *Guest) saveState(ctx context.Context, dir string) error {
	g.t.Helper()
	first := newGuest(g.t, Options{Arch: g.opts.Arch, MemoryMiB: g.opts.MemoryMiB, CPUs: g.opts.CPUs}, g.base)
	first.createOverlay(g.base.root, "raw")
	first.Boot()
	first.MustRun("udevadm settle -t 60; journalctl --sync; sync; echo 3 >/proc/sys/vm/drop_caches")
	return first.saveTo(ctx, dir)
}

// saveTo lets the machine stand still, saves it in dir and switches it off.
func (g *Guest) saveTo(ctx context.Context, dir string) error {
	m := g.machine
	if err := m.qmp.execute(ctx, "stop", nil, nil); err != nil {
		return err
	}
	if err := m.transfer(ctx, "migrate", "exec:cat >"+shellQuote(filepath.Join(dir, "state"))); err != nil {
		return err
	}
	g.kill()
	disk := filepath.Join(dir, "root.qcow2")
	if err := os.Rename(g.path("root.qcow2"), disk); err == nil {
		return nil
	}
	// Another file system than that of the sockets.
	return errors.Join(command(ctx, "cp", "--sparse=always", g.path("root.qcow2"), disk), os.Remove(g.path("root.qcow2")))
}

// restore loads a saved state into a machine that waits for one.
func (m *machine) restore(ctx context.Context, state string) error {
	return m.transfer(ctx, "migrate-incoming", "exec:cat "+shellQuote(state))
}

// transfer moves the state of the machine out or in, and waits for the end.
func (m *machine) transfer(ctx context.Context, command, uri string) error {
	if err := m.qmp.execute(ctx, "migrate-set-capabilities", map[string]any{
		"capabilities": []any{map[string]any{"capability": "events", "state": true}},
	}, nil); err != nil {
		return err
	}
	if command == "migrate" {
		if err := m.qmp.execute(ctx, "migrate-set-parameters", map[string]any{"max-bandwidth": int64(16 << 30)}, nil); err != nil {
			return err
		}
	}
	mark := m.qmp.mark()
	if err := m.qmp.execute(ctx, command, map[string]any{"uri": uri}, nil); err != nil {
		return err
	}
	var status any
	err := m.qmp.await(ctx, mark, func(e qmpEvent) bool {
		status = e.Data["status"]
		return e.Event == "MIGRATION" && (status == "completed" || status == "failed" || status == "cancelled")
	})
	if err == nil && status != "completed" {
		err = fmt.Errorf("%s: it ended as %v", command, status)
	}
	return err
}

func shellQuote(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

// Package testbed boots throw-away Debian guests in QEMU and does to them what
// the field does to a box: plugs and pulls USB disks, swaps cards in a reader
// that stays, cuts the power, changes media behind the kernel's back.
//
// It guarantees that the guest runs a stock Debian 12 with systemd, udev and
// the kernel of bookworm-backports, for amd64 or for arm64, that a guest's disk outlives a power cut
// but never the test, and that what a test sees of an image is what the guest
// was really given. It emulates (TCG) and never uses KVM, so it is slow: about
// a fifth of the machine at best. A test must therefore wait for states and
// never for times.
//
// A power cut is a SIGKILL of QEMU. What the guest's kernel had not handed to
// a disk is lost; what a disk had accepted is kept, flushed or not, since the
// host's page cache survives. A disk that forgets what was not flushed needs
// a write log (USBOptions.WriteLog) and its replay.
//
// The package is for tests only and lives below testdata, where wildcards
// from the top of the repository do not reach: run it by its path,
// "go test ./testdata/testbed/...".
package testbed

import (
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Limits of waiting. They are wide because they only end what has gone wrong:
// a machine that does other work besides can make a guest ten times slower.
const (
	bootLimit    = 15 * time.Minute
	commandLimit = 5 * time.Minute
	deviceLimit  = 5 * time.Minute
)

// Options say what kind of guest to start. The zero value is a good one.
type Options struct {
	// Arch is "amd64", which "" means too, or "arm64", or "arm64-16k": arm64 with a
	// kernel whose pages have 16 KiB, as some boards have it. For arm64 each guest
	// boots, and only the USB keyboard has lights: input0 and five of them.
	Arch      string
	MemoryMiB int       // default 512
	CPUs      int       // default 2
	USB       []USBDisk // plugged in before the power comes on
	// Cold asks for a boot of this guest's own. Without it, and without devices
	// present at boot or kernel arguments, the guest goes on from the saved state
	// of one that had just booted, which is several times faster; its boot id
	// and machine id are then those of all such guests. A power cut is always
	// followed by a real boot.
	Cold bool
	// ReaderSlots, when not 0, gives the guest a USB card reader that stays,
	// with that many slots, empty once Start returns. ReaderCards puts cards in
	// before the power comes on, by slot.
	ReaderSlots int
	ReaderCards map[int]string
	// Hub puts a USB hub on port 1; ports 1.1 to 1.8 are then behind it.
	Hub bool
	// StatusAddress is where HTTPGet finds the daemon; default 127.0.0.1:9810.
	StatusAddress string
	// KernelArgs are added to the kernel's command line.
	KernelArgs string
}

// Guest is one virtual machine and its disks. Its methods fail the test they
// were given when something goes wrong; they may be called from the goroutine
// of that test only.
type Guest struct {
	t    testing.TB
	opts Options
	dir  string // sockets, overlay, console log; gone with the test
	base base
	arch architecture

	machine *machine // nil while the power is off
	disks   map[string]*disk
	slots   []*slot          // of the reader
	blanks  []*slot          // those that hold a blank medium for the time of the boot
	groups  int              // throttle groups made, for their names
	written map[string]int64 // by image: writes to disks that are gone
	loaded  int              // media put into the reader, for their names
}

// Start builds what is missing, boots a guest and waits until systemd has
// finished starting. The guest ends with the test.
func Start(t testing.TB, opts Options) *Guest {
	t.Helper()
	if testing.Short() {
		t.Skip("guest stories are left out with -short")
	}
	if opts.Arch == "" {
		opts.Arch = "amd64"
	}
	if opts.MemoryMiB == 0 {
		opts.MemoryMiB = 512
	}
	if opts.CPUs == 0 {
		opts.CPUs = 2
	}
	if opts.StatusAddress == "" {
		opts.StatusAddress = "127.0.0.1:9810"
	}
	prepare, known := prepareOnce[opts.Arch]
	if !known {
		t.Fatalf("start guest: there is none for %q", opts.Arch)
	}
	base, err := prepare()
	if err != nil {
		t.Fatal(err)
	}
	takeSlot(t)
	g := newGuest(t, opts, base)
	for _, usb := range opts.USB {
		g.disks[usb.ID] = &disk{USBDisk: usb}
	}
	for i := range opts.ReaderSlots {
		s := &slot{number: i}
		if image := opts.ReaderCards[i]; image != "" {
			s.medium = &disk{USBDisk: USBDisk{ID: s.deviceID() + "-first", Image: image}}
		}
		g.slots = append(g.slots, s)
	}
	if opts.Cold || !g.arch.wakes || opts.KernelArgs != "" || len(opts.USB) > 0 || len(opts.ReaderCards) > 0 {
		g.createOverlay(base.root, "raw")
		g.Boot()
	} else {
		g.wake()
	}
	return g
}

// newGuest makes a guest without disks, switched off.
func newGuest(t testing.TB, opts Options, base base) *Guest {
	t.Helper()
	// A socket's path may have 107 bytes; t.TempDir can be longer than that.
	dir, err := os.MkdirTemp("", "testbed-")
	if err != nil {
		t.Fatal(err)
	}
	g := &Guest{t: t, opts: opts, dir: dir, base: base, arch: architectures[opts.Arch], disks: map[string]*disk{}}
	t.Cleanup(func() { os.RemoveAll(dir) })
	t.Cleanup(g.finish)
	return g
}

// createOverlay makes the guest's own disk over one that is shared.
func (g *Guest) createOverlay(below, format string) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	if err := command(ctx, "qemu-img", "create", "-q", "-f", "qcow2", "-F", format, "-b", below, g.path("root.qcow2")); err != nil {
		g.t.Fatal(err)
	}
}

// takeSlot bounds the guests that run at once on this machine, over all test
// processes: more of them than cores only makes each too slow for its limits.
func takeSlot(t testing.TB) {
	t.Helper()
	cache, err := cacheDir()
	if err != nil {
		t.Fatal(err)
	}
	slots := 2
	if n, err := strconv.Atoi(os.Getenv("BOTHY_TESTBED_GUESTS")); err == nil && n > 0 {
		slots = n
	}
	// Who waits stands in the kernel's queue for each slot: it is served in turn,
	// and a test with many guests in a row does not shut out the others.
	got, done := make(chan *os.File), make(chan struct{})
	defer close(done)
	for i := range slots {
		go func() {
			lock, err := os.OpenFile(filepath.Join(cache, fmt.Sprintf("slot-%d.lock", i)), os.O_RDWR|os.O_CREATE, 0o644)
			if err != nil {
				return
			}
			// This goroutine may outlive the call, and gives its slot back then.
			for err = unix.EINTR; err == unix.EINTR; {
				err = unix.Flock(int(lock.Fd()), unix.LOCK_EX)
			}
			select {
			case got <- lock:
			case <-done:
				lock.Close()
			}
		}()
	}
	limit := time.NewTimer(time.Hour)
	defer limit.Stop()
	select {
	case lock := <-got:
		t.Cleanup(func() { lock.Close() })
	case <-limit.C:
		t.Fatalf("no slot of %d for a guest in an hour", slots)
	}
}

func (g *Guest) path(name string) string { return filepath.Join(g.dir, name) }

// Boot switches the power on and waits until systemd has started everything
// and the keyboards, readers and disks that are there have come up. A failed
// unit does not fail it: look at Failed.
func (g *Guest) Boot() {
	g.t.Helper()
	if g.machine != nil {
		g.t.Fatal("boot guest: it is running")
	}
	started := time.Now()
	g.powerOn("")
	g.awaitAgent()
	greeted := time.Since(started)
	// "degraded" is a finished boot with a failed unit: exit status 1.
	state := g.RunFor(bootLimit, "systemctl", "is-system-running", "--wait")
	g.awaitDisks(slices.Collect(maps.Values(g.disks))...)
	g.awaitLEDs()
	g.emptySlots()
	g.t.Logf("guest booted in %.1f s (agent after %.1f s): %s", time.Since(started).Seconds(),
		greeted.Seconds(), strings.TrimSpace(state.Stdout))
}

// PowerCut kills QEMU at once, as a pulled plug would stop the box. Images
// and the guest's own disk keep what they had been given by then.
func (g *Guest) PowerCut() {
	g.t.Helper()
	if g.machine == nil {
		g.t.Fatal("cut the power: it is off")
	}
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	g.switchOff(ctx)
}

// ShutDown has the guest go down in good order, as somebody at its keyboard would, and
// switches it off when it says that it is down.
func (g *Guest) ShutDown() {
	g.t.Helper()
	if g.machine == nil {
		g.t.Fatal("shut down: the power is off")
	}
	ctx, cancel := context.WithTimeout(context.Background(), bootLimit)
	defer cancel()
	// Without this QEMU would end then, and could not be asked what was written.
	if err := g.machine.qmp.execute(ctx, "set-action", map[string]any{"shutdown": "pause"}, nil); err != nil {
		g.t.Fatal(err)
	}
	mark := g.machine.qmp.mark()
	g.MustRun("systemctl poweroff --no-block")
	if err := g.machine.qmp.await(ctx, mark, func(e qmpEvent) bool { return e.Event == "SHUTDOWN" }); err != nil {
		g.t.Fatalf("shut down: %v\n%s", err, tail(g.Console(), 40))
	}
	g.switchOff(ctx)
}

func (g *Guest) switchOff(ctx context.Context) {
	g.t.Helper()
	for _, d := range g.present() {
		if err := g.keepWrites(ctx, d); err != nil {
			g.t.Fatalf("switch off: %v", err)
		}
	}
	g.kill()
}

// Running tells whether the power is on.
func (g *Guest) Running() bool { return g.machine != nil }

// finish ends the guest; after a failure it first tells what the guest knew.
func (g *Guest) finish() {
	if g.machine == nil {
		return
	}
	if g.t.Failed() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		res, err := g.run(ctx, 15*time.Second, nil, "journalctl", "-b", "-o", "short-monotonic", "--no-pager", "-n", "80")
		g.t.Logf("end of the guest's journal (error %v):\n%s", err, res.Stdout)
		g.t.Logf("end of its console:\n%s", tail(g.Console(), 60))
	}
	g.kill()
}

// Console is everything the guest has written to its serial console, over all
// boots.
func (g *Guest) Console() string { return g.log("console.log") }

func (g *Guest) log(name string) string {
	text, err := os.ReadFile(g.path(name))
	if err != nil {
		return err.Error()
	}
	return string(text)
}

func tail(text string, lines int) string {
	all := strings.SplitAfter(text, "\n")
	return strings.Join(all[max(0, len(all)-lines):], "")
}

// WaitFor asks until check says yes. It looks at a machine outside this
// process, so it can only poll; limit ends what will never come. The string
// that check returned last is told when it does.
func (g *Guest) WaitFor(what string, limit time.Duration, check func() (bool, string)) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	for first := true; ; first = false {
		ok, seen := check()
		if ok {
			return
		}
		if pause(ctx, first) != nil {
			g.t.Fatalf("waited %v for: %s\nlast seen: %s", limit, what, seen)
		}
	}
}

// Package testbed boots throw-away Debian guests in QEMU and does to them what
// the field does to a box: plugs and pulls USB disks, swaps cards in a reader
// that stays, cuts the power, changes media behind the kernel's back.
//
// It guarantees that the guest runs a stock Debian 12 with systemd, udev and
// the kernel of bookworm-backports, that a guest's disk outlives a power cut
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
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
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
	MemoryMiB int       // default 640
	CPUs      int       // default 2
	USB       []USBDisk // plugged in before the power comes on
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

	machine *machine // nil while the power is off
	disks   map[string]*disk
	slots   []*slot // of the reader
	blanks  []*slot // those that hold a blank medium for the time of the boot
	groups  int     // throttle groups made, for their names
	loaded  int     // media put into the reader, for their names
}

// machine is what lives from power-on to power-off.
type machine struct {
	process *exec.Cmd
	exited  chan struct{} // closed when QEMU has ended
	exitErr error         // valid after exited
	qmp     *qmp
	channel *channel
}

// Start builds what is missing, boots a guest and waits until systemd has
// finished starting. The guest ends with the test.
func Start(t testing.TB, opts Options) *Guest {
	t.Helper()
	if testing.Short() {
		t.Skip("guest stories are left out with -short")
	}
	if opts.MemoryMiB == 0 {
		opts.MemoryMiB = 640
	}
	if opts.CPUs == 0 {
		opts.CPUs = 2
	}
	if opts.StatusAddress == "" {
		opts.StatusAddress = "127.0.0.1:9810"
	}
	base, err := prepareOnce()
	if err != nil {
		t.Fatal(err)
	}
	// A socket's path may have 107 bytes; t.TempDir can be longer than that.
	dir, err := os.MkdirTemp("", "testbed-")
	if err != nil {
		t.Fatal(err)
	}
	g := &Guest{t: t, opts: opts, dir: dir, base: base, disks: map[string]*disk{}}
	t.Cleanup(func() { os.RemoveAll(dir) })
	takeSlot(t)
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	if err := command(ctx, "qemu-img", "create", "-q", "-f", "qcow2", "-F", "raw", "-b", base.root, g.path("root.qcow2")); err != nil {
		t.Fatal(err)
	}
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
	t.Cleanup(g.finish)
	g.Boot()
	return g
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
	ctx, cancel := context.WithTimeout(context.Background(), time.Hour)
	defer cancel()
	for first := true; ; first = false {
		for i := range slots {
			lock, err := tryLock(filepath.Join(cache, fmt.Sprintf("slot-%d.lock", i)))
			if err != nil {
				t.Fatal(err)
			}
			if lock != nil {
				t.Cleanup(func() { lock.Close() })
				return
			}
		}
		if err := pause(ctx, first); err != nil {
			t.Fatalf("wait for one of %d guest slots: %v", slots, err)
		}
	}
}

func (g *Guest) path(name string) string { return filepath.Join(g.dir, name) }

// Boot switches the power on and waits until systemd has started everything.
// A failed unit does not fail it: look at Failed.
func (g *Guest) Boot() {
	g.t.Helper()
	if g.machine != nil {
		g.t.Fatal("boot guest: it is running")
	}
	ctx, cancel := context.WithTimeout(context.Background(), bootLimit)
	defer cancel()
	started := time.Now()
	if err := g.powerOn(ctx); err != nil {
		g.t.Fatalf("boot guest: %v\n%s", err, g.Console())
	}
	select {
	case <-g.machine.channel.ready:
	case <-g.machine.exited:
		g.t.Fatalf("boot guest: QEMU ended: %v\n%s", g.machine.exitErr, g.Console())
	case <-ctx.Done():
		g.t.Fatalf("boot guest: no word from the agent in %v\n%s", bootLimit, g.Console())
	}
	greeted := time.Since(started)
	// "degraded" is a finished boot with a failed unit: exit status 1.
	state := g.RunFor(bootLimit, "systemctl", "is-system-running", "--wait")
	for _, d := range g.disks {
		g.awaitDisk(d)
	}
	g.emptySlots()
	g.awaitLEDs()
	g.t.Logf("guest booted in %.1f s (agent after %.1f s): %s", time.Since(started).Seconds(),
		greeted.Seconds(), strings.TrimSpace(state.Stdout))
}

func (g *Guest) powerOn(ctx context.Context) error {
	for _, name := range []string{"qmp.sock", "agent.sock"} {
		os.Remove(g.path(name))
	}
	args, err := g.arguments()
	if err != nil {
		return err
	}
	process := exec.Command("qemu-system-x86_64", args...)
	log, err := os.OpenFile(g.path("qemu.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	defer log.Close()
	process.Stdout, process.Stderr = log, log
	// A test binary that dies takes its guests along.
	process.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	if err := process.Start(); err != nil {
		return err
	}
	m := &machine{process: process, exited: make(chan struct{})}
	go func() {
		m.exitErr = process.Wait()
		close(m.exited)
	}()
	g.machine = m
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		select {
		case <-m.exited:
			cancel()
		case <-ctx.Done():
		}
	}()
	if m.channel, err = dialChannel(ctx, g.path("agent.sock")); err != nil {
		return fmt.Errorf("reach the agent's port: %w\n%s", err, g.log("qemu.log"))
	}
	if m.qmp, err = dialQMP(ctx, g.path("qmp.sock")); err != nil {
		return fmt.Errorf("reach QMP: %w\n%s", err, g.log("qemu.log"))
	}
	for _, d := range g.disks {
		if err := g.attach(ctx, d); err != nil {
			return err
		}
	}
	if err := g.plugReader(ctx); err != nil {
		return err
	}
	return m.qmp.execute(ctx, "cont", nil, nil)
}

// arguments is QEMU's command line. The machine starts stopped (-S), so that
// USB disks present at boot are plugged by the same code as later ones.
func (g *Guest) arguments() ([]string, error) {
	args := []string{
		"-S", "-no-user-config", "-nodefaults", "-display", "none", "-nic", "none", "-no-reboot",
		"-machine", "pc", "-accel", "tcg,thread=multi,tb-size=256", "-cpu", "max",
		"-smp", strconv.Itoa(g.opts.CPUs), "-m", strconv.Itoa(g.opts.MemoryMiB),
		"-kernel", g.base.kernel, "-initrd", g.base.initrd,
		"-append", "console=ttyS0 quiet loglevel=5 panic=-1 random.trust_cpu=on mitigations=off " +
			"audit=0 nokaslr no_timer_check tsc=reliable systemd.show_status=0 rw " + g.opts.KernelArgs,
		"-chardev", "file,id=console,append=on,path=" + g.path("console.log"), "-serial", "chardev:console",
		"-qmp", "unix:" + g.path("qmp.sock") + ",server=on,wait=off",
		"-device", "virtio-serial-pci",
		"-chardev", "socket,id=agent,server=on,wait=off,path=" + g.path("agent.sock"),
		"-device", "virtserialport,chardev=agent,name=testbed.agent",
		"-device", "virtio-rng-pci",
		// The overlay outlives a kill of QEMU without flushes to the host's disk.
		"-drive", "if=none,id=root,format=qcow2,cache=unsafe,file=" + g.path("root.qcow2"),
		"-device", "virtio-blk-pci,drive=root",
		"-device", "qemu-xhci,id=xhci,p2=15,p3=15",
		"-device", "usb-kbd,bus=xhci.0,port=15",
	}
	if g.opts.Hub {
		args = append(args, "-device", "usb-hub,bus=xhci.0,port=1,id=hub")
	}
	return args, nil
}

// PowerCut kills QEMU at once, as a pulled plug would stop the box. Images
// and the guest's own disk keep what they had been given by then.
func (g *Guest) PowerCut() {
	g.t.Helper()
	if g.machine == nil {
		g.t.Fatal("cut the power: it is off")
	}
	g.kill()
}

func (g *Guest) kill() {
	m := g.machine
	g.machine = nil
	m.process.Process.Kill()
	<-m.exited
	if m.qmp != nil {
		m.qmp.close()
	}
	if m.channel != nil {
		m.channel.close()
	}
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
		res, err := g.run(ctx, 15*time.Second, nil, "journalctl", "-b", "-o", "short-monotonic", "--no-pager", "-n", "150")
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

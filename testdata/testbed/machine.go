package testbed

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"strconv"
	"syscall"
	"time"
)

// machine is what lives from power-on to power-off.
type machine struct {
	process *exec.Cmd
	exited  chan struct{} // closed when QEMU has ended
	exitErr error         // valid after exited
	qmp     *qmp
	channel *channel
}

// powerOn starts QEMU with the devices that are plugged in. With a saved state
// the guest goes on from there, otherwise it boots.
func (g *Guest) powerOn(state string) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), bootLimit)
	defer cancel()
	err := g.startQEMU(ctx, state)
	if err == nil && state != "" {
		err = g.machine.restore(ctx, state)
	}
	if err == nil {
		err = g.plugAll(ctx)
	}
	if err == nil {
		err = g.machine.qmp.execute(ctx, "cont", nil, nil)
	}
	if err != nil {
		g.t.Fatalf("switch guest on: %v\n%s\n%s", err, g.log("qemu.log"), tail(g.Console(), 40))
	}
}

func (g *Guest) startQEMU(ctx context.Context, state string) error {
	for _, name := range []string{"qmp.sock", "agent.sock"} {
		os.Remove(g.path(name))
	}
	args := g.arguments()
	if state != "" {
		args = append(args, "-incoming", "defer")
	}
	process := exec.Command(g.arch.qemu, args...)
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
	// Ends when QEMU does; kill waits for it.
	go func() {
		m.exitErr = process.Wait()
		close(m.exited)
	}()
	g.machine = m
	// No use in waiting for the sockets of a QEMU that has ended.
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
		return fmt.Errorf("reach the agent's port: %w", err)
	}
	if m.qmp, err = dialQMP(ctx, g.path("qmp.sock")); err != nil {
		return fmt.Errorf("reach QMP: %w", err)
	}
	return nil
}

// plugAll attaches what is plugged in to a machine that stands still.
func (g *Guest) plugAll(ctx context.Context) error {
	if g.opts.Hub {
		if err := g.machine.qmp.execute(ctx, "device_add", map[string]any{
			"driver": "usb-hub", "id": "hub", "bus": "xhci.0", "port": hubPort,
		}, nil); err != nil {
			return err
		}
	}
	for _, d := range g.disks {
		if err := g.attach(ctx, d); err != nil {
			return err
		}
	}
	return g.plugReader(ctx)
}

// awaitAgent waits for the greeting of the agent.
func (g *Guest) awaitAgent() {
	g.t.Helper()
	limit := time.NewTimer(bootLimit)
	defer limit.Stop()
	select {
	case <-g.machine.channel.ready:
	case <-g.machine.exited:
		g.t.Fatalf("boot guest: QEMU ended: %v\n%s\n%s", g.machine.exitErr, g.log("qemu.log"), tail(g.Console(), 40))
	case <-limit.C:
		g.t.Fatalf("boot guest: no word from the agent in %v\n%s", bootLimit, tail(g.Console(), 40))
	}
}

// arguments is QEMU's command line. The machine starts stopped (-S), so that
// USB disks present at boot are plugged by the same code as later ones.
func (g *Guest) arguments() []string {
	return append([]string{
		"-S", "-no-user-config", "-nodefaults", "-display", "none", "-nic", "none", "-no-reboot",
		"-accel", "tcg,thread=multi,tb-size=256",
		"-smp", strconv.Itoa(g.opts.CPUs), "-m", strconv.Itoa(g.opts.MemoryMiB),
		"-kernel", g.base.kernel, "-initrd", g.base.initrd,
		"-append", "quiet loglevel=5 panic=-1 mitigations=off audit=0 nokaslr systemd.show_status=0 rw " +
			"init_on_alloc=0 hardened_usercopy=off randomize_kstack_offset=off " +
			g.arch.append + " " + g.opts.KernelArgs,
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
	}, g.arch.board...)
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

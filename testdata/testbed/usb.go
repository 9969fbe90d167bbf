package testbed

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"bothy/testdata/testbed/wire"
)

// USBDisk is a USB disk made of an image file.
type USBDisk struct {
	ID      string // a word of the test's choosing, unique in the guest
	Image   string // raw image on the host, written in place
	Options USBOptions
}

// USBOptions say what the disk claims about itself and how fast it is.
type USBOptions struct {
	Serial    string // default: the ID
	Removable bool   // RMB bit of INQUIRY, as card readers and most sticks set it
	ReadOnly  bool   // write-protected by the device itself
	// ReadBps and WriteBps throttle the disk, in bytes per second; 0: no limit.
	// An emulated guest itself reaches some tens of MB/s.
	ReadBps, WriteBps int64
	// Port is the socket it is plugged into: "1" to "14", or "1.1" to "1.8"
	// behind the hub. Empty: the next free one, which no story may rely on.
	Port string
	// WriteLog, when set, is a file that gets every write and flush in the
	// format of dm-log-writes, for a replay up to any flush.
	WriteLog string
}

// disk is a USB disk together with what QEMU knows of it.
type disk struct {
	USBDisk
	nodes []string // block nodes, the topmost last
	group string   // throttle group, or ""
}

// PlugUSB plugs a disk in and waits until the guest's udev has dealt with it.
func (g *Guest) PlugUSB(id, image string, options USBOptions) {
	g.t.Helper()
	g.PlugUSBs(USBDisk{ID: id, Image: image, Options: options})
}

// PlugUSBs plugs several disks in, one right after the other, and then waits
// until the guest's udev has dealt with all.
func (g *Guest) PlugUSBs(disks ...USBDisk) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	var list []*disk
	for _, usb := range disks {
		if g.disks[usb.ID] != nil {
			g.t.Fatalf("plug USB disk %s: it is plugged in", usb.ID)
		}
		d := &disk{USBDisk: usb}
		if err := g.attach(ctx, d); err != nil {
			g.t.Fatalf("plug USB disk %s: %v", usb.ID, err)
		}
		g.disks[usb.ID] = d
		list = append(list, d)
	}
	g.awaitDisks(list...)
}

// awaitDisks waits until udev has dealt with disks and their partitions.
func (g *Guest) awaitDisks(disks ...*disk) {
	g.t.Helper()
	if len(disks) == 0 {
		return
	}
	for _, d := range disks {
		g.WaitFor("udev to know disk "+d.ID, deviceLimit, func() (bool, string) {
			known := g.knownDisks()
			return len(known[d.serial()]) > 0, fmt.Sprint(known)
		})
	}
	g.Run("udevadm settle -t 20") // partitions of a disk that is read slowly take longer, and nobody waits for them
}

// knownDisks gives the nodes of the disks that udev has dealt with, by serial number.
func (g *Guest) knownDisks() map[string][]string {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), commandLimit)
	defer cancel()
	a, err := g.call(ctx, wire.Request{Op: wire.OpDisks}, nil)
	if err != nil {
		g.t.Fatalf("ask for disks: %v\n%s", err, tail(g.Console(), 40))
	}
	nodes, node := map[string][]string{}, ""
	for line := range strings.Lines(string(a.payload)) {
		if name, ok := strings.CutPrefix(line, "N:"); ok {
			node = strings.TrimSpace(name)
		} else if serial, ok := strings.CutPrefix(line, "E:ID_SERIAL_SHORT="); ok {
			nodes[strings.TrimSpace(serial)] = append(nodes[strings.TrimSpace(serial)], node)
		}
	}
	return nodes
}

// Node returns the device node of a plugged disk in the guest, as it is now.
func (g *Guest) Node(id string) string {
	g.t.Helper()
	d := g.disks[id]
	if d == nil {
		g.t.Fatalf("find node of disk %s: not plugged in", id)
	}
	known := g.knownDisks()
	if nodes := known[d.serial()]; len(nodes) == 1 {
		return nodes[0]
	}
	g.t.Fatalf("find node of disk %s: %v", id, known)
	return ""
}

func (d *disk) serial() string {
	if d.Options.Serial != "" {
		return d.Options.Serial
	}
	return d.ID
}

// UnplugUSB pulls a disk, ready or not, and waits until QEMU has let go of the
// image. The guest hears of it as it would of a yanked stick.
func (g *Guest) UnplugUSB(id string) {
	g.t.Helper()
	d := g.disks[id]
	if d == nil {
		g.t.Fatalf("unplug USB disk %s: not plugged in", id)
	}
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	delete(g.disks, id)
	if err := g.keepWrites(ctx, d); err != nil {
		g.t.Fatalf("unplug USB disk %s: %v", id, err)
	}
	if err := g.detach(ctx, d); err != nil {
		g.t.Fatalf("unplug USB disk %s: %v", id, err)
	}
}

func (g *Guest) attach(ctx context.Context, d *disk) error {
	q := g.machine.qmp
	top, err := g.addBlocks(ctx, d)
	if err != nil {
		return err
	}
	device := map[string]any{
		"driver": "usb-storage", "id": d.ID, "bus": "xhci.0", "drive": top,
		"serial": d.serial(), "removable": d.Options.Removable,
	}
	if d.Options.Port != "" {
		device["port"] = d.Options.Port
	}
	return q.execute(ctx, "device_add", device, nil)
}

// addBlocks builds the chain image -> write log -> throttle and returns its top.
// The host's page cache is used: guest and host see the same bytes at once,
// and a flush of the guest's is a flush on the host.
func (g *Guest) addBlocks(ctx context.Context, d *disk) (string, error) {
	q := g.machine.qmp
	d.nodes, d.group = nil, ""
	add := func(name string, args map[string]any) error {
		args["node-name"] = name
		if err := q.execute(ctx, "blockdev-add", args, nil); err != nil {
			return err
		}
		d.nodes = append(d.nodes, name)
		return nil
	}
	top := d.ID + "-image"
	// With a write log it is the log that knows what was flushed, so the host
	// need not write anything out.
	cache := map[string]any{"no-flush": d.Options.WriteLog != ""}
	if err := add(top, map[string]any{
		"driver": "raw", "read-only": d.Options.ReadOnly, "cache": cache,
		"file": map[string]any{"driver": "file", "filename": d.Image, "locking": "off", "discard": "unmap", "cache": cache},
	}); err != nil {
		return "", err
	}
	if d.Options.WriteLog != "" {
		if err := os.WriteFile(d.Options.WriteLog, nil, 0o644); err != nil {
			return "", err
		}
		below := top
		top = d.ID + "-log"
		if err := add(top, map[string]any{
			"driver": "blklogwrites", "file": below,
			// Counted at once, so that the log is complete after a power cut.
			"log-super-update-interval": 1,
			"log":                       map[string]any{"driver": "file", "filename": d.Options.WriteLog, "cache": cache},
		}); err != nil {
			return "", err
		}
	}
	if d.Options.ReadBps == 0 && d.Options.WriteBps == 0 {
		return top, nil
	}
	g.groups++
	group := fmt.Sprintf("throttle-%d", g.groups)
	limits := map[string]any{}
	if d.Options.ReadBps > 0 {
		limits["bps-read"] = d.Options.ReadBps
	}
	if d.Options.WriteBps > 0 {
		limits["bps-write"] = d.Options.WriteBps
	}
	if err := q.execute(ctx, "object-add", map[string]any{"qom-type": "throttle-group", "id": group, "limits": limits}, nil); err != nil {
		return "", err
	}
	d.group = group
	below := top
	top = d.ID + "-throttle"
	return top, add(top, map[string]any{"driver": "throttle", "throttle-group": group, "file": below})
}

func (g *Guest) detach(ctx context.Context, d *disk) error {
	q := g.machine.qmp
	mark := q.mark()
	if err := q.execute(ctx, "device_del", map[string]any{"id": d.ID}, nil); err != nil {
		return err
	}
	if err := q.await(ctx, mark, func(e qmpEvent) bool {
		return e.Event == "DEVICE_DELETED" && e.Data["device"] == d.ID
	}); err != nil {
		return err
	}
	return g.removeBlocks(ctx, d)
}

func (g *Guest) removeBlocks(ctx context.Context, d *disk) error {
	q := g.machine.qmp
	for len(d.nodes) > 0 {
		last := len(d.nodes) - 1
		if err := q.execute(ctx, "blockdev-del", map[string]any{"node-name": d.nodes[last]}, nil); err != nil {
			return err
		}
		d.nodes = d.nodes[:last]
	}
	if d.group == "" {
		return nil
	}
	return q.execute(ctx, "object-del", map[string]any{"id": d.group}, nil)
}

// Throttle changes the limits of a disk that was plugged in with some. They hold
// after a power cut too, and may be changed while the power is off.
func (g *Guest) Throttle(id string, readBps, writeBps int64) {
	g.t.Helper()
	d := g.disks[id]
	if d == nil || d.group == "" {
		g.t.Fatalf("throttle disk %s: not plugged in with a limit", id)
	}
	if d.Options.ReadBps, d.Options.WriteBps = readBps, writeBps; g.machine == nil {
		return
	}
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	err := g.machine.qmp.execute(ctx, "qom-set", map[string]any{
		"path": "/objects/" + d.group, "property": "limits",
		"value": map[string]any{"bps-read": readBps, "bps-write": writeBps},
	}, nil)
	if err != nil {
		g.t.Fatalf("throttle disk %s: %v", id, err)
	}
}

// MutateImage overwrites bytes of an image behind the back of whoever has it:
// the guest's kernel learns nothing, its caches stay as they are.
func MutateImage(image string, offset int64, data []byte) error {
	f, err := os.OpenFile(image, os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	_, err = f.WriteAt(data, offset)
	return errors.Join(err, f.Close())
}

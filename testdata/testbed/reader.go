package testbed

import (
	"context"
	"fmt"
	"os"
	"strings"
)

// A slot of the reader is a USB mass-storage device of its own with one
// removable unit, on port 14, 13, ... (QEMU 7.2 reports a missing medium
// wrongly for any unit but the first of a device.) QEMU tells the guest of a
// medium that comes or goes through the SCSI unit attention, as a real reader
// does: the kernel polls, and udev sends "change".
//
// The last sockets are spoken for: the USB keyboard has number 15.
const (
	firstSlotPort = 14
	hubPort       = "1"
)

// slot is one place for a card.
type slot struct {
	number int
	medium *disk // nil while it is empty
}

func (s *slot) deviceID() string { return fmt.Sprintf("slot%d", s.number) }

// serial is what the slot claims as its USB serial number.
func (s *slot) serial() string { return fmt.Sprintf("READER-%d", s.number) }

// plugReader attaches the reader to a machine that has not started yet. A unit
// that is empty when the kernel first meets it makes QEMU 7.2 and the kernel
// reset each other in circles, so an empty slot gets a blank medium for the
// time of the boot; emptySlots takes that out again.
func (g *Guest) plugReader(ctx context.Context) error {
	for _, s := range g.slots {
		d := s.medium
		if d == nil {
			d = &disk{USBDisk: USBDisk{ID: s.deviceID() + "-blank", Image: g.path("blank.img")}}
			if err := makeSparse(d.Image, 1<<20); err != nil {
				return err
			}
			s.medium = d
			g.blanks = append(g.blanks, s)
		}
		if err := g.plugSlot(ctx, s); err != nil {
			return err
		}
	}
	return nil
}

func (g *Guest) plugSlot(ctx context.Context, s *slot) error {
	q := g.machine.qmp
	bridge := s.deviceID() + "-usb"
	if err := q.execute(ctx, "device_add", map[string]any{
		"driver": "usb-bot", "id": bridge, "bus": "xhci.0", "port": fmt.Sprint(firstSlotPort - s.number), "serial": s.serial(),
	}, nil); err != nil {
		return err
	}
	top, err := g.addBlocks(ctx, s.medium)
	if err != nil {
		return err
	}
	if err := q.execute(ctx, "device_add", map[string]any{
		"driver": "scsi-hd", "id": s.deviceID(), "bus": bridge + ".0",
		"removable": true, "drive": top, "vendor": "TESTBED", "product": "Reader",
	}, nil); err != nil {
		return err
	}
	return q.execute(ctx, "qom-set", map[string]any{
		"path": "/machine/peripheral/" + bridge, "property": "attached", "value": true,
	}, nil)
}

// emptySlots takes out the blank media of plugReader.
func (g *Guest) emptySlots() {
	g.t.Helper()
	blanks := g.blanks
	g.blanks = nil
	for _, s := range blanks {
		g.WaitFor("the reader's slots", deviceLimit, func() (bool, string) {
			return g.slotState(s.number).node != "", g.Run("ls -l /sys/block").Stdout
		})
		g.ReaderEject(s.number)
	}
}

// ReaderInsert puts a card into an empty slot and waits until the guest has
// noticed. Of the options, those about the connection mean nothing here.
func (g *Guest) ReaderInsert(number int, image string, options USBOptions) {
	g.t.Helper()
	s := g.slot(number)
	if s.medium != nil {
		g.t.Fatalf("insert into slot %d: there is a card in it", number)
	}
	before := g.slotState(number)
	g.load(s, image, options)
	g.awaitCard(number, before, image)
}

// ReaderSwap takes the card out and puts another in at once, faster than the
// guest polls, and waits until the guest has noticed the other one.
func (g *Guest) ReaderSwap(number int, image string, options USBOptions) {
	g.t.Helper()
	s := g.slot(number)
	before := g.slotState(number)
	g.unload(s)
	g.load(s, image, options)
	g.awaitCard(number, before, image)
}

// ReaderEject takes the card out without a warning and waits until the guest
// has noticed.
func (g *Guest) ReaderEject(number int) {
	g.t.Helper()
	g.unload(g.slot(number))
	g.WaitFor(fmt.Sprintf("slot %d to be seen empty", number), deviceLimit, func() (bool, string) {
		state := g.slotState(number)
		return state.sectors == "0", fmt.Sprintf("%+v", state)
	})
}

// ReaderNode is the device node of a slot, as it is now.
func (g *Guest) ReaderNode(number int) string {
	g.t.Helper()
	state := g.slotState(number)
	if state.node == "" {
		g.t.Fatalf("find slot %d of the reader: no such device\n%s", number, g.Run("ls -l /sys/block").Stdout)
	}
	return state.node
}

// slotState is what the guest's kernel thinks of a slot.
type slotState struct{ node, diskSeq, sectors string }

func (g *Guest) slotState(number int) slotState {
	g.t.Helper()
	const script = `for d in /sys/block/sd*; do
		udevadm info -q property -p $d | grep -qx "ID_SERIAL_SHORT=$0" || continue
		echo /dev/${d##*/} $(cat $d/diskseq $d/size); done; true`
	res := g.RunFor(commandLimit, "sh", "-c", script, g.slots[number].serial())
	fields := append(strings.Fields(res.Stdout), "", "", "")
	return slotState{fields[0], fields[1], fields[2]}
}

func (g *Guest) awaitCard(number int, before slotState, image string) {
	g.t.Helper()
	info, err := os.Stat(image)
	if err != nil {
		g.t.Fatal(err)
	}
	g.WaitFor(fmt.Sprintf("the card in slot %d", number), deviceLimit, func() (bool, string) {
		now := g.slotState(number)
		ok := now.diskSeq != before.diskSeq && now.sectors == fmt.Sprint(info.Size()/512)
		return ok, fmt.Sprintf("before %+v, now %+v", before, now)
	})
	g.MustRun("udevadm settle -t 30")
}

func (g *Guest) slot(number int) *slot {
	g.t.Helper()
	if g.machine == nil || number < 0 || number >= len(g.slots) {
		g.t.Fatalf("use slot %d of the reader: the guest is off or has %d slots", number, len(g.slots))
	}
	return g.slots[number]
}

func (g *Guest) load(s *slot, image string, options USBOptions) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	g.loaded++
	d := &disk{USBDisk: USBDisk{ID: fmt.Sprintf("%s-medium%d", s.deviceID(), g.loaded), Image: image, Options: options}}
	top, err := g.addBlocks(ctx, d)
	if err != nil {
		g.t.Fatalf("insert into slot %d: %v", s.number, err)
	}
	s.medium = d
	for _, step := range []struct {
		name string
		args map[string]any
	}{
		{"blockdev-insert-medium", map[string]any{"id": s.deviceID(), "node-name": top}},
		{"blockdev-close-tray", map[string]any{"id": s.deviceID()}},
	} {
		if err := g.machine.qmp.execute(ctx, step.name, step.args, nil); err != nil {
			g.t.Fatalf("insert into slot %d: %v", s.number, err)
		}
	}
}

func (g *Guest) unload(s *slot) {
	g.t.Helper()
	if s.medium == nil {
		g.t.Fatalf("take the card out of slot %d: it is empty", s.number)
	}
	ctx, cancel := context.WithTimeout(context.Background(), deviceLimit)
	defer cancel()
	q := g.machine.qmp
	for _, err := range []error{
		g.keepWrites(ctx, s.medium),
		q.execute(ctx, "blockdev-open-tray", map[string]any{"id": s.deviceID(), "force": true}, nil),
		q.execute(ctx, "blockdev-remove-medium", map[string]any{"id": s.deviceID()}, nil),
		g.removeBlocks(ctx, s.medium),
	} {
		if err != nil {
			g.t.Fatalf("take the card out of slot %d: %v", s.number, err)
		}
	}
	s.medium = nil
}

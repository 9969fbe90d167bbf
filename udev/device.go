package udev

import (
	"path"
	"strconv"
	"strings"
)

// Device is one block device: a whole disk (possibly an empty slot of a
// reader) or a partition. It is a value to be read, not changed: Snapshots share
// its slices and its map.
//
// A file system may lie on a whole disk without any partition table, so both
// kinds can be candidates; FSUsage tells whether there is one.
type Device struct {
	// Name is the kernel's name, e.g. "sda1". It says nothing about
	// identity: the same slot may have another name after the next boot.
	Name string
	// Node is the device node, e.g. "/dev/sda1".
	Node string
	// SysPath is the device's folder in sysfs.
	SysPath string
	// Major and Minor are the device number.
	Major, Minor uint32
	// DiskSeq is the sequence number of the whole disk's present medium. It
	// is never used twice while the kernel runs and so identifies an insertion.
	// 0 when unknown (kernels before 5.15).
	DiskSeq uint64
	// Disk is the kernel's name of the whole disk; equal to Name on one.
	Disk string
	// Partition is the partition's number; 0 on a whole disk.
	Partition int
	// Partitions are the names of a whole disk's partitions, by number.
	Partitions []string
	// SizeBytes is the size in bytes; 0 means that there is no medium.
	SizeBytes int64
	// Removable and Rotational are the whole disk's. Removable means a medium
	// that leaves its reader, not a disk that can be unplugged.
	Removable, Rotational bool
	// ReadOnly says that the kernel refuses writes to the device or its disk.
	ReadOnly bool
	// Slot is where it is plugged in (ID_PATH); stable over boots.
	Slot string
	// Label, UUID, FSType and FSUsage describe the file system; all are empty
	// without a medium. FSUsage is "filesystem" for one that can be mounted.
	Label, UUID, FSType, FSUsage string
	// Vendor, Model and Serial are what the device claims to be.
	Vendor, Model, Serial string
	// Bus is e.g. "usb", "ata", "mmc", "nvme"; "" when unknown.
	Bus string
	// Holders are the devices built on this one, Slaves those it is built
	// on; kernel names, sorted.
	Holders, Slaves []string
	// DiskKey identifies the physical disk over time, "" when unknown. In a card
	// reader it identifies the reader's slot, since a card behind USB has no
	// serial number of its own. What it rests on is the device's own claim.
	DiskKey string
	// Virtual says that no hardware of its own is behind it (loop, device
	// mapper, md).
	Virtual bool
	// Initialized says that udev has finished with the device as it is now:
	// its database entry exists, is complete and is not an earlier medium's.
	// Until then slot, label and the like are missing, and it is too early
	// to decide anything.
	Initialized bool
	// Properties are udev's properties as they are: not decoded, not
	// cleaned. Pass them through Printable before showing them.
	Properties map[string]string
}

// Whole reports whether d is a whole disk and no partition.
func (d Device) Whole() bool { return d.Partition == 0 }

// DeviceFromProperties builds a Device from udev properties alone, such as
// ParseProperties returns. What only sysfs knows stays at its zero value:
// Removable, ReadOnly, Partitions, Holders, Slaves, and SizeBytes where the
// properties give no size. Wrong values count as missing ones.
func DeviceFromProperties(props map[string]string) Device {
	d := Device{
		Major:      uint32(parseNumber(props["MAJOR"], 32)),
		Minor:      uint32(parseNumber(props["MINOR"], 32)),
		DiskSeq:    parseNumber(props["DISKSEQ"], 64),
		Rotational: parseNumber(props["ID_ATA_ROTATION_RATE_RPM"], 32) > 0,
		SizeBytes:  sizeFromProperties(props),
		Properties: props,
	}
	d.Name, d.Node = namesFromProperties(props)
	d.Disk = d.Name
	if devPath := path.Clean("/" + props["DEVPATH"]); strings.HasPrefix(devPath, "/devices/") {
		d.SysPath = "/sys" + devPath
		d.Virtual = strings.HasPrefix(d.SysPath, "/sys/devices/virtual/")
	}
	if props["DEVTYPE"] == "partition" {
		d.Partition = int(parseNumber(firstOf(props, "PARTN", "ID_PART_ENTRY_NUMBER"), 31))
		d.Disk = ""
		if d.SysPath != "" {
			d.Disk = path.Base(path.Dir(d.SysPath))
		}
	}
	describe(&d, props)
	d.Initialized = udevFinished(props)
	return d
}

// namesFromProperties returns kernel name and node; both are empty when
// DEVNAME is not the name of a node below /dev.
func namesFromProperties(props map[string]string) (name, node string) {
	rest := strings.TrimPrefix(props["DEVNAME"], "/dev/")
	// The kernel writes '!' for the slash of nodes such as /dev/cciss/c0d0.
	name = strings.ReplaceAll(rest, "/", "!")
	if !validName(name) || path.Clean("/"+rest) != "/"+rest {
		return "", ""
	}
	return name, "/dev/" + rest
}

// sizeFromProperties returns a size in bytes, or 0. Partition entries count in
// units of 512 bytes whatever the disk's block size is.
func sizeFromProperties(props map[string]string) int64 {
	if sectors := props["ID_PART_ENTRY_SIZE"]; sectors != "" && props["DEVTYPE"] == "partition" {
		return sectorsToBytes(sectors)
	}
	return int64(parseNumber(props["ID_FS_SIZE"], 63))
}

// describe fills in everything that udev's properties say about d.
func describe(d *Device, props map[string]string) {
	d.Slot = Printable(props["ID_PATH"])
	d.Label = decoded(props, "ID_FS_LABEL_ENC", "ID_FS_LABEL")
	d.UUID = decoded(props, "ID_FS_UUID_ENC", "ID_FS_UUID")
	d.FSType = Printable(props["ID_FS_TYPE"])
	d.FSUsage = Printable(props["ID_FS_USAGE"])
	d.Vendor = strings.TrimSpace(decoded(props, "ID_VENDOR_ENC", "ID_VENDOR"))
	d.Model = strings.TrimSpace(decoded(props, "ID_MODEL_ENC", "ID_MODEL"))
	d.Serial = strings.TrimSpace(Printable(firstOf(props, "ID_SERIAL_SHORT", "ID_SERIAL")))
	d.Bus = Printable(props["ID_BUS"])
	if d.Bus == "" {
		d.Bus = busOf(props["DEVPATH"])
	}
	d.DiskKey = diskKey(d.Bus, props)
}

// diskKey returns the identity of the physical disk. A world wide name is meant
// to be unique; the serial number is so only together with maker and bus,
// and ID_SERIAL holds the maker already.
func diskKey(bus string, props map[string]string) string {
	if wwn := Printable(firstOf(props, "ID_WWN_WITH_EXTENSION", "ID_WWN")); wwn != "" {
		return "wwn:" + wwn
	}
	if serial := Printable(props["ID_SERIAL"]); serial != "" {
		return bus + ":" + serial
	}
	return ""
}

// busOf guesses the bus from the device's place in sysfs, for the kinds for
// which udev's rules set no ID_BUS.
func busOf(devPath string) string {
	for _, bus := range []struct{ part, name string }{
		{"/mmc_host/", "mmc"}, {"/nvme/", "nvme"}, {"/nvme-subsystem/", "nvme"}, {"/usb", "usb"}, {"/virtio", "virtio"},
	} {
		if strings.Contains(devPath, bus.part) {
			return bus.name
		}
	}
	return ""
}

// udevFinished reports whether udev has run its rules for the device.
// ID_PROCESSING is set by newer versions while they still run (from memory).
func udevFinished(props map[string]string) bool {
	return props["USEC_INITIALIZED"] != "" && props["ID_PROCESSING"] != "1"
}

// validName reports whether name can be a kernel name, and so is harmless as one
// element of a path.
func validName(name string) bool {
	return name != "" && name != "." && name != ".." && len(name) <= maxNameBytes &&
		!strings.ContainsAny(name, "/\x00")
}

// firstOf returns the first non-empty property among keys.
func firstOf(props map[string]string, keys ...string) string {
	for _, key := range keys {
		if value := props[key]; value != "" {
			return value
		}
	}
	return ""
}

// parseNumber returns 0 for anything that is no decimal number of that many bits.
func parseNumber(s string, bits int) uint64 {
	n, err := strconv.ParseUint(s, 10, bits)
	if err != nil {
		return 0
	}
	return n
}

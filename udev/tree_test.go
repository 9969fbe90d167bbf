package udev

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// The devices of the fixtures, as they must come out.
var (
	readerSlot = Device{
		Removable: true, Rotational: true, Bus: "usb", Initialized: true,
		Vendor: "Fulmar", Model: "Two Slot Reader", Serial: "FR000042",
	}
	ssdPart = Device{
		Major: 8, DiskSeq: 14, Disk: "sdd", Slot: "pci-0000:00:14.0-usb-0:1:1.0-scsi-0:0:0:0",
		FSUsage: "filesystem", Vendor: "Petrel", Model: "Portable 1TB", Serial: "PT0000001007", Bus: "usb",
		DiskKey: "wwn:0x5000000000000b07", Initialized: true,
	}
	systemPart = Device{
		Major: 259, DiskSeq: 1, Disk: "nvme0n1", Slot: "pci-0000:01:00.0-nvme-1", Model: "Gannet NV256",
		Serial: "GN0000000001", Bus: "nvme", DiskKey: "wwn:eui.00000000000000a1", Initialized: true,
	}
	dmDisk = Device{
		Major: 8, DiskSeq: 6, Disk: "sde", Rotational: true, Slot: "pci-0000:00:17.0-ata-1", Model: "Razorbill_HD",
		Serial: "RB0000000009", Bus: "ata", DiskKey: "ata:Razorbill_HD_RB0000000009", Initialized: true,
	}
)

// slot returns the reader's slot with that LUN, as name.
func slot(name string, minor uint32, lun string, seq uint64, sectors int64) Device {
	d := readerSlot
	d.Name, d.Node, d.Disk, d.Major, d.Minor = name, "/dev/"+name, name, 8, minor
	d.Slot = "pci-0000:00:14.0-usb-0:2:1.0-scsi-0:0:0:" + lun
	d.DiskKey = "usb:Fulmar_Two_Slot_Reader_FR000042-0:" + lun
	d.DiskSeq, d.SizeBytes = seq, sectors*512
	return d
}

// as returns d after change.
func as(d Device, name string, minor uint32, sectors int64, change func(*Device)) Device {
	d.Name, d.Node, d.Minor, d.SizeBytes = name, "/dev/"+name, minor, sectors*512
	change(&d)
	return d
}

func filesystem(label, uuid, kind string) func(*Device) {
	return func(d *Device) { d.Label, d.UUID, d.FSType, d.FSUsage = label, uuid, kind, "filesystem" }
}

func TestTree_Enumerate(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name     string
		archives []string
		want     []Device
	}{
		{"no devices", nil, nil},
		{"system disk; RAM disks and a hidden device left out", []string{"system"}, []Device{
			as(systemPart, "nvme0n1", 0, 500118192, func(d *Device) { d.Partitions = []string{"nvme0n1p1", "nvme0n1p2"} }),
			as(systemPart, "nvme0n1p1", 1, 1048576, func(d *Device) { d.Partition = 1; filesystem("", "00A1-00B2", "vfat")(d) }),
			as(systemPart, "nvme0n1p2", 2, 499066880, func(d *Device) {
				d.Partition = 2
				filesystem("root", "11111111-2222-4333-8444-555555555501", "ext4")(d)
			}),
		}},
		{"reader: FAT32 on the whole disk, second slot empty", []string{"reader-second-slot-empty", "card-whole"}, []Device{
			as(slot("sdb", 16, "0", 21, 0), "sdb", 16, 62333952, filesystem("SKUA_A003", "2A2B-0003", "vfat")),
			slot("sdc", 32, "1", 12, 0),
		}},
		{"reader: a partition, write-protected", []string{"card-partition"}, []Device{
			as(slot("sdb", 16, "0", 22, 0), "sdb", 16, 124735488, func(d *Device) { d.Partitions, d.ReadOnly = []string{"sdb1"}, true }),
			as(slot("sdb", 16, "0", 22, 0), "sdb1", 17, 124702720, func(d *Device) {
				d.Partition, d.ReadOnly = 1, true
				filesystem("SKUA 7 north", "2A2B-0007", "exfat")(d)
			}),
		}},
		{"two partitions of one disk", []string{"ssd"}, []Device{
			as(ssdPart, "sdd", 48, 1953525168, func(d *Device) { d.FSUsage, d.Partitions = "", []string{"sdd1", "sdd2"} }),
			as(ssdPart, "sdd1", 49, 976562176, func(d *Device) {
				d.Partition = 1
				filesystem("bay-1", "11111111-2222-4333-8444-555555555507", "ext4")(d)
			}),
			as(ssdPart, "sdd2", 50, 976558080, func(d *Device) { d.Partition = 2; filesystem("hand-over", "2A2B-1007", "exfat")(d) }),
		}},
		{"loop devices", []string{"loop"}, []Device{
			as(Device{Major: 7, Disk: "loop0", DiskSeq: 17, Virtual: true, Initialized: true}, "loop0", 0, 4194304,
				filesystem("image", "11111111-2222-4333-8444-555555555510", "ext4")),
			as(Device{Major: 7, Disk: "loop1", DiskSeq: 3, Virtual: true}, "loop1", 1, 0, func(*Device) {}),
		}},
		{"device mapper over partitions", []string{"dm"}, []Device{
			as(Device{Major: 254, Disk: "dm-0", DiskSeq: 9, Virtual: true, Initialized: true, Rotational: true}, "dm-0", 0, 3906000000,
				func(d *Device) {
					d.Slaves = []string{"sde1", "sde2"}
					filesystem("archive", "11111111-2222-4333-8444-555555555509", "xfs")(d)
				}),
			as(dmDisk, "sde", 64, 3907029168, func(d *Device) { d.Partitions = []string{"sde1", "sde2"} }),
			as(dmDisk, "sde1", 65, 1953513472, func(d *Device) {
				d.Partition, d.Holders = 1, []string{"dm-0"}
				d.UUID, d.FSType, d.FSUsage = "aaaaaa-0001", "LVM2_member", "raid"
			}),
			as(dmDisk, "sde2", 66, 1953511424, func(d *Device) {
				d.Partition, d.Holders = 2, []string{"dm-0"}
				d.UUID, d.FSType, d.FSUsage = "aaaaaa-0002", "LVM2_member", "raid"
			}),
		}},
		{"odd ones", []string{"odd"}, []Device{
			as(Device{Major: 104, Disk: "cciss!c0d0", DiskSeq: 40, Initialized: true}, "cciss!c0d0", 0, 2048, func(d *Device) {
				d.Node, d.Serial, d.DiskKey = "/dev/cciss/c0d0", "x=y=z", ":x=y=z"
				// The newline, the right-to-left override and the stray byte are
				// replaced; a cut escape at the end stays; markup is text.
				filesystem("<b>\ufffd\ufffd../\ufffd"+`\x41\x4`, "", "ext4")(d)
			}),
			as(Device{Major: 65, Disk: "sdx", DiskSeq: 41}, "sdx", 112, 4096, func(*Device) {}),
			as(Device{Major: 65, Disk: "sdy", Initialized: true}, "sdy", 128, 4096, func(d *Device) { d.Serial, d.DiskKey = "old", ":old" }),
			as(Device{Major: 65, Disk: "sdz", DiskSeq: 42}, "sdz", 144, 0, func(d *Device) { d.Serial, d.DiskKey = "liar", ":liar" }),
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := unpack(t, tt.archives...).Enumerate(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(tt.want, withoutDetail(got)); diff != "" {
				t.Errorf("devices (-want +got):\n%s", diff)
			}
		})
	}
}

// A reader that stays: the list of each step, and what changes between them.
func TestTree_Enumerate_cardSwap(t *testing.T) {
	t.Parallel()
	empty := slot("sdb", 16, "0", 30, 0)
	first := as(slot("sdb", 16, "0", 31, 0), "sdb", 16, 62333952, filesystem("SKUA_A003", "2A2B-0003", "vfat"))
	// udev's entry is still the first card's: nothing in it may be believed.
	unknown := func(d *Device) {
		d.Label, d.UUID, d.FSType, d.FSUsage, d.Slot, d.DiskKey, d.Vendor, d.Model, d.Serial = "", "", "", "", "", "", "", "", ""
		d.Bus, d.Initialized = "usb", false
	}
	pulled := as(first, "sdb", 16, 0, func(d *Device) { unknown(d); d.DiskSeq = 32 })
	early := as(first, "sdb", 16, 62333952, func(d *Device) { unknown(d); d.DiskSeq = 33 })
	second := as(slot("sdb", 16, "0", 33, 0), "sdb", 16, 62333952, filesystem("SKUA_A004", "2A2B-0004", "vfat"))

	steps := []struct {
		archive string
		want    Device
		change  Change
	}{
		{"swap/1-empty", empty, Change{Added: []Device{empty}}},
		{"swap/2-first", first, Change{Removed: []Device{empty}, Added: []Device{first}}},
		{"swap/3-pulled", pulled, Change{Removed: []Device{first}, Added: []Device{pulled}}},
		{"swap/4-second-early", early, Change{Removed: []Device{pulled}, Added: []Device{early}}},
		{"swap/5-second", second, Change{Changed: []Device{second}}},
	}
	tree := unpack(t)
	var before []Device
	for _, step := range steps {
		lay(t, tree, step.archive)
		got, err := tree.Enumerate(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		after := withoutDetail(got)
		if diff := cmp.Diff([]Device{step.want}, after); diff != "" {
			t.Errorf("%s: devices (-want +got):\n%s", step.archive, diff)
		}
		if diff := cmp.Diff(step.change, Diff(before, after)); diff != "" {
			t.Errorf("%s: change (-want +got):\n%s", step.archive, diff)
		}
		before = after
	}
}

// The entry of a partition has no link with the sequence number; it is judged by
// the disk's.
func TestTree_Lookup_partitionOfEarlierMedium(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-partition")
	disk, err := tree.deviceDir("sdb")
	if err != nil {
		t.Fatal(err)
	}
	if d, err := tree.Lookup("sdb1"); err != nil || !d.Initialized || d.Label != "SKUA 7 north" {
		t.Fatalf("Lookup = %+v, %v; want the label of the present medium", d, err)
	}
	write(t, filepath.Join(disk, "diskseq"), "23\n")
	if d, err := tree.Lookup("sdb1"); err != nil || d.Initialized || d.Label != "" || d.DiskSeq != 23 {
		t.Fatalf("Lookup = %+v, %v; want no label, for it is the earlier medium's", d, err)
	}
}

// An empty slot has no label, whatever udev's entry says.
func TestTree_Lookup_emptySlotHasNoLabel(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-whole")
	dir, err := tree.deviceDir("sdb")
	if err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(dir, "size"), "0\n")
	d, err := tree.Lookup("sdb")
	if err != nil || d.Label+d.UUID+d.FSType+d.FSUsage != "" {
		t.Fatalf("Lookup = %+v, %v; want no file system", d, err)
	}
	if d.Properties["ID_FS_LABEL"] != "SKUA_A003" {
		t.Errorf("Properties do not hold udev's words unchanged: %v", d.Properties)
	}
}

func TestTree_Lookup_properties(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-partition")
	d, err := tree.Lookup("sdb1")
	if err != nil {
		t.Fatal(err)
	}
	for key, want := range map[string]string{
		"DEVNAME": "/dev/sdb1", "DEVTYPE": "partition", "SUBSYSTEM": "block", "DISKSEQ": "22", "PARTN": "1",
		"ID_FS_LABEL_ENC": `SKUA\x207\x20north`, "ID_DRIVE_FLASH_SD": "1", "TAGS": ":systemd:", "USEC_INITIALIZED": "52341870",
	} {
		if got := d.Properties[key]; got != want {
			t.Errorf("property %s = %q, want %q", key, got, want)
		}
	}
	if want := strings.TrimPrefix(d.SysPath, tree.Sys); d.Properties["DEVPATH"] != want {
		t.Errorf("property DEVPATH = %q, want %q", d.Properties["DEVPATH"], want)
	}
	byNumber, err := tree.LookupNumber(8, 17)
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(d, byNumber); diff != "" {
		t.Errorf("LookupNumber differs from Lookup:\n%s", diff)
	}
}

func TestTree_Lookup_noSuchDevice(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-whole", "system")
	for _, name := range []string{"", ".", "..", "sdq", "sdb/..", "../sdb", "/dev/sdb", "sdb\x00", strings.Repeat("s", 300), "nvme0c0n1"} {
		if d, err := tree.Lookup(name); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("Lookup(%q) = %+v, %v; want fs.ErrNotExist", name, d, err)
		}
	}
	if _, err := tree.LookupNumber(9, 9); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("LookupNumber: %v; want fs.ErrNotExist", err)
	}
}

// Each way of being half gone: the link dangles, or one of the files that every
// device has is missing.
func TestTree_Enumerate_vanishing(t *testing.T) {
	t.Parallel()
	for _, missing := range []string{"", "dev", "size", "uevent"} {
		t.Run("without "+missing, func(t *testing.T) {
			t.Parallel()
			tree := unpack(t, "card-whole", "ssd")
			dir, err := tree.deviceDir("sdb")
			if err != nil {
				t.Fatal(err)
			}
			if err := os.RemoveAll(filepath.Join(dir, missing)); err != nil {
				t.Fatal(err)
			}
			got, err := tree.Enumerate(t.Context())
			if err != nil || len(got) != 3 || got[0].Name != "sdd" {
				t.Errorf("Enumerate = %v, %v; want the three of sdd", withoutDetail(got), err)
			}
		})
	}
}

// A device that cannot be read is named and does not hide the others.
func TestTree_Enumerate_unreadableDevice(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-whole", "ssd")
	entry := filepath.Join(tree.Run, "data/b8:16")
	if err := os.Remove(entry); err != nil {
		t.Fatal(err)
	}
	makeDir(t, entry) // reading it gives EISDIR
	got, err := tree.Enumerate(t.Context())
	if err == nil || !strings.Contains(err.Error(), `"sdb"`) || errors.Is(err, fs.ErrNotExist) {
		t.Errorf("error = %v; want one that names sdb", err)
	}
	if len(got) != 3 {
		t.Errorf("devices = %v; want the three of sdd", withoutDetail(got))
	}
}

func TestTree_Enumerate_nothingListed(t *testing.T) {
	t.Parallel()
	if got, err := (Tree{Sys: t.TempDir(), Run: t.TempDir()}).Enumerate(t.Context()); got != nil || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Enumerate = %v, %v; want nil and an error", got, err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if got, err := unpack(t, "ssd").Enumerate(ctx); got != nil || !errors.Is(err, context.Canceled) {
		t.Errorf("Enumerate = %v, %v; want nil and context.Canceled", got, err)
	}
}

func TestTree_DiskSeq(t *testing.T) {
	t.Parallel()
	tree := unpack(t, "card-partition", "reader-second-slot-empty", "odd")
	tests := []struct {
		disk string
		seq  uint64
		size int64
		err  error
	}{
		{"sdb", 22, 124735488 * 512, nil},
		{"sdb1", 22, 124735488 * 512, nil},
		{"sdc", 12, 0, nil},
		{"sdy", 0, 4096 * 512, ErrNoDiskSeq},
		{"sdq", 0, 0, fs.ErrNotExist},
		{"../class", 0, 0, fs.ErrNotExist},
	}
	for _, tt := range tests {
		seq, size, err := tree.DiskSeq(tt.disk)
		if seq != tt.seq || size != tt.size || !errors.Is(err, tt.err) {
			t.Errorf("DiskSeq(%q) = %d, %d, %v; want %d, %d, %v", tt.disk, seq, size, err, tt.seq, tt.size, tt.err)
		}
	}
}

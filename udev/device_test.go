package udev

import (
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestDeviceFromProperties(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		props map[string]string
		want  Device
	}{
		{"nothing", nil, Device{}},
		{"whole disk with a file system", map[string]string{
			"DEVNAME": "/dev/sdb", "DEVTYPE": "disk", "MAJOR": "8", "MINOR": "16", "DISKSEQ": "21", "USEC_INITIALIZED": "5",
			"DEVPATH":      "/devices/pci0/usb1/block/sdb",
			"ID_FS_USAGE":  "filesystem",
			"ID_FS_TYPE":   "vfat",
			"ID_FS_LABEL":  "SKUA_7",
			"ID_FS_SIZE":   "4096",
			"ID_VENDOR":    "Fulmar",
			"ID_SERIAL":    "Fulmar_R-0:0",
			"ID_MODEL_ENC": `R\x20`,
		}, Device{
			Name: "sdb", Node: "/dev/sdb", SysPath: "/sys/devices/pci0/usb1/block/sdb", Major: 8, Minor: 16, DiskSeq: 21, Disk: "sdb",
			FSUsage: "filesystem", FSType: "vfat", Label: "SKUA_7", SizeBytes: 4096, Vendor: "Fulmar", Model: "R", Bus: "usb",
			Serial: "Fulmar_R-0:0", DiskKey: "usb:Fulmar_R-0:0", Initialized: true,
		}},
		{"partition", map[string]string{
			"DEVNAME": "/dev/mmcblk0p2", "DEVTYPE": "partition", "PARTN": "2", "ID_PART_ENTRY_SIZE": "8",
			"DEVPATH":   "/devices/platform/x/mmc_host/mmc0/mmc0:0001/block/mmcblk0/mmcblk0p2",
			"ID_SERIAL": "0xabc", "ID_SERIAL_SHORT": "abc", "ID_WWN": "w", "ID_WWN_WITH_EXTENSION": "wx",
		}, Device{
			Name: "mmcblk0p2", Node: "/dev/mmcblk0p2", Disk: "mmcblk0", Partition: 2, SizeBytes: 4096, Bus: "mmc", Serial: "abc", DiskKey: "wwn:wx",
			SysPath: "/sys/devices/platform/x/mmc_host/mmc0/mmc0:0001/block/mmcblk0/mmcblk0p2",
		}},
		{"virtual; udev is still at it", map[string]string{
			"DEVNAME": "/dev/dm-0", "DEVPATH": "/devices/virtual/block/dm-0", "USEC_INITIALIZED": "5", "ID_PROCESSING": "1",
		}, Device{Name: "dm-0", Node: "/dev/dm-0", Disk: "dm-0", SysPath: "/sys/devices/virtual/block/dm-0", Virtual: true}},
		{"node in a folder", map[string]string{"DEVNAME": "/dev/cciss/c0d0"},
			Device{Name: "cciss!c0d0", Node: "/dev/cciss/c0d0", Disk: "cciss!c0d0"}},
		{"a node elsewhere is none", map[string]string{"DEVNAME": "/dev/../etc/passwd", "DEVPATH": "/etc", "MAJOR": "-1", "PARTN": "x"}, Device{}},
		{"spinning disk", map[string]string{"ID_ATA_ROTATION_RATE_RPM": "5400"}, Device{Rotational: true}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			tt.want.Properties = tt.props
			if diff := cmp.Diff(tt.want, DeviceFromProperties(tt.props)); diff != "" {
				t.Errorf("device (-want +got):\n%s", diff)
			}
		})
	}
}

// What `bothy explain` makes of the properties is what the daemon sees, apart from
// what only sysfs knows.
func TestDeviceFromProperties_agreesWithTree(t *testing.T) {
	t.Parallel()
	devices, err := unpack(t, "system", "card-partition", "reader-second-slot-empty", "ssd", "dm").Enumerate(t.Context())
	if err != nil || len(devices) == 0 {
		t.Fatalf("Enumerate: %d devices, %v", len(devices), err)
	}
	for _, want := range devices {
		got := DeviceFromProperties(want.Properties)
		want.SysPath = "/sys" + want.Properties["DEVPATH"]
		want.Removable, want.Rotational, want.ReadOnly = false, false, false
		want.Partitions, want.Holders, want.Slaves = nil, nil, nil
		got.Rotational = false
		if want.SizeBytes = 0; got.Partition == 0 {
			got.SizeBytes = 0
		}
		if n := want.Properties["ID_PART_ENTRY_SIZE"]; n != "" {
			want.SizeBytes = sectorsToBytes(n)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-tree +properties):\n%s", want.Name, diff)
		}
	}
}

func TestMemoryBacked(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]bool{
		"ram0": true, "ram15": true, "zram0": true, "ram": false, "zram": false, "rambo": false, "sda": false, "zd0": false, "ram0p1": false,
	} {
		if got := memoryBacked(name); got != want {
			t.Errorf("memoryBacked(%q) = %v, want %v", name, got, want)
		}
	}
}

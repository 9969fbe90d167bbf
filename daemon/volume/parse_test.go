package volume

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

func TestParseMountinfo(t *testing.T) {
	t.Parallel()
	// The first line is the example of proc_pid_mountinfo(5).
	const text = `36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue
nonsense
37 36 0:41 / /mnt/a\040b\134c rw - btrfs /dev/sda1 rw,subvol=/
38 36 x:y / /mnt rw - ext4 /dev/sdb rw
39 36 8:1 / /mnt rw
`
	got, err := parseMountinfo(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	want := []mountEntry{
		{id: 36, major: 98, root: "/mnt1", point: "/mnt2", fsType: "ext3", source: "/dev/root", superOptions: "rw,errors=continue"},
		{id: 37, minor: 41, root: "/", point: `/mnt/a b\c`, fsType: "btrfs", source: "/dev/sda1", superOptions: "rw,subvol=/"},
	}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(mountEntry{})); diff != "" {
		t.Error(diff)
	}
}

func FuzzParseMountLine(f *testing.F) {
	f.Add(`36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue`)
	f.Add(`37 36 0:41 / /mnt/a\040b\134 rw - btrfs \7 rw`)
	f.Add(" - ")
	f.Fuzz(func(t *testing.T, line string) {
		if e, ok := parseMountLine(line); ok && e.fsType == "" {
			t.Errorf("%q gave a mount without a type", line)
		}
	})
}

// ntfsImage is a boot sector and a $Volume record, laid out by hand, from
// memory of the format; the kernel's own volumes are tried in TestCard where it
// has the driver.
func ntfsImage(flags byte) []byte {
	b := make([]byte, 64<<10)
	copy(b[3:], "NTFS    ")
	b[12], b[13] = 2, 8 // 512 bytes a sector, 8 sectors a cluster
	b[48], b[64] = 4, 0xF6
	rec := b[4*4096+3*1024:]
	copy(rec, "FILE")
	rec[20] = 56
	le.PutUint32(rec[56:], 0x10)
	le.PutUint32(rec[60:], 72)
	le.PutUint32(rec[128:], 0x70)
	le.PutUint32(rec[132:], 40)
	rec[128+20] = 24
	rec[128+24+10] = flags
	le.PutUint32(rec[168:], 0xFFFFFFFF)
	return b
}

func TestDirtyMarks_ofHandMadeImages(t *testing.T) {
	t.Parallel()
	exfat := make([]byte, 512)
	copy(exfat[3:], "EXFAT   ")
	exfatDirtied := bytes.Clone(exfat)
	exfatDirtied[106] = 2
	fat := func(state byte, entry uint32) []byte {
		b := make([]byte, 64<<10)
		b[12], b[13], b[14], b[16] = 2, 1, 32, 2 // 512-byte sectors, 32 reserved
		b[65], b[510], b[511] = state, 0x55, 0xAA
		le.PutUint32(b[32*512+4:], entry)
		return b
	}
	tests := []struct {
		name, kernelName string
		image            []byte
		want             bool
	}{
		{"NTFS clean", "ntfs3", ntfsImage(0), false},
		{"NTFS dirty", "ntfs3", ntfsImage(1), true},
		{"exFAT clean", "exfat", exfat, false},
		{"exFAT dirty", "exfat", exfatDirtied, true},
		{"FAT32 clean", "vfat", fat(0, 0x0FFFFFFF), false},
		{"FAT32 marked by Linux", "vfat", fat(1, 0x0FFFFFFF), true},
		{"FAT32 not shut down", "vfat", fat(0, 0x07FFFFFF), true},
		{"FAT32 with disk errors", "vfat", fat(0, 0x0BFFFFFF), true},
		{"something else", "vfat", make([]byte, 4096), false},
	}
	for _, tt := range tests {
		got, err := dirtyMarks[tt.kernelName](bytes.NewReader(tt.image))
		if err != nil || got != tt.want {
			t.Errorf("%s: %v, %v; want %v", tt.name, got, err, tt.want)
		}
	}
}

func FuzzDirtyMarks(f *testing.F) {
	f.Add(ntfsImage(1))
	f.Add(make([]byte, 70<<10))
	f.Add([]byte("EXFAT"))
	f.Fuzz(func(t *testing.T, image []byte) {
		for _, read := range dirtyMarks {
			// Any answer will do; a panic or a hang will not.
			_, _ = read(bytes.NewReader(image))
		}
	})
}

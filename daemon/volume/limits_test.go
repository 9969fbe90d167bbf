package volume

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
	"pgregory.net/rapid"
)

// Published limits, each with its source.
func TestLimitsOf_publishedValues(t *testing.T) {
	t.Parallel()
	tests := []struct {
		source string
		got    any
		want   any
	}{
		{"FAT32: DIR_FileSize is a 32-bit number (Microsoft, FAT32 File System Specification, 2000)", LimitsOf("vfat").MaxFileBytes, int64(4_294_967_295)},
		{"exFAT: FileName is 1 to 255 Unicode characters (Microsoft, exFAT specification, 7.6.3, NameLength)", LimitsOf("exfat").MaxNameUTF16, 255},
		{"exFAT: DataLength has 64 bits; no device reaches that (7.6.7)", LimitsOf("exfat").MaxFileBytes, int64(0)},
		{"NTFS: 255 UTF-16 units (Microsoft, Naming Files, Paths, and Namespaces)", LimitsOf("ntfs").MaxNameUTF16, 255},
		{"ext4: EXT4_NAME_LEN 255 bytes (kernel documentation, ext4/directory)", LimitsOf("ext4").MaxNameBytes, 255},
		{"ext4: 16 TiB with 4 KiB blocks (kernel documentation, ext4/blockgroup)", LimitsOf("ext4").MaxFileBytes >= 15<<40, true},
		{"XFS: names of 255 bytes (XFS Algorithms & Data Structures)", LimitsOf("xfs").MaxNameBytes, 255},
		{"Btrfs: BTRFS_NAME_LEN 255 (btrfs(5), file system limits)", LimitsOf("btrfs").MaxNameBytes, 255},
	}
	for _, tt := range tests {
		if tt.got != tt.want {
			t.Errorf("%s: got %v, want %v", tt.source, tt.got, tt.want)
		}
	}
	// exFAT specification, 7.7.3, table of invalid FileName characters: the
	// control codes 0000h-001Fh and these nine.
	for _, c := range []rune{0x22, 0x2A, 0x2F, 0x3A, 0x3C, 0x3E, 0x3F, 0x5C, 0x7C, 0x01, 0x1F} {
		if LimitsOf("exfat").CheckName("a"+string(c)) == nil {
			t.Errorf("exFAT takes U+%04X", c)
		}
	}
	if err := LimitsOf("vfat").CheckFile(1 << 32); err == nil {
		t.Error("FAT32 takes a file of 4 GiB")
	}
	if err := errors.Join(LimitsOf("vfat").CheckFile(1<<32-1), LimitsOf("exfat").CheckFile(1<<40)); err != nil {
		t.Error(err)
	}
}

var nameCases = []struct {
	name    string
	byteFS  bool // ext4, XFS, Btrfs can hold it
	utf16FS bool // FAT, exFAT and NTFS can
}{
	{"CLIP0001.MOV", true, true},
	{"MiXeD cAsE.TxT", true, true},
	{"lower.txt", true, true},
	{".hidden", true, true},
	{"two..dots", true, true},
	{" leading space", true, true},
	{"stórskúgvur-Ä-名前-🐦", true, true},
	{"e\u0301 decomposed", true, true},
	{"aux.txt", true, true},
	{"semi;colon+plus=[x],'~1", true, true},
	{strings.Repeat("n", 255), true, true},
	{strings.Repeat("n", 256), false, false},
	{"colon:name", true, false},
	{"quo\"te", true, false},
	{"what?", true, false},
	{"star*", true, false},
	{"pipe|", true, false},
	{"back\\slash", true, false},
	{"new\nline", true, false},
	{"ends in dot.", true, false},
	{"ends in space ", true, false},
	{"invalid\xffutf8", true, false},
	{"", false, false},
	{".", false, false},
	{"..", false, false},
	{"a/b", false, false},
	{"nul\x00byte", false, false},
}

func TestCheckName(t *testing.T) {
	t.Parallel()
	for _, fsType := range []string{"ext4", "xfs", "btrfs", "vfat", "exfat", "ntfs"} {
		for _, tt := range nameCases {
			want := tt.byteFS
			if slices.Contains([]string{"vfat", "exfat", "ntfs"}, fsType) {
				want = tt.utf16FS
			}
			err := LimitsOf(fsType).CheckName(tt.name)
			var named *NameError
			if (err == nil) != want || (err != nil && !errors.As(err, &named)) {
				t.Errorf("%s, %q: %v, want it held: %v", fsType, tt.name, err, want)
			}
		}
	}
	// 255 UTF-16 units may be three times as many bytes: exFAT and NTFS hold
	// that, the FAT driver of Linux does not.
	wide := strings.Repeat("鳥", 255)
	for fsType, want := range map[string]bool{"exfat": true, "ntfs": true, "vfat": false, "ext4": false} {
		if err := LimitsOf(fsType).CheckName(wide); (err == nil) != want {
			t.Errorf("%s, 255 wide characters: %v, want it held: %v", fsType, err, want)
		}
	}
}

// What CheckName allows is kept exactly, and names that fold alike are one.
func TestCheckName_holdsOnRealFileSystems(t *testing.T) {
	t.Parallel()
	eachFS(t, func(t *testing.T, fs rigFS) {
		m := mountDrive(t, loop(t, fs.image(t)), fs.name)
		limits := m.Limits()
		names := []string{strings.Repeat("鳥", 255), strings.Repeat("鳥", 85), strings.Repeat("🐦", 63)}
		for _, tt := range nameCases {
			names = append(names, tt.name)
		}
		var want []string
		for _, name := range names {
			if limits.CheckName(name) != nil {
				continue
			}
			f, err := os.OpenFile(filepath.Join(m.Path, name), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
			if err != nil {
				t.Errorf("CheckName allows %q, the file system says: %v", name, err)
				continue
			}
			f.Close()
			want = append(want, name)
		}
		got := map[string]bool{}
		entries, err := os.ReadDir(m.Path)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			got[e.Name()] = true
		}
		for _, name := range want {
			if !got[name] {
				t.Errorf("%q did not come back", name)
			}
		}
		checkFolding(t, m.Path, limits)
		unmount(t, m)
	})
}

// checkFolding creates pairs of names; where the file system takes them for
// one, Clash must have said so. (NTFS on Linux keeps both; other systems don't.)
func checkFolding(t *testing.T, dir string, l Limits) {
	t.Helper()
	for _, pair := range [][2]string{{"SKUA.MOV", "skua.mov"}, {"Ärta.mov", "ärta.mov"}, {"caf\u00e9", "cafe\u0301"}, {"straße", "STRASSE"}} {
		if err := os.WriteFile(filepath.Join(dir, pair[0]), nil, 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := os.OpenFile(filepath.Join(dir, pair[1]), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err == nil {
			f.Close()
		}
		if errors.Is(err, unix.EEXIST) && !l.Clash(pair[0], pair[1]) {
			t.Errorf("%q and %q are one name, and Clash does not know", pair[0], pair[1])
		}
		if err == nil && !l.CaseInsensitive && l.Clash(pair[0], pair[1]) {
			t.Errorf("%q and %q are two names, and Clash says one", pair[0], pair[1])
		}
	}
}

func TestClash(t *testing.T) {
	t.Parallel()
	tests := []struct {
		a, b        string
		exfat, ext4 bool
		alike       bool
		what        string
	}{
		{"SKUA.MOV", "skua.mov", true, false, false, "ASCII case"},
		{"ÄRTA", "ärta", true, false, false, "case beyond ASCII"},
		{"σ", "ς", true, false, false, "both up-case to Σ"},
		{"caf\u00e9", "cafe\u0301", false, false, true, "composed and decomposed"},
		{"straße", "STRASSE", false, false, false, "no full case folding"},
		{"a", "b", false, false, false, "other names"},
	}
	for _, tt := range tests {
		if got := LimitsOf("exfat").Clash(tt.a, tt.b); got != tt.exfat {
			t.Errorf("%s on exFAT: %v, want %v", tt.what, got, tt.exfat)
		}
		if got := LimitsOf("ext4").Clash(tt.a, tt.b); got != tt.ext4 {
			t.Errorf("%s on ext4: %v, want %v", tt.what, got, tt.ext4)
		}
		if got := Alike(tt.a, tt.b); got != tt.alike {
			t.Errorf("%s: Alike %v, want %v", tt.what, got, tt.alike)
		}
	}
}

func TestFold_isStable(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		for _, fsType := range []string{"ext4", "vfat", "exfat", "ntfs"} {
			l := LimitsOf(fsType)
			if once := l.Fold(name); l.Fold(once) != once {
				t.Errorf("%s: folding %q twice gives another name", fsType, name)
			}
		}
	})
}

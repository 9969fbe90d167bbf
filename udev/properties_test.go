package udev

import (
	"errors"
	"fmt"
	"maps"
	"path"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bothy/testdata/mutants"
)

func TestParseProperties(t *testing.T) {
	t.Parallel()
	many := new(strings.Builder)
	for i := range maxProperties {
		fmt.Fprintf(many, "K%d=v\n", i)
	}
	tests := []struct {
		name, in string
		want     map[string]string
		err      string
	}{
		{"nothing", "", map[string]string{}, ""},
		{"two, the last without a line end", "A=1\nB=2", map[string]string{"A": "1", "B": "2"}, ""},
		{"empty value, '=' in a value, spaces", "A=\nB=x=y\nC= z ", map[string]string{"A": "", "B": "x=y", "C": " z "}, ""},
		{"later replaces earlier", "A=1\nA=2\n", map[string]string{"A": "2"}, ""},
		{"lines ended by another system", "A=1\r\n\r\nB=2\r\n", map[string]string{"A": "1", "B": "2"}, ""},
		{"raw bytes are kept", "A=\x1b\xff\\x41\n", map[string]string{"A": "\x1b\xff\\x41"}, ""},
		{"no '='", "A=1\n\nnonsense\n", nil, "line 3: no KEY=VALUE"},
		{"no key", "=1\n", nil, "line 1: no KEY=VALUE"},
		{"the long form", "E: ID_BUS=usb\n", nil, "line 1: no KEY=VALUE"},
		{"key too long", strings.Repeat("K", maxKeyBytes+1) + "=1", nil, "line 1: no KEY=VALUE"},
		{"line too long", "A=1\nB=" + strings.Repeat("x", maxLineBytes), nil, "line 2: longer than 16384 bytes"},
		{"too many", many.String() + "L=1\n", nil, "line 2049: more than 2048 properties"},
		{"too much", strings.Repeat("A="+strings.Repeat("x", 1000)+"\n", 300), nil, "more than 262144 bytes"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := ParseProperties(strings.NewReader(tt.in))
			if tt.err != "" {
				if err == nil || !strings.Contains(err.Error(), "parse properties: "+tt.err) {
					t.Errorf("error = %v, want %q", err, tt.err)
				}
			} else if err != nil {
				t.Error(err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("properties (-want +got):\n%s", diff)
			}
		})
	}
}

func TestParseProperties_readError(t *testing.T) {
	t.Parallel()
	fault := errors.New("fault")
	if _, err := ParseProperties(iotest.ErrReader(fault)); !errors.Is(err, fault) {
		t.Errorf("error = %v, want the reader's", err)
	}
}

func TestParseEntry_bounds(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("E:FIRST=1\nE:LONG=" + strings.Repeat("x", maxLineBytes) + "\n")
	for i := range 2 * maxProperties {
		fmt.Fprintf(&b, "E:K%d=v\nS:l%d\nG:t%d\nQ:q%d\n", i, i, i, i)
	}
	b.WriteString("E:FIRST=2\nI:5\n")
	e := parseEntry(b.String())
	if len(e.props) != maxProperties || len(e.links) != maxProperties || len(e.tags) != maxProperties || len(e.now) != maxProperties {
		t.Errorf("%d properties, %d links, %d tags, %d; want %d each", len(e.props), len(e.links), len(e.tags), len(e.now), maxProperties)
	}
	if e.props["FIRST"] != "2" || e.props["LONG"] != "" || e.usec != "5" {
		t.Errorf("FIRST=%q LONG=%d bytes I=%q", e.props["FIRST"], len(e.props["LONG"]), e.usec)
	}
}

func TestEntry_belongsTo(t *testing.T) {
	t.Parallel()
	tests := []struct {
		name  string
		links []string
		seq   uint64
		want  bool
	}{
		{"no links", nil, 7, true},
		{"other links", []string{"disk/by-path/x", "disk/by-id/y"}, 7, true},
		{"same", []string{"disk/by-path/x", "disk/by-diskseq/7"}, 7, true},
		{"same, of a partition", []string{"disk/by-diskseq/7-part2"}, 7, true},
		{"other", []string{"disk/by-diskseq/6"}, 7, false},
		{"other, of a partition", []string{"disk/by-diskseq/77-part7"}, 7, false},
		{"one of several", []string{"disk/by-diskseq/6", "disk/by-diskseq/7"}, 7, true},
		{"no number", []string{"disk/by-diskseq/"}, 7, false},
		{"kernel without numbers", []string{"disk/by-diskseq/6"}, 0, true},
	}
	for _, tt := range tests {
		if got := (entry{links: tt.links}).belongsTo(tt.seq); got != tt.want {
			t.Errorf("%s: belongsTo(%d) = %v, want %v", tt.name, tt.seq, got, tt.want)
		}
	}
}

// What is written as udevadm writes it is read as it was.
func TestParseProperties_roundTrip(t *testing.T) {
	t.Parallel()
	key := rapid.StringMatching(`[A-Z][A-Z0-9_.:-]{0,20}`)
	value := rapid.StringMatching(`[^\r\n]{0,40}`)
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.MapOf(key, value).Draw(t, "properties")
		var b, db strings.Builder
		for k, v := range want {
			fmt.Fprintf(&b, "%s=%s\n", k, v)
			fmt.Fprintf(&db, "E:%s=%s\n", k, v)
		}
		got, err := ParseProperties(strings.NewReader(b.String()))
		if err != nil {
			t.Fatal(err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("properties (-want +got):\n%s", diff)
		}
		maps.DeleteFunc(want, func(_, v string) bool { return v == "" }) // an empty value unsets
		if diff := cmp.Diff(want, parseEntry(db.String()).props); diff != "" {
			t.Fatalf("database (-want +got):\n%s", diff)
		}
	})
}

func FuzzParseProperties(f *testing.F) {
	for _, seed := range []string{
		"", "DEVPATH=/devices/..", "A=1\nB=2\n", "A=\r\n", "=", "DEVNAME=/dev/../etc/passwd\nDEVPATH=/devices/../../x\n",
		"DEVNAME=/dev/sdb1\nDEVTYPE=partition\nDEVPATH=/devices/a/block/sdb/sdb1\nPARTN=99999999999\nID_PART_ENTRY_SIZE=18446744073709551615\n",
		"ID_FS_LABEL_ENC=\\xff\\x0a\nID_FS_SIZE=-1\nMAJOR=4294967296\n",
	} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, s string) {
		props, err := ParseProperties(strings.NewReader(s))
		if (err == nil) == (props == nil) {
			t.Fatalf("properties %v with error %v", props, err)
		}
		checkDevice(t, DeviceFromProperties(props))
	})
}

var fuzzedEntries = []mutants.Seed{
	{""}, {"S:disk/by-diskseq/7\nI:1\nE:ID_BUS=usb\nG:systemd\nQ:systemd\nV:1\n"}, {"E:\nE:=\n:\nE"}, {"S:disk/by-diskseq/-part\n"},
	{"E:ID_FS_LABEL_ENC=\\x1b\\xff\nE:ID_PATH=\x00\n"}, {strings.Repeat("S:", 5000)},
	// With each property that something is read from.
	{"S:disk/by-diskseq/22-part1\nI:5\nE:ID_BUS=usb\nE:ID_VENDOR=Fulmar\nE:ID_VENDOR_ENC=Fulmar\\x20\nE:ID_MODEL_ENC=Two\\x20Slots\nE:ID_SERIAL=F_1\nE:ID_SERIAL_SHORT=1\n" +
		"E:ID_WWN=0x5\nE:ID_PATH=pci-0-usb-1\nE:ID_FS_TYPE=exfat\nE:ID_FS_USAGE=filesystem\nE:ID_FS_LABEL_ENC=SKUA_A\nE:ID_FS_UUID_ENC=6E4B-7A31\nG:systemd\n"},
}

// Of whatever stands in the database, a device is made that can be shown.
func checkEntry(t testing.TB, s string) (taken bool) {
	e := parseEntry(s)
	e.belongsTo(7)
	props := map[string]string{}
	e.addTo(props)
	for key := range props {
		if !validKey(key) {
			t.Errorf("key %q", key)
		}
	}
	var d Device
	describe(&d, props)
	checkDevice(t, d)
	return len(props) > 0
}

func FuzzParseEntry(f *testing.F) {
	for _, seed := range fuzzedEntries {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkEntry(t, string(data)) })
}

func TestParseEntry_mutants(t *testing.T) {
	mutants.Try(t, "FuzzParseEntry", fuzzedEntries, func(t testing.TB, input [][]byte) bool { return checkEntry(t, string(input[0])) })
}

// checkDevice checks what holds for every Device whatever it was made of.
func checkDevice(t testing.TB, d Device) {
	t.Helper()
	for _, s := range []string{d.Slot, d.Label, d.UUID, d.FSType, d.FSUsage, d.Vendor, d.Model, d.Serial, d.Bus} {
		checkPrintable(t, s)
	}
	if d.SizeBytes < 0 || d.Partition < 0 {
		t.Errorf("size %d, partition %d", d.SizeBytes, d.Partition)
	}
	if strings.Contains(d.Name, "/") || d.Node != "" && path.Clean(d.Node) != d.Node ||
		d.SysPath != "" && (path.Clean(d.SysPath) != d.SysPath || !strings.HasPrefix(d.SysPath, "/sys/")) {
		t.Errorf("name %q, node %q, folder %q", d.Name, d.Node, d.SysPath)
	}
}

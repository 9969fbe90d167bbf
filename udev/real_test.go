package udev

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"golang.org/x/sys/unix"

	"bothy/testdata/judges"
)

func needRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() != 0 {
		t.Skip("left out: needs root for a namespace of its own")
	}
}

// stableDevices returns the devices of this machine that were the same insertion
// before and after during ran, for other programs may be at work.
func stableDevices(t *testing.T, during func()) map[string]Device {
	t.Helper()
	before, err := Tree{}.Enumerate(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	during()
	after, err := Tree{}.Enumerate(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	stable := byName(before)
	c := Diff(before, after)
	for _, d := range slices.Concat(c.Added, c.Changed, c.Removed) {
		delete(stable, d.Name)
	}
	return stable
}

// Independent program: lsblk of util-linux, on the devices of this machine.
func TestTree_Enumerate_agreesWithLsblk(t *testing.T) {
	t.Parallel()
	lsblk := judges.Need(t, "lsblk")
	type row struct {
		Name     string `json:"name"`
		Size     int64  `json:"size"`
		Number   string `json:"maj:min"`
		Type     string `json:"type"`
		Children []row  `json:"children"`
	}
	var told struct {
		Devices []row `json:"blockdevices"`
	}
	ours := stableDevices(t, func() {
		out, err := exec.CommandContext(t.Context(), lsblk, "-J", "-b", "-o", "NAME,SIZE,MAJ:MIN,TYPE").Output()
		if err != nil {
			t.Skipf("left out: lsblk does not work here: %v", err)
		}
		if err := json.Unmarshal(out, &told); err != nil {
			t.Fatal(err)
		}
	})
	compared := map[string]bool{}
	var compare func(rows []row)
	compare = func(rows []row) {
		for _, r := range rows {
			compare(r.Children)
			d, ok := ours[r.Name]
			if !ok || compared[r.Name] {
				continue // changed meanwhile, a RAM disk, or shown below several parents
			}
			compared[r.Name] = true
			number := fmt.Sprintf("%d:%d", d.Major, d.Minor)
			if d.SizeBytes != r.Size || number != r.Number || d.Whole() == (r.Type == "part") {
				t.Errorf("%s: %d bytes, %s, whole %v; lsblk says %+v", r.Name, d.SizeBytes, number, d.Whole(), r)
			}
		}
	}
	compare(told.Devices)
	for name, d := range ours {
		if d.SizeBytes > 0 && !compared[name] {
			t.Errorf("%s is not listed by lsblk: %+v", name, d)
		}
	}
	t.Logf("compared %d devices", len(compared))
}

// Independent program: udevadm of systemd, on a device of this machine with a
// database entry made for the test, in a mount namespace of its own.
func TestTree_Lookup_agreesWithUdevadm(t *testing.T) {
	t.Parallel()
	needRoot(t)
	judges.Need(t, "udevadm")
	judges.Need(t, "unshare")
	run := t.TempDir()
	var d Device
	for _, candidate := range stableDevices(t, func() {}) {
		if !candidate.Virtual {
			d = candidate
		}
	}
	if d.Name == "" {
		t.Skip("left out: this machine has no block device with hardware behind it")
	}
	makeDir(t, filepath.Join(run, "data"))
	entry := fmt.Sprintf("S:disk/by-diskseq/%d\nS:disk/by-id/a\nI:52341870\nE:ID_BUS=usb\nE:ID_SERIAL=a=b c\n"+
		"E:ID_FS_LABEL_ENC=SKUA\\x207\nE:ID_EMPTY=\nG:systemd\nG:other\nQ:systemd\nV:1\n", d.DiskSeq)
	write(t, filepath.Join(run, fmt.Sprintf("data/b%d:%d", d.Major, d.Minor)), entry)
	const shell = `mount -t tmpfs none /run && mkdir -p /run/udev && cp -r "$1"/data /run/udev/ && udevadm info -q property -p "$2"`
	out, err := exec.CommandContext(t.Context(), "unshare", "-m", "sh", "-c", shell, "sh", run, d.SysPath).CombinedOutput()
	if err != nil {
		t.Skipf("left out: no namespace of its own for udevadm: %v: %s", err, out)
	}
	want, err := ParseProperties(strings.NewReader(string(out)))
	if err != nil {
		t.Fatal(err)
	}
	got, err := Tree{Run: run}.Lookup(d.Name)
	if err != nil {
		t.Fatal(err)
	}
	if got.Label != "SKUA 7" || !got.Initialized {
		t.Errorf("label %q, initialized %v", got.Label, got.Initialized)
	}
	// udevadm prints links and tags in the order of its hash table.
	sorted := func(props map[string]string) map[string]string {
		for key, separator := range map[string]string{"DEVLINKS": " ", "TAGS": ":", "CURRENT_TAGS": ":"} {
			parts := strings.Split(props[key], separator)
			slices.Sort(parts)
			props[key] = strings.Join(parts, separator)
		}
		return props
	}
	if diff := cmp.Diff(sorted(want), sorted(got.Properties)); diff != "" {
		t.Errorf("properties (-udevadm +ours):\n%s", diff)
	}
}

// Independent programs: mkfs.ext4 (e2fsprogs) writes a label, blkid (util-linux),
// whose library is what udev asks, encodes it.
func TestLabel_agreesWithBlkid(t *testing.T) {
	t.Parallel()
	mkfs, blkid := judges.Need(t, "mkfs.ext4"), judges.Need(t, "blkid")
	for label, want := range map[string]string{
		"SKUA_A003":    "SKUA_A003",
		"SKUA 7/n":     "SKUA 7/n",
		`a\x41\b`:      `a\x41\b`,
		"Føroyar":      "Føroyar",
		"<b>\"'&$`":    "<b>\"'&$`",
		"a\nE:X=1\x1b": "a\ufffdE:X=1\ufffd",
		"a\xff\xfeb":   "a\ufffd\ufffdb",
	} {
		image := filepath.Join(t.TempDir(), "image")
		write(t, image, "")
		if err := os.Truncate(image, 1<<20); err != nil {
			t.Fatal(err)
		}
		if out, err := exec.CommandContext(t.Context(), mkfs, "-q", "-L", label, image).CombinedOutput(); err != nil {
			t.Fatalf("mkfs.ext4 -L %q: %v: %s", label, err, out)
		}
		out, err := exec.CommandContext(t.Context(), blkid, "-p", "-o", "udev", image).Output()
		if err != nil {
			t.Fatalf("blkid on label %q: %v", label, err)
		}
		props, err := ParseProperties(strings.NewReader(string(out)))
		if err != nil {
			t.Fatal(err)
		}
		d := DeviceFromProperties(props)
		if d.Label != want || d.FSType != "ext4" || d.FSUsage != "filesystem" {
			t.Errorf("label %q came back as %q (%s), type %q, usage %q", label, d.Label, props["ID_FS_LABEL_ENC"], d.FSType, d.FSUsage)
		}
	}
}

// inOwnNetwork names the variable that says that the test runs in a network
// namespace of its own, where its messages reach nobody else.
const inOwnNetwork = "UDEV_TEST_IN_OWN_NETWORK"

// The real socket: a message as udevd sends it gives a Snapshot, and an overflow of
// the real receive queue is noticed, told and mended.
func TestMonitor_Watch_realSocket(t *testing.T) {
	t.Parallel()
	if os.Getenv(inOwnNetwork) == "" {
		needRoot(t)
		cmd := exec.CommandContext(t.Context(), judges.Need(t, "unshare"), "-n", os.Args[0], "-test.run=^TestMonitor_Watch_realSocket$", "-test.v")
		cmd.Env = append(os.Environ(), inOwnNetwork+"=1")
		out, err := cmd.CombinedOutput()
		if err != nil {
			t.Fatalf("in a network namespace: %v\n%s", err, out)
		}
		return
	}
	ctx, cancel := context.WithCancel(t.Context())
	out, ended := make(chan Snapshot), make(chan error, 1)
	m := &Monitor{Tree: unpack(t, "card-whole"), open: func() (conn, error) { return openNetlink(2048) }}
	go func() { ended <- m.Watch(ctx, out) }()
	if first := <-out; first.Lost != nil {
		t.Fatalf("first Snapshot: %v", first.Lost)
	}
	send := sender(t)
	send()
	if s := <-out; s.Events != 1 || s.Lost != nil {
		t.Errorf("after one message: %d events, %v", s.Events, s.Lost)
	}
	flood, stop := context.WithCancel(ctx)
	flooded := make(chan struct{})
	go func() {
		defer close(flooded)
		for flood.Err() == nil {
			send()
		}
	}()
	for s := range out {
		if s.Reconnects > 0 {
			break
		}
	}
	stop()
	<-flooded
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

// sender returns a function that sends a message to udev's multicast group. Its form
// is that of systemd's sd-device monitor: a header of 40 bytes (prefix, magic,
// header size, offset and length of what follows, hashes) and KEY=VALUE strings.
func sender(t *testing.T) func() {
	fd, err := unix.Socket(unix.AF_NETLINK, unix.SOCK_RAW|unix.SOCK_CLOEXEC, unix.NETLINK_KOBJECT_UEVENT)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(fd) })
	body := "ACTION=change\x00DEVPATH=/devices/x/block/sdb\x00SUBSYSTEM=block\x00"
	message := append([]byte("libudev\x00"), make([]byte, 32)...)
	binary.BigEndian.PutUint32(message[8:], 0xfeedcafe)
	binary.NativeEndian.PutUint32(message[12:], 40)
	binary.NativeEndian.PutUint32(message[16:], 40)
	binary.NativeEndian.PutUint32(message[20:], uint32(len(body)))
	message = append(message, body...)
	return func() {
		// ESRCH and ENOBUFS say that nobody listened or a queue was full.
		_ = unix.Sendto(fd, message, 0, &unix.SockaddrNetlink{Family: unix.AF_NETLINK, Groups: 2})
	}
}

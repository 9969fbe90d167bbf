package udev

import (
	"bytes"
	"context"
	"encoding/binary"
	"os"
	"path/filepath"
	"testing"

	"github.com/pilebones/go-udev/netlink"
	"github.com/rogpeppe/go-internal/txtar"

	"bothy/testdata/mutants"
)

// fuzzedConn gives what a socket would: each message through go-udev's parser,
// an error for what that refuses, and the end.
type fuzzedConn struct{ messages [][]byte }

func (c fuzzedConn) MonitorWithContext(ctx context.Context, queue chan netlink.UEvent, errs chan error, _ netlink.Matcher) {
	defer close(queue)
	for _, m := range c.messages {
		event, err := netlink.ParseUEvent(m)
		if err != nil {
			select {
			case errs <- err:
			case <-ctx.Done():
				return
			}
			continue
		}
		select {
		case queue <- *event:
		case <-ctx.Done():
			return
		}
	}
}

func (fuzzedConn) Close() error { return nil }

// message wraps properties as udevd does it: the header of
// libudev-monitor.c, then KEY=VALUE with a NUL behind each.
func message(properties []byte) []byte {
	header := make([]byte, 40)
	copy(header, "libudev\x00")
	binary.BigEndian.PutUint32(header[8:], 0xfeedcafe)
	binary.NativeEndian.PutUint32(header[12:], 40)
	binary.NativeEndian.PutUint32(header[16:], 40)
	binary.NativeEndian.PutUint32(header[20:], uint32(len(properties)))
	return append(header, bytes.ReplaceAll(properties, []byte("\n"), []byte{0})...)
}

// between stands between the messages of one fuzzed stream.
const between = "\x00\x00--\x00\x00"

func fuzzedStreams(t testing.TB) (seeds []mutants.Seed) {
	t.Helper()
	names, err := filepath.Glob("testdata/events-*.txtar")
	if err != nil || len(names) == 0 {
		t.Fatalf("no seeds: %v", err)
	}
	for _, name := range names {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		var all []byte
		for _, file := range txtar.Parse(data).Files {
			all = append(append(all, message(file.Data)...), between...)
		}
		seeds = append(seeds, mutants.Seed{string(all)}, mutants.Seed{string(message(txtar.Parse(data).Files[0].Data)[:45])})
	}
	// A partition, with each property that something is read from.
	partition := "ACTION=add\nDEVPATH=/devices/pci0000:00/usb1/block/sdb/sdb1\nSUBSYSTEM=block\nDEVNAME=/dev/sdb1\nDEVTYPE=partition\nMAJOR=8\nMINOR=17\nDISKSEQ=22\nPARTN=1\n" +
		"USEC_INITIALIZED=5\nID_PROCESSING=1\nID_FS_SIZE=512\nID_PART_ENTRY_NUMBER=1\nID_PART_ENTRY_SIZE=124702720\nID_ATA_ROTATION_RATE_RPM=5400\nID_FS_LABEL_ENC=SKUA\\x20A\n"
	return append(seeds,
		mutants.Seed{string(message([]byte(partition)))}, mutants.Seed{string(message([]byte(partition))) + between + string(message([]byte("ACTION=remove\nSUBSYSTEM=block\n")))},
		mutants.Seed{"change@/devices/x/block/sdb\x00ACTION=change\x00SUBSYSTEM=block\x00DEVNAME=/dev/../etc/shadow\x00"},
		mutants.Seed{"change@/devices/@\x00" + between + "\x00" + between + "=\x00=\x00"},
		mutants.Seed{string(message([]byte("ACTION=REMOVE\nSUBSYSTEM=block\nID_FS_LABEL_ENC=\\x1b\\xff\nDEVPATH=/../..\n")))})
}

// Whatever comes over the event stream: each message is a hint, a fault that is
// told, or nothing; all are taken; and the end of the stream is said.
func checkStream(t testing.TB, stream []byte) (taken bool) {
	messages := bytes.Split(stream, []byte(between))
	want := map[bool]int{}
	for _, m := range messages {
		if event, err := netlink.ParseUEvent(m); err != nil {
			want[false]++
		} else if event.Env["SUBSYSTEM"] == "block" {
			want[true]++
			checkDevice(t, DeviceFromProperties(event.Env))
		}
	}
	got := map[bool]int{}
	if err := receive(t.Context(), fuzzedConn{messages}, func(event bool) { got[event]++ }); err == nil {
		t.Error("the stream ended and nobody was told")
	}
	// Faults that come last are the reason of the end, and no hints.
	if got[true] != want[true] || got[false] > want[false] {
		t.Errorf("hints %v of %v", got, want)
	}
	return want[true] > 0
}

func FuzzEvents(f *testing.F) {
	for _, seed := range fuzzedStreams(f) {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, stream []byte) { checkStream(t, stream) })
}

func TestEvents_mutants(t *testing.T) {
	mutants.Try(t, "FuzzEvents", fuzzedStreams(t), func(t testing.TB, input [][]byte) bool { return checkStream(t, input[0]) })
}

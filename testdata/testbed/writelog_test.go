package testbed

import (
	"bytes"
	"encoding/binary"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// writeLog makes a log of the entries given.
func writeLog(t *testing.T, entries ...LogEntry) string {
	t.Helper()
	var log bytes.Buffer
	put := func(values ...any) {
		for _, v := range values {
			if err := binary.Write(&log, binary.LittleEndian, v); err != nil {
				t.Fatal(err)
			}
		}
		log.Write(make([]byte, -log.Len()&511))
	}
	put(uint64(0x6a736677736872), uint64(1), uint64(len(entries)), uint32(512))
	for _, e := range entries {
		put(uint64(e.Offset/512), uint64(e.Length/512), e.flags, uint64(0))
		log.Write(e.Data)
	}
	path := filepath.Join(t.TempDir(), "log")
	if err := os.WriteFile(path, log.Bytes(), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestReplay_keepsWhatWasFlushed(t *testing.T) {
	t.Parallel()
	block := func(letter string) []byte { return []byte(strings.Repeat(letter, 512)) }
	write := func(at int64, letter string) LogEntry {
		return LogEntry{Offset: at * 512, Length: 512, Data: block(letter)}
	}
	flush := LogEntry{flags: logFlush}
	log := writeLog(t, write(0, "a"), write(1, "b"), flush, write(0, "c"),
		LogEntry{Offset: 512, Length: 512, flags: logDiscard}, flush, write(2, "d"))
	before := filepath.Join(t.TempDir(), "before")
	if err := os.WriteFile(before, bytes.Repeat(block("-"), 3), 0o644); err != nil {
		t.Fatal(err)
	}
	if n := Flushes(t, log); n != 2 {
		t.Errorf("%d flushes, want 2", n)
	}
	for flushes, want := range []string{"---", "ab-", "c\x00-"} {
		got, err := os.ReadFile(Replay(t, before, log, flushes))
		if err != nil {
			t.Fatal(err)
		}
		if picture := string([]byte{got[0], got[512], got[1024]}); picture != want {
			t.Errorf("after %d flushes: %q, want %q", flushes, picture, want)
		}
	}
	if err := replay(before, log, 3); err == nil {
		t.Error("a flush that is not in the log was replayed")
	}
}

func TestReadLog_refuses(t *testing.T) {
	t.Parallel()
	log, err := os.ReadFile(writeLog(t, LogEntry{Length: 512, Data: make([]byte, 512)}))
	if err != nil {
		t.Fatal(err)
	}
	wrong := bytes.Clone(log)
	wrong[0]++
	for name, text := range map[string][]byte{"empty": nil, "no log": wrong, "cut short": log[:len(log)-1]} {
		if readLog(bytes.NewReader(text), func(LogEntry) (bool, error) { return true, nil }) == nil {
			t.Errorf("%s: accepted", name)
		}
	}
}

// The same against QEMU and a real kernel: what a sync in the guest had
// returned from is in the replay of all flushes, what came after it is not.
func TestGuest_writeLog(t *testing.T) {
	t.Parallel()
	needRoot(t)
	image := MakeImage(t, Ext4, 32*MiB, "BAY_3", "")
	log := filepath.Join(t.TempDir(), "log")
	before := image + ".before"
	text, err := os.ReadFile(image)
	if err == nil {
		err = os.WriteFile(before, text, 0o644)
	}
	if err != nil {
		t.Fatal(err)
	}
	g := Start(t, Options{})
	g.PlugUSB("bay3", image, USBOptions{WriteLog: log})
	g.MustRun("mount " + g.Node("bay3") + " /mnt && echo safe >/mnt/safe && sync -f /mnt && echo adrift >/mnt/adrift")
	// Written through to the disk, and no flush asked for.
	g.MustRun("dd if=/dev/zero of=/mnt/unflushed bs=4096 count=1 oflag=direct")
	g.PowerCut()
	flushes := Flushes(t, log)
	if flushes == 0 {
		t.Fatal("no flush in the log")
	}
	out := t.TempDir()
	Extract(t, Ext4, Replay(t, before, log, flushes), out)
	if got, err := os.ReadFile(filepath.Join(out, "safe")); err != nil || string(got) != "safe\n" {
		t.Errorf("what was flushed: %q, %v", got, err)
	}
	none := t.TempDir()
	Extract(t, Ext4, Replay(t, before, log, 0), none)
	if _, err := os.Stat(filepath.Join(none, "safe")); err == nil {
		t.Error("a file is there before its first flush")
	}
}

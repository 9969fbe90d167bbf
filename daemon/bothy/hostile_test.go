package main

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"bothy/daemon/mhl"
)

var (
	hostileEntries = flag.Int("hostile-entries", 20_000, "how many files lie in one folder of a hostile card")
	hostileDepth   = flag.Int("hostile-depth", 10_000, "how deep its folders lie in each other")
)

// ran is how a command of the program ended, run as a process of its own.
type ran struct {
	code      int
	out, errs string
	peakBytes int64 // VmHWM of proc_pid_status(5), as last seen before its end
}

// measured runs the program and looks at its memory until it ends. One that
// hangs is killed, and fails.
func measured(t *testing.T, args ...string) ran {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "bothy", args...)
	var out, errs bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &errs
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	tick := time.NewTicker(2 * time.Millisecond)
	defer tick.Stop()
	var r ran
	for {
		select {
		case <-ended:
			r.code, r.out, r.errs = cmd.ProcessState.ExitCode(), out.String(), errs.String()
			return r
		case <-tick.C:
			r.peakBytes = max(r.peakBytes, peakOf(cmd.Process.Pid))
		}
	}
}

func peakOf(pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(text), "VmHWM:")
	fields := strings.Fields(rest)
	if len(fields) == 0 {
		return 0
	}
	kB, err := strconv.ParseInt(fields[0], 10, 64)
	if err != nil {
		return 0
	}
	return kB << 10
}

// memoryFolder is one that costs no disk. It may be far too deep for
// os.RemoveAll, which holds one file descriptor for each level.
func memoryFolder(t *testing.T) string {
	t.Helper()
	parent := "/dev/shm"
	if info, err := os.Stat(parent); err != nil || !info.IsDir() {
		parent = ""
	}
	dir, err := os.MkdirTemp(parent, "bothy-hostile-")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if out, err := exec.Command("rm", "-rf", dir).CombinedOutput(); err != nil {
			t.Errorf("clean up: %v\n%s", err, out)
		}
	})
	return dir
}

// A folder of very many files: all are copied, with memory that stays bounded
// (about 1 kB for each file, with no more than 200 MB besides).
func TestHostile_manyEntries(t *testing.T) {
	t.Parallel()
	base, n := memoryFolder(t), *hostileEntries
	card, drive := filepath.Join(base, "card"), filepath.Join(base, "drive")
	for _, dir := range []string{card + "/DCIM", drive} {
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	for i := range n {
		var data []byte
		if i%1000 == 0 {
			data = []byte(fmt.Sprint("invented ", i))
		}
		if err := os.WriteFile(fmt.Sprintf("%s/DCIM/SKUA%07d.JPG", card, i), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	r := measured(t, "copy", card, "--to", drive, "--json")
	var result struct {
		Files   int
		Seconds float64
		Copies  []struct{ State, Folder string }
	}
	if err := json.Unmarshal([]byte(r.out), &result); err != nil {
		t.Fatalf("code %d: %v\n%s%s", r.code, err, r.out, r.errs)
	}
	if r.code != 0 || result.Files != n || len(result.Copies) != 1 || result.Copies[0].State != "proven" {
		t.Fatalf("code %d: %s%s", r.code, r.out, r.errs)
	}
	entries, err := os.ReadDir(result.Copies[0].Folder + "/DCIM")
	if err != nil || len(entries) != n {
		t.Errorf("the copy has %d entries, %v", len(entries), err)
	}
	t.Logf("copy of %d files: %.0f s, peak %d MB", n, result.Seconds, r.peakBytes>>20)
	mustBeBounded(t, "copy", r, n)
	r = measured(t, "verify", result.Copies[0].Folder)
	if r.code != 0 {
		t.Errorf("verify: code %d: %.2000s%s", r.code, r.out, r.errs)
	}
	t.Logf("verify: peak %d MB", r.peakBytes>>20)
	mustBeBounded(t, "verify", r, n)
}

func mustBeBounded(t *testing.T, what string, r ran, files int) {
	t.Helper()
	if limit := int64(200<<20 + 1000*files); !raceDetector && (r.peakBytes > limit || r.peakBytes == 0) {
		t.Errorf("%s took %d bytes of memory, want at most %d", what, r.peakBytes, limit)
	}
}

// Folders in folders, far beyond what any path can name: what lies above the
// bound is copied, the rest is said to be left out, and the card is held.
func TestHostile_deepFolders(t *testing.T) {
	t.Parallel()
	base := memoryFolder(t)
	card, drive := filepath.Join(base, "card"), filepath.Join(base, "drive")
	for _, dir := range []string{card, drive} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(card+"/SKUA0001.JPG", []byte("invented"), 0o644); err != nil {
		t.Fatal(err)
	}
	digDown(t, card, *hostileDepth)
	r := measured(t, "copy", card, "--to", drive)
	if r.code != 0 || !strings.Contains(r.out, "HOLD") || !strings.Contains(r.out, "folders deep") {
		t.Errorf("code %d: %.3000s%s", r.code, r.out, r.errs)
	}
	t.Logf("%d folders deep: peak %d MB", *hostileDepth, r.peakBytes>>20)
	mustBeBounded(t, "copy", r, 0)
	// A copy that somebody has put such a thing into is not proven, and says so.
	copies, err := filepath.Glob(drive + "/*/*/ascmhl")
	if err != nil || len(copies) != 1 {
		t.Fatalf("copies: %v %v", copies, err)
	}
	folder := filepath.Dir(copies[0])
	digDown(t, folder, *hostileDepth)
	r = measured(t, "verify", folder)
	if r.code != 1 {
		t.Errorf("verify: code %d: %.3000s%s", r.code, r.out, r.errs)
	}
	t.Logf("verify: peak %d MB: %.300s%.300s", r.peakBytes>>20, r.out, r.errs)
	mustBeBounded(t, "verify", r, 0)
}

// digDown makes folders in each other, which no path could name.
func digDown(t *testing.T, top string, depth int) {
	t.Helper()
	fd, err := unix.Open(top, unix.O_DIRECTORY|unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		t.Fatal(err)
	}
	for range depth {
		if err := unix.Mkdirat(fd, "d", 0o755); err != nil && err != unix.EEXIST {
			t.Fatal(err)
		}
		next, err := unix.Openat(fd, "d", unix.O_DIRECTORY|unix.O_RDONLY|unix.O_CLOEXEC, 0)
		unix.Close(fd)
		if err != nil {
			t.Fatal(err)
		}
		fd = next
	}
	unix.Close(fd)
}

// Histories on a drive that are made to exhaust or to mislead whoever verifies
// the copy: a clear end, a sentence, bounded memory, and nothing outside named.
func TestHostile_histories(t *testing.T) {
	t.Parallel()
	chain := func(paths ...string) string {
		var b strings.Builder
		b.WriteString(`<?xml version="1.0" encoding="UTF-8"?><ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">`)
		for i, p := range paths {
			fmt.Fprintf(&b, `<hashlist sequencenr="%d"><path>%s</path><c4>c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT</c4></hashlist>`, i+1, p)
		}
		return b.String() + `</ascmhldirectory>`
	}
	many := make([]string, 100_000)
	for i := range many {
		many[i] = fmt.Sprintf("%04d_x.mhl", i+1)
	}
	manifest := func(records int) string {
		return `<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><hashes>` +
			strings.Repeat("<hash><path>a</path><xxh64>ef46db3751d8e999</xxh64></hash>", records) + `</hashes></hashlist>`
	}
	for name, tc := range map[string]struct {
		chain string
		put   func(t *testing.T, dir string) // into the ascmhl folder
		says  string
	}{
		"a chain that climbs":            {chain("../../etc/shadow"), nil, "isn't a manifest in this folder"},
		"a chain that climbs in a name":  {chain("0001_/../../../etc/shadow.mhl"), nil, "isn't a manifest in this folder"},
		"a chain with an absolute path":  {chain("/etc/shadow"), nil, "isn't a manifest in this folder"},
		"a chain of 100,000 generations": {chain(many...), nil, "it can't be understood"},
		"a chain of 1 GB":                {chain("0001_x.mhl"), sized(mhl.ChainName, 1<<30), "more than the"},
		"a manifest of 1 GB":             {chain("0001_x.mhl"), sized("0001_x.mhl", 1<<30), "more than the"},
		"a manifest of zeros":            {chain("0001_x.mhl"), sized("0001_x.mhl", mhl.MaxManifestBytes), "it has changed since"},
		"a manifest that is one element": {chain("0001_x.mhl"), filled("0001_x.mhl", "<"+strings.Repeat("a", 32<<20)), "it has changed since"},
		"a manifest of empty folders": {chain("0001_x.mhl"), filled("0001_x.mhl",
			`<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><hashes>`+strings.Repeat("<directoryhash/>", 2<<20)), "it has changed since"},
		"a manifest of one file":      {chain("0001_x.mhl"), filled("0001_x.mhl", manifest(400_000)), "it has changed since"},
		"a manifest that is a link":   {chain("0001_x.mhl"), linked("/etc/shadow", "0001_x.mhl"), "symbolic link"},
		"a manifest that is a pipe":   {chain("0001_x.mhl"), piped("0001_x.mhl"), "pipe"},
		"a manifest that is endless":  {chain("0001_x.mhl"), linked("/dev/zero", "0001_x.mhl"), "symbolic link"},
		"a chain that is a link":      {"", linked("/etc/shadow", mhl.ChainName), "symbolic link"},
		"a chain that is a pipe":      {"", piped(mhl.ChainName), "pipe"},
		"a history that is a link":    {"", linked("/etc", ""), "symbolic link"},
		"a history that is a pipe":    {"", piped(""), "pipe"},
		"a history that is a file":    {"", filled("", "x"), "a file"},
		"a history of 30,100 entries": {"", crowd(30_100), "more entries"},
	} {
		t.Run(name, func(t *testing.T) {
			folder := memoryFolder(t)
			dir := folder + "/ascmhl"
			if err := os.Mkdir(dir, 0o755); err != nil {
				t.Fatal(err)
			}
			if tc.chain != "" {
				if err := os.WriteFile(filepath.Join(dir, mhl.ChainName), []byte(tc.chain), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			if tc.put != nil {
				tc.put(t, dir)
			}
			r := measured(t, "verify", folder)
			if r.code != 1 || !strings.Contains(r.out+r.errs, tc.says) {
				t.Errorf("code %d, want %q:\n%.1000s%.1000s", r.code, tc.says, r.out, r.errs)
			}
			if strings.Contains(r.out+r.errs, "root:") {
				t.Errorf("it tells what stands outside:\n%.1000s", r.out)
			}
			if limit := int64(300 << 20); r.peakBytes > limit && !raceDetector {
				t.Errorf("it took %d bytes of memory, want at most %d", r.peakBytes, limit)
			}
		})
	}
}

func sized(name string, sizeBytes int64) func(*testing.T, string) {
	return func(t *testing.T, dir string) {
		f, err := os.OpenFile(filepath.Join(dir, name), os.O_WRONLY|os.O_CREATE, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		if err := f.Truncate(sizeBytes); err != nil {
			t.Fatal(err)
		}
	}
}

func filled(name, text string) func(*testing.T, string) {
	return instead(name, func(full string) error { return os.WriteFile(full, []byte(text), 0o644) })
}

func linked(to, name string) func(*testing.T, string) {
	return instead(name, func(full string) error { return os.Symlink(to, full) })
}

func piped(name string) func(*testing.T, string) {
	return instead(name, func(full string) error { return unix.Mkfifo(full, 0o644) })
}

func crowd(n int) func(*testing.T, string) {
	return func(t *testing.T, dir string) {
		for i := range n {
			if err := os.WriteFile(fmt.Sprintf("%s/%d", dir, i), nil, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// instead puts something in the place of a name in the ascmhl folder, or of
// that itself.
func instead(name string, put func(full string) error) func(*testing.T, string) {
	return func(t *testing.T, dir string) {
		t.Helper()
		full := filepath.Join(dir, name)
		if err := os.RemoveAll(full); err != nil {
			t.Fatal(err)
		}
		if err := put(full); err != nil {
			t.Fatal(err)
		}
	}
}

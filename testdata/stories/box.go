// Package stories tells whole stories of the box: real kernel, real udev, real
// systemd, real file systems on hot-plugged USB disks, judged from outside.
//
// The oracle of every story keeps the original bytes on the host, in plain
// files that the guest never sees, and shares no code with the program: it
// reads the box's windows as anybody could and the drives' images with other
// programs than the guest's.
//
// The package is for tests only.
package stories

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"bothy/testdata/testbed"
)

// patience is how long an emulated guest may take over one step of a story.
const patience = 4 * time.Minute

// Policy is the policy of most stories; %s takes more rules.
const policyText = `[box]
name   = "skerry-2"
copies = 2

[[card]]
name  = "stills"
label = "SKUA_*"

[[drive]]
name    = "bay"
label   = "SKERRY_*"
reserve = "1MB"

[[light]]
shows = "card"
led   = "input0::capslock"

[[light]]
shows = "drive"
led   = "input0::numlock"

[[light]]
shows = "box"
led   = "input0::scrolllock"
`

// The lights of that policy.
const (
	cardLED  = "input0::capslock"
	driveLED = "input0::numlock"
	boxLED   = "input0::scrolllock"
)

// Box is a guest in which the daemon runs.
type Box struct {
	*testbed.Guest
	t *testing.T
}

var builtDaemon = struct {
	sync.Mutex
	path string
}{}

// daemonBinary builds the program once for all stories of a run.
func daemonBinary(t *testing.T) string {
	t.Helper()
	builtDaemon.Lock()
	defer builtDaemon.Unlock()
	if builtDaemon.path == "" {
		data, err := os.ReadFile(testbed.BuildDaemon(t))
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.CreateTemp("", "bothy-under-test-*")
		if err != nil {
			t.Fatal(err)
		}
		if _, err := f.Write(data); err != nil {
			t.Fatal(err)
		}
		if err := f.Chmod(0o755); err != nil {
			t.Fatal(err)
		}
		if err := f.Close(); err != nil {
			t.Fatal(err)
		}
		builtDaemon.path = f.Name()
	}
	return builtDaemon.path
}

// StartBox boots a guest and installs the daemon as its service, with the
// shipped unit.
func StartBox(t *testing.T, policy string, opts testbed.Options) *Box {
	t.Helper()
	b := &Box{Guest: testbed.Start(t, opts), t: t}
	t.Cleanup(func() {
		if t.Failed() && b.Running() {
			t.Logf("the daemon's journal:\n%s", b.Journal("bothy"))
			if s, err := b.status(); err == nil {
				t.Logf("its status: %+v", s)
			}
		}
	})
	t.Cleanup(b.mustNotHaveWritten)
	b.Install(daemonBinary(t), testbed.ShippedUnit(t), policy)
	return b
}

// mustNotHaveWritten asks QEMU about every medium of the story that was not
// to be written: not one request to write it was sent, whatever bytes it had.
func (b *Box) mustNotHaveWritten() {
	b.t.Helper()
	for _, image := range b.Images() {
		name := filepath.Base(image)
		if !strings.Contains(name, "SKUA_") && !strings.Contains(name, "HOLIDAY") {
			continue
		}
		if n := b.WritesTo(image); n != 0 {
			b.t.Errorf("%d requests to write %s were sent", n, name)
		}
	}
}

// Status is the part of /v1/status that stories look at.
type Status struct {
	Phase   string
	Healthy bool
	Policy  struct{ Error string }
	Cards   []struct {
		Device, Slot, Label, Phase, Verdict, Reason string
		HoldKind                                    string `json:"hold_kind"`
		OffloadID                                   string `json:"offload_id"`
	}
	Drives   []Drive
	Offloads []struct {
		ID, Verdict, Reason string
		CardLabel           string `json:"card_label"`
		Running             bool
		Files               int
		ReadBytes           int64    `json:"read_bytes"`
		RefersTo            []string `json:"refers_to"`
		LeftOut             []string `json:"left_out"`
		Copies              []struct {
			DriveName    string `json:"drive_name"`
			Folder       string
			Phase        string
			Reason       string
			FilesProven  int   `json:"files_proven"`
			WrittenBytes int64 `json:"written_bytes"`
		}
	}
	Devices    []struct{ Name, Disk, Label, Decision, Rule, Sentence string }
	Conditions []struct{ Code, Subject, Sentence, Detail, Hint string }
}

// Drive is the part of a drive that stories look at.
type Drive struct {
	Name, Device, Reason             string
	Attached, Failing, Full, Refused bool
	InUse                            bool `json:"in_use"`
	Copies                           int
}

func (b *Box) status() (s Status, err error) {
	reply, ok, reason := b.HTTPGet("/v1/status")
	if !ok {
		return s, fmt.Errorf("no status: %s", reason)
	}
	if reply.Status != 200 {
		return s, fmt.Errorf("status %d: %s", reply.Status, reply.Body)
	}
	return s, json.NewDecoder(bytes.NewReader(reply.Body)).Decode(&s)
}

// Until waits for a state of the box.
func (b *Box) Until(what string, check func(s Status) bool) Status {
	b.t.Helper()
	var last Status
	b.WaitFor(what, patience, func() (bool, string) {
		s, err := b.status()
		if err != nil {
			return false, err.Error()
		}
		last = s
		return check(s), fmt.Sprintf("%+v", s.Cards) + fmt.Sprintf("%+v", s.Drives) + fmt.Sprintf("%+v", s.Conditions)
	})
	return last
}

// UntilDecided waits until the card with this label has the verdict and nothing
// is in use any more.
func (b *Box) UntilDecided(label, verdict string) Status {
	b.t.Helper()
	return b.Until(label+" has the verdict "+verdict, func(s Status) bool {
		for _, d := range s.Drives {
			if d.InUse {
				return false
			}
		}
		for _, c := range s.Cards {
			if c.Label == label {
				return c.Phase == "decided" && c.Verdict == verdict
			}
		}
		return false
	})
}

// UntilReason waits for a hold with a reason that contains words.
func (b *Box) UntilReason(label, words string) Status {
	b.t.Helper()
	return b.Until(label+" is held because: "+words, func(s Status) bool {
		for _, c := range s.Cards {
			if c.Label == label {
				return c.Phase == "decided" && c.Verdict == "hold" && strings.Contains(c.Reason, words)
			}
		}
		return false
	})
}

// AttachedDrives counts the drives that are there; the box remembers others.
func (s Status) AttachedDrives() (n int) {
	for _, d := range s.Drives {
		if d.Attached {
			n++
		}
	}
	return n
}

// HasCondition reports whether a condition is raised.
func (s Status) HasCondition(code string) bool {
	for _, c := range s.Conditions {
		if c.Code == code {
			return true
		}
	}
	return false
}

// Tree is a card's content, kept by the oracle.
type Tree struct{ dir string }

// NewTree makes a DCF tree (JEITA CP-3461 names) of generated bytes: stills,
// small sidecars, clips of clipMiB each, an empty folder and an empty file.
func NewTree(t *testing.T, seed string, stills, clips, clipMiB int) Tree {
	t.Helper()
	tree := Tree{t.TempDir()}
	for i := range stills {
		tree.Add(t, fmt.Sprintf("DCIM/100SKUAS/SKUA%04d.JPG", i+1), seed, 90_000+i*1777)
		tree.Add(t, fmt.Sprintf("DCIM/100SKUAS/SKUA%04d.XMP", i+1), seed, 300+i)
	}
	for i := range clips {
		tree.Add(t, fmt.Sprintf("DCIM/101SKUAS/CLIP%04d.MOV", i+1), seed, clipMiB*testbed.MiB+i*4099+1)
	}
	tree.Add(t, "DCIM/100SKUAS/EMPTY001.DAT", seed, 0)
	if err := os.MkdirAll(filepath.Join(tree.dir, "MISC"), 0o755); err != nil {
		t.Fatal(err)
	}
	return tree
}

// Add puts a file of generated bytes into the tree.
func (tr Tree) Add(t *testing.T, name, seed string, size int) {
	t.Helper()
	var key [32]byte
	copy(key[:], seed+name)
	data := make([]byte, size)
	rand.NewChaCha8(key).Read(data)
	file := filepath.Join(tr.dir, name)
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, data, 0o644); err != nil {
		t.Fatal(err)
	}
	// Even seconds, which every file system holds (FAT: steps of 2 s).
	at := time.Date(2026, 6, 21, 3, 4, 6, 0, time.UTC)
	if err := os.Chtimes(file, at, at); err != nil {
		t.Fatal(err)
	}
}

// entries lists files (with content) and folders (with nil).
func entries(t *testing.T, dir string) map[string][]byte {
	t.Helper()
	all := map[string][]byte{}
	err := filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if err != nil || name == dir {
			return err
		}
		rel, err := filepath.Rel(dir, name)
		if err != nil {
			return err
		}
		if d.IsDir() {
			all[rel+"/"] = nil
			return nil
		}
		all[rel], err = os.ReadFile(name)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return all
}

// Extracted is what independent programs found on a drive's image.
type Extracted struct{ dir string }

// Extract takes a drive's image apart on the host.
func Extract(t *testing.T, fsType testbed.FS, image string) Extracted {
	t.Helper()
	e := Extracted{filepath.Join(t.TempDir(), "extracted")}
	testbed.Extract(t, fsType, image, e.dir)
	return e
}

// Finished are the folders of finished copies: those with a history and
// without an ending that says otherwise.
func (e Extracted) Finished(t *testing.T) []string {
	t.Helper()
	return e.copies(t, func(name string) bool {
		return !strings.HasSuffix(name, ".unfinished") && !strings.HasSuffix(name, ".incomplete")
	})
}

func (e Extracted) copies(t *testing.T, want func(name string) bool) []string {
	t.Helper()
	days, err := filepath.Glob(filepath.Join(e.dir, "20*", "*"))
	if err != nil {
		t.Fatal(err)
	}
	var list []string
	for _, d := range days {
		if want(d) {
			list = append(list, d)
		}
	}
	return list
}

// MustEqual holds a copy against the original: every file, every byte, every
// folder, and nothing else but the history.
func (tr Tree) MustEqual(t *testing.T, copy string) {
	t.Helper()
	want, got := entries(t, tr.dir), entries(t, copy)
	for name := range got {
		// An ext4 card has a folder of its own making beside the tree.
		if name == "ascmhl/" || name == "lost+found/" || strings.HasPrefix(name, "ascmhl/") {
			delete(got, name)
		}
	}
	for name, data := range want {
		g, ok := got[name]
		if !ok {
			t.Errorf("%s is missing from the copy", name)
		} else if !bytes.Equal(g, data) {
			t.Errorf("%s differs in the copy (%d bytes, original %d)", name, len(g), len(data))
		}
		delete(got, name)
	}
	for name := range got {
		t.Errorf("%s is in the copy and was never on the card", name)
	}
}

// MustHoldOnly checks that a drive has exactly these finished copies and
// nothing unfinished.
func (e Extracted) MustHoldOnly(t *testing.T, trees ...Tree) {
	t.Helper()
	finished := e.Finished(t)
	if len(finished) != len(trees) {
		t.Fatalf("the drive holds %d finished copies %v, want %d", len(finished), finished, len(trees))
	}
	for i, tree := range trees {
		tree.MustEqual(t, finished[i])
		MustValidate(t, finished[i])
	}
	if rest := e.copies(t, func(n string) bool { return strings.HasSuffix(n, ".unfinished") }); len(rest) > 0 {
		t.Errorf("the drive holds unfinished folders: %v", rest)
	}
}

// MustHoldEach is MustHoldOnly for copies in whatever order.
func (e Extracted) MustHoldEach(t *testing.T, trees ...Tree) {
	t.Helper()
	finished := e.Finished(t)
	if len(finished) != len(trees) {
		t.Fatalf("the drive holds %d finished copies %v, want %d", len(finished), finished, len(trees))
	}
	for _, tree := range trees {
		want := entries(t, tree.dir)
		i := slices.IndexFunc(finished, func(copy string) bool { return len(entries(t, copy)) >= len(want) && hasAll(t, copy, want) })
		if i < 0 {
			t.Fatalf("no finished copy holds %s", tree.dir)
		}
		tree.MustEqual(t, finished[i])
		MustValidate(t, finished[i])
		finished = slices.Delete(finished, i, i+1)
	}
}

func hasAll(t *testing.T, copy string, want map[string][]byte) bool {
	t.Helper()
	got := entries(t, copy)
	for name, data := range want {
		if g, ok := got[name]; !ok || !bytes.Equal(g, data) {
			return false
		}
	}
	return true
}

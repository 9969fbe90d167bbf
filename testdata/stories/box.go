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
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"bothy/testdata/testbed"
)

// patience is how long an emulated guest may take over one step of a story.
const patience = 4 * time.Minute

// policyText is the policy of most stories. The oracle can compute MD5.
const policyText = `[box]
name   = "skerry-2"
copies = 2

[[card]]
name  = "stills"
label = "SKUA_*"
checksum = "md5"

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

// besides has files proven while others are still being copied: the emulated
// disks say that they turn, and would else be read back at the end.
var besides = strings.Replace(policyText, "reserve = ", "read_back = \"overlap\"\nreserve = ", 1)

// The lights of that policy.
const (
	cardLED  = "input0::capslock"
	driveLED = "input0::numlock"
	boxLED   = "input0::scrolllock"
)

// Box is a guest in which the daemon runs, under the eyes of an oracle: what its
// windows claim is recorded all the time, what is plugged in is remembered as it
// was, and both are judged when the story is over.
type Box struct {
	*testbed.Guest
	t *testing.T

	copies  int // that a release needs, by the policy's text
	witness *Witness
	wards   map[string][]ward // by image
	said    []Said            // of earlier lives of the box
	differs []string
	looks   int
}

// ofRun is a folder for what all stories of a run share; it goes with the run.
var ofRun = sync.OnceValues(func() (string, error) { return os.MkdirTemp("", "stories-") })

var builtDaemon = struct {
	sync.Mutex
	path string
}{}

// programFlag puts another program under test, such as one with a planted bug.
var programFlag = flag.String("program", "", "test this static `FILE` and not a build of this tree")

// daemonBinary builds the program once for all stories of a run.
func daemonBinary(t *testing.T) string {
	t.Helper()
	builtDaemon.Lock()
	defer builtDaemon.Unlock()
	if *programFlag != "" {
		return *programFlag
	}
	if builtDaemon.path == "" {
		data, err := os.ReadFile(testbed.BuildDaemon(t))
		if err != nil {
			t.Fatal(err)
		}
		dir, err := ofRun()
		if err != nil {
			t.Fatal(err)
		}
		f, err := os.CreateTemp(dir, "bothy-under-test-*")
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
	t.TempDir() // goes after the judgement, since it is asked for before
	b := &Box{t: t, copies: copiesIn(t, policy), wards: map[string][]ward{}}
	t.Cleanup(b.judge)
	b.begin(policy, opts)
	b.witness = b.Witness(nil)
	return b
}

// begin boots the guest and installs the daemon, with nobody who looks on.
func (b *Box) begin(policy string, opts testbed.Options) {
	b.t.Helper()
	b.Guest = testbed.Start(b.t, opts)
	b.t.Cleanup(func() {
		b.endWitness()
		if b.t.Failed() && b.Running() {
			b.t.Logf("the daemon's journal:\n%s", b.Journal("bothy"))
			if s, err := b.status(); err == nil {
				b.t.Logf("its status: %+v", s)
			}
		}
	})
	b.t.Cleanup(b.mustNotHaveWritten)
	b.Install(daemonBinary(b.t), testbed.ShippedUnit(b.t), policy)
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

var copiesLine = regexp.MustCompile(`(?m)^copies\s*=\s*([0-9]+)`)

func copiesIn(t *testing.T, policy string) int {
	t.Helper()
	m := copiesLine.FindStringSubmatch(policy)
	if m == nil {
		t.Fatal("the policy does not say how many copies a release needs")
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func (b *Box) endWitness() {
	if w := b.witness; w != nil {
		w.End()
		b.witness = nil
		b.said, b.differs, b.looks = append(b.said, w.said...), append(b.differs, w.differs...), b.looks+w.came
	}
}

// PowerCut, Boot and what follows are the guest's, with the oracle told.
func (b *Box) PowerCut() {
	b.t.Helper()
	b.Guest.PowerCut()
	b.endWitness()
}

// ShutDown is the guest's.
func (b *Box) ShutDown() {
	b.t.Helper()
	b.Guest.ShutDown()
	b.endWitness()
}

// Boot is the guest's.
func (b *Box) Boot() {
	b.t.Helper()
	b.Guest.Boot()
	b.witness = b.Witness(nil)
}

// PlugUSB is the guest's.
func (b *Box) PlugUSB(id, image string, options testbed.USBOptions) {
	b.t.Helper()
	b.guard(image)
	b.Guest.PlugUSB(id, image, options)
}

// PlugUSBs is the guest's.
func (b *Box) PlugUSBs(disks ...testbed.USBDisk) {
	b.t.Helper()
	for _, d := range disks {
		b.guard(d.Image)
	}
	b.Guest.PlugUSBs(disks...)
}

// ReaderInsert is the guest's.
func (b *Box) ReaderInsert(slot int, image string, options testbed.USBOptions) {
	b.t.Helper()
	b.guard(image)
	b.Guest.ReaderInsert(slot, image, options)
}

// ReaderSwap is the guest's.
func (b *Box) ReaderSwap(slot int, image string, options testbed.USBOptions) {
	b.t.Helper()
	b.guard(image)
	b.Guest.ReaderSwap(slot, image, options)
}

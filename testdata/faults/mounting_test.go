//go:build linux && amd64

package faults

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"bothy/daemon/volume"
	"bothy/testdata/faults/tracer"
	"bothy/testdata/judges"
)

// TestMounting: every fault at every call by which a card and a drive are mounted, read,
// written, flushed and let go, on loop devices of the real kernel. Whatever goes wrong,
// nothing is written to the card (the kernel's own count, Documentation/block/stat.rst), what
// has failed is said, and the next life finds everything in order again.
func TestMounting(t *testing.T) {
	mayTrace(t)
	if os.Getuid() != 0 {
		t.Skip("left out: loop devices and mounting need root")
	}
	for _, pair := range []struct{ card, drive string }{{"ext4", "ext4"}, {"xfs", "btrfs"}} {
		t.Run(pair.card+"-"+pair.drive, func(t *testing.T) {
			r := newMountRig(t, pair.card, pair.drive)
			sites := r.record(t)
			show(t, sites)
			var list []trial
			for _, c := range trialsOf(sites) {
				if c.fault == short && c.site.role != "drive" { // a look that is cut short is repeated
					continue
				}
				list = append(list, c)
			}
			list = pick(list, func(c trial) bool { return c.fault != hang && (mounts[c.site.call] || c.site.kind == tracer.Flush) }, 8)
			if len(list) == 0 {
				t.Fatal("no case is like that")
			}
			r.campaign(t, len(sites), list)
		})
	}
}

// mounts are the calls that are only made here.
var mounts = map[string]bool{"mount": true, "umount2": true, "ioctl": true}

// mountRig is a card and a drive, each on a device of its own.
type mountRig struct {
	orders mountOrders
	stat   string // of the card, in sysfs
	life   int
}

func newMountRig(t *testing.T, cardFS, driveFS string) *mountRig {
	t.Helper()
	base, err := os.MkdirTemp("/dev/shm", "bothy-mounting-")
	if err != nil {
		t.Fatal(err)
	}
	r := &mountRig{orders: mountOrders{Dir: filepath.Join(base, "m"), Claims: filepath.Join(base, claimsFile), CardFS: cardFS, DriveFS: driveFS}}
	t.Cleanup(func() {
		if err := os.RemoveAll(base); err != nil {
			t.Error(err)
		}
	})
	r.orders.Card = loopWith(t, base, "card", cardFS)
	r.orders.Drive = loopWith(t, base, "drive", driveFS)
	t.Cleanup(func() { // before the devices go
		if err := (volume.Mounter{Dir: r.orders.Dir}).Sweep(); err != nil {
			t.Error(err)
		}
	})
	r.stat = filepath.Join("/sys/block", filepath.Base(r.orders.Card), "stat")
	m, err := (volume.Mounter{Dir: r.orders.Dir}).Drive(t.Context(), r.orders.Card, cardFS, false)
	if errors.Is(err, volume.ErrNoDriver) {
		t.Skipf("left out: this kernel has no driver for %s", cardFS)
	}
	must(t, err)
	must(t, os.WriteFile(filepath.Join(m.Path, cardFile), mountedBytes, 0o644))
	must(t, m.Unmount(t.Context()))
	if m, err = (volume.Mounter{Dir: r.orders.Dir}).Drive(t.Context(), r.orders.Drive, driveFS, true); errors.Is(err, volume.ErrNoDriver) {
		t.Skipf("left out: this kernel has no driver for %s", driveFS)
	}
	must(t, err)
	must(t, m.Unmount(t.Context()))
	return r
}

// loopWith is a loop device with a file system of its own.
func loopWith(t *testing.T, base, name, fsType string) string {
	t.Helper()
	image := filepath.Join(base, name)
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 320<<20)) // the least that XFS takes is 300
	quiet := map[string][]string{"ext4": {"-q", "-F"}, "xfs": {"-q"}, "btrfs": {"-q"}}[fsType]
	if out, err := exec.Command(judges.Need(t, "mkfs."+fsType), append(quiet, image)...).CombinedOutput(); err != nil {
		t.Fatalf("mkfs.%s: %v: %s", fsType, err, out)
	}
	out, err := exec.Command(judges.Need(t, "losetup"), "--find", "--show", image).CombinedOutput()
	if err != nil {
		t.Fatalf("losetup: %v: %s", err, out)
	}
	node := strings.TrimSpace(string(out))
	t.Cleanup(func() {
		if out, err := exec.Command("losetup", "--detach", node).CombinedOutput(); err != nil {
			t.Errorf("losetup: %v: %s", err, out)
		}
	})
	must(t, volume.SetWritable(node)) // whoever had it before may have closed it
	return node
}

// written is how many sectors the kernel has written to the card. A request to empty its
// cache, which letting go of XFS sends, counts among the writes and writes none.
func (r *mountRig) written(t *testing.T) string {
	t.Helper()
	text, err := os.ReadFile(r.stat)
	must(t, err)
	fields := strings.Fields(string(text))
	return fields[6] + " sectors"
}

// live runs one life, under a handler or freely, and gives what it said.
func (r *mountRig) live(t *testing.T, o mountOrders, h *mountWatcher) (tracer.End, []stepSaid) {
	t.Helper()
	r.life++
	o.Traced = h != nil
	o.Claims = fmt.Sprintf("%s-%d", r.orders.Claims, r.life)
	text, err := json.Marshal(o)
	must(t, err)
	null, err := os.OpenFile(os.DevNull, os.O_RDWR, 0)
	must(t, err)
	defer null.Close()
	var by *tracer.Tracer
	if h != nil {
		by = h.tracer
	}
	end := runLife(t, mountOrdersIn+"="+string(text), by, null)
	data, err := os.ReadFile(o.Claims)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	var all []stepSaid
	for lines := bufio.NewScanner(bytes.NewReader(data)); lines.Scan(); {
		var s stepSaid
		if json.Unmarshal(lines.Bytes(), &s) == nil {
			all = append(all, s)
		}
	}
	return end, all
}

// record lists the sites of an undisturbed life.
func (r *mountRig) record(t *testing.T) []site {
	t.Helper()
	all := map[string]site{}
	for range 2 {
		r.openGate(t)
		o := r.orders
		o.Limit = lifeLimit
		h := newMountWatcher(o, "", "")
		before := r.written(t)
		end, said := r.live(t, o, h)
		if end.Status != 0 || len(said) != 7 || slices.ContainsFunc(said, stepSaid.bad) || r.written(t) != before {
			t.Fatalf("an undisturbed life: %+v, %+v, %s before and %s after", end, said, before, r.written(t))
		}
		for _, s := range h.reached {
			all[s.name] = s
		}
	}
	return sorted(all)
}

// openGate has the card's device take writes again, as a fresh one does.
func (r *mountRig) openGate(t *testing.T) {
	t.Helper()
	must(t, volume.SetWritable(r.orders.Card))
}

// mountedBelow is what the kernel lists of mounts in the rig's folder: their devices.
func (r *mountRig) mountedBelow(t *testing.T) (nodes []string) {
	t.Helper()
	text, err := os.ReadFile("/proc/self/mountinfo")
	must(t, err)
	for line := range strings.Lines(string(text)) {
		fields := strings.Fields(line)
		if i := slices.Index(fields, "-"); i > 4 && strings.HasPrefix(fields[4], r.orders.Dir+"/") {
			nodes = append(nodes, fields[i+2])
		}
	}
	return nodes
}

// trial puts the rig through a case and gives what was wrong.
func (r *mountRig) trial(t *testing.T, c trial) (wrong []string, reached, killed bool) {
	t.Helper()
	note := func(format string, args ...any) { wrong = append(wrong, fmt.Sprintf(format, args...)) }
	r.openGate(t)
	before := r.written(t)
	o := r.orders
	o.Limit = lifeLimit
	if c.fault == hang {
		o.Limit, o.NothingLeft = mountPatience, true
	}
	h := newMountWatcher(o, c.site.name, c.fault)
	end, said := r.live(t, o, h)
	if !h.hit {
		r.live(t, o, nil)
		return nil, false, false
	}
	ok := map[step]bool{}
	failed := 0
	for _, s := range said {
		ok[s.Step] = s.Err == ""
		if s.bad() {
			failed++
		}
		if s.Wrong || s.Step == nothingLeft && s.Err != "" {
			note("%s: %s", s.Step, s.Err)
		}
	}
	if end.TimedOut || !end.Killed && end.Status != 0 {
		note("it ended as %+v", end)
	}
	if c.fault == eio && failed == 0 && !harmless(c.site) {
		note("nobody was told of it: %+v", said)
	}
	if ok[cardMounted] {
		if ro, err := volume.ReadOnly(o.Card); !ro || err != nil {
			note("the card was mounted, and the kernel takes writes to it (%v)", err)
		}
	}
	left := r.mountedBelow(t)
	for done, node := range map[step]string{driveLetGo: o.Drive, cardLetGo: o.Card} {
		if ok[done] && slices.Contains(left, node) {
			note("%s, and it is mounted still", done)
		}
	}
	o.Has, o.NothingLeft, o.Limit = ok[driveWritten], false, lifeLimit
	if end, said := r.live(t, o, nil); end != (tracer.End{}) || slices.ContainsFunc(said, stepSaid.bad) || len(said) < 7 {
		note("the next life: %+v, %+v", end, said)
	}
	if left := r.mountedBelow(t); len(left) > 0 {
		note("after the next life there are mounts of %q still", left)
	}
	if points, err := os.ReadDir(r.orders.Dir); len(points) > 0 || err != nil {
		note("after the next life there are %v still (%v)", points, err)
	}
	if now := r.written(t); now != before {
		note("the card was written to: %s before, %s after", before, now)
	}
	return wrong, true, end.Killed
}

// mountPatience is a mounter's with a call that hangs, which it does for longer.
const mountPatience = 150 * time.Millisecond

func (s stepSaid) bad() bool { return s.Err != "" || s.Dirty }

// harmless: a call of which a failure need not be told, since nothing rests on it.
func harmless(s site) bool {
	switch {
	case s.call == "close": // of what was only read; what was written is flushed before
		return true
	case s.call == "unlinkat" || s.call == "unlink": // os.Remove tries again as for a folder
		return true
	case strings.HasPrefix(s.name, "mounts getdents64"), strings.HasPrefix(s.name, "mounts openat"), strings.HasPrefix(s.name, "mounts newfstatat"):
		return true // looking for mount points of a life before: there are none
	case s.name == "mounts/m-# fstat #1", s.name == "mounts/m-# fstat #2": // os asks what sort of file it has opened, to choose how to wait for it
		return true
	case strings.HasPrefix(s.role, "/sys/") && s.call == "fstat": // for the length, which it does not believe
		return true
	case s.role == "mounts/m-#/"+driveFile && s.call == "newfstatat": // os looks whether a rename would replace a folder; the kernel does too
		return true
	}
	return false
}

// campaign runs trials side by side, each worker with a rig of its own.
func (r *mountRig) campaign(t *testing.T, sites int, trials []trial) {
	t.Helper()
	var unreached, killed atomic.Int64
	per := map[string]int{}
	for _, c := range trials {
		per[c.named()]++
	}
	rigs := []*mountRig{r}
	for len(rigs) < min(*abreast, len(trials)) {
		rigs = append(rigs, newMountRig(t, r.orders.CardFS, r.orders.DriveFS))
	}
	sideBySide(len(trials), func(worker, i int) {
		wrong, reached, ended := rigs[worker].trial(t, trials[i])
		if !reached {
			unreached.Add(1)
		}
		if ended {
			killed.Add(1)
		}
		for _, s := range wrong {
			t.Errorf("go test ./testdata/faults -run %s %s: %s", t.Name(), trials[i], s)
		}
	})
	t.Logf("%d call sites, %d cases (%s); %d sites were not come by again; the life with the fault ended with the process %d times",
		sites, len(trials), counts(per), unreached.Load(), killed.Load())
	if unreached.Load()*10 > int64(len(trials)) {
		t.Errorf("%d of %d sites were not come by again: the cases mean little", unreached.Load(), len(trials))
	}
}

// mountWatcher stands between a mounter and the kernel in one life.
type mountWatcher struct {
	orders  mountOrders
	at      string
	fault   fault
	tracer  *tracer.Tracer
	seen    map[string]int
	reached []site
	hit     bool
}

func newMountWatcher(o mountOrders, at string, f fault) *mountWatcher {
	h := &mountWatcher{orders: o, at: at, fault: f, seen: map[string]int{}}
	h.tracer = tracer.New(h)
	return h
}

var (
	anyPoint  = regexp.MustCompile(`/m-[0-9]+`)
	mountinfo = regexp.MustCompile(`^/proc/(self|[0-9]+)(/task/[0-9]+)?/mountinfo$`)
)

func (h *mountWatcher) locate(c *tracer.Call) (site, bool) {
	role := ""
	switch {
	case c.Path == h.orders.Card:
		role = "card"
	case c.Path == h.orders.Drive:
		role = "drive"
	case mountinfo.MatchString(c.Path):
		role = "mountinfo"
	case c.Path == h.orders.Dir || strings.HasPrefix(c.Path, h.orders.Dir+"/"):
		role = "mounts" + anyPoint.ReplaceAllString(strings.TrimPrefix(c.Path, h.orders.Dir), "/m-#")
	case strings.HasPrefix(c.Path, "/sys/"):
		role = strings.ReplaceAll(c.Path, filepath.Base(h.orders.Drive), "drive")
	default:
		return site{}, false
	}
	name := role + " " + c.Name
	h.seen[name]++
	return site{name: name + " #" + strconv.Itoa(h.seen[name]), call: c.Name, kind: c.Kind, role: role}, true
}

// Before implements tracer.Handler.
func (h *mountWatcher) Before(c *tracer.Call) tracer.Do {
	s, ours := h.locate(c)
	if !ours {
		return tracer.Do{}
	}
	h.reached = append(h.reached, s)
	if s.name != h.at {
		return tracer.Do{}
	}
	h.hit = true
	return h.fault.strike(c, h.tracer, 4*mountPatience)
}

// After implements tracer.Handler.
func (h *mountWatcher) After(*tracer.Call) {}

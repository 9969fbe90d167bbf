package daemon

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/supply"
	"bothy/udev"
)

// seedWorld is one history of a box, made of one number: a policy, cards,
// drives, and what becomes of them. The daemon in it is the real one. Time is
// that of a synctest bubble, so what takes long costs nothing.
type seedWorld struct {
	seed    uint64
	base    string
	begun   time.Time
	cards   []*seedCard
	drives  []*seedDrive
	script  []seedStep
	sizes   offload.Portions
	plain   bool          // drives take no copy of the ledger, which is dear
	calm    chan struct{} // closed when nothing goes wrong any more
	started []*seedLife   // every life; the main goroutine's

	mu       sync.Mutex
	policy   seedPolicy        // guarded by mu; as it is written
	stays    []*stay           // guarded by mu; every insertion there ever was
	seq      uint64            // guarded by mu; the kernel's of this boot
	boot     int               // guarded by mu
	offset   time.Duration     // guarded by mu; of the wall clock
	trusted  bool              // guarded by mu
	supply   supply.Reading    // guarded by mu
	life     *seedLife         // guarded by mu; nil while the box is off
	trigger  *trigger          // guarded by mu
	foreign  map[string]*node  // guarded by mu; by drive number and path
	fills    []*fill           // guarded by mu; every one there ever was
	lines    []string          // guarded by mu; the history
	fouls    []string          // guarded by mu
	seen     map[string]bool   // guarded by mu; what has happened
	judged   map[string]bool   // guarded by mu; releases that were found good
	sound    map[*node]verdict // guarded by mu
	unread   map[string]bool   // guarded by mu; copies, by drive number and folder
	folders  int               // guarded by mu; for names of folders
	actions  int               // guarded by mu
	releases int               // guarded by mu
}

// stay is one insertion of one medium.
type stay struct {
	w     *seedWorld
	card  *seedCard
	drive *seedDrive
	fill  *fill // of a card
	name  string
	disk  string
	slot  string
	seq   uint64
	boot  int

	lag    time.Duration // after which the kernel notices that it is over
	out    bool          // guarded by seedWorld.mu
	outAt  time.Time     // guarded by seedWorld.mu
	after  *stay         // guarded by seedWorld.mu; the card that came in its place while it was mounted
	mounts int           // guarded by seedWorld.mu
}

func (w *seedWorld) logf(format string, args ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.logLocked(format, args...)
}

func (w *seedWorld) logLocked(format string, args ...any) {
	w.lines = append(w.lines, fmt.Sprintf("%9.3fs  ", time.Since(w.begun).Seconds())+fmt.Sprintf(format, args...))
}

func (w *seedWorld) foul(format string, args ...any) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.foulLocked(format, args...)
}

func (w *seedWorld) foulLocked(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	w.fouls = append(w.fouls, text)
	w.logLocked("VIOLATION: %s", text)
}

func (w *seedWorld) saw(what string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.sawLocked(what)
}

func (w *seedWorld) sawLocked(what string) { w.seen[what] = true }

// now is the box's wall clock.
func (w *seedWorld) now() (time.Time, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	return time.Now().UTC().Add(w.offset), w.trusted
}

// supplied is how the box is supplied.
func (w *seedWorld) supplied() supply.Reading {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.supply
}

func (w *seedWorld) supplyLocked(r supply.Reading) {
	w.supply = r
	w.logLocked("the battery is at %d %%; charged: %v, known: %v", r.Percent, r.External, r.HasCharge)
	w.sawLocked("the battery changed")
}

// makeSupply is a battery at any level, low ones the oftenest.
func makeSupply(r *rand.Rand) supply.Reading {
	s := onBattery(oneOf(r, 0, 3, 4, 4, 4, 6, 8, 19, 21, 22, 60, 100))
	switch {
	case chance(r, 20):
		s.External = true
	case chance(r, 8):
		s.HasCharge, s.Doubtful = false, chance(r, 50)
	}
	return s
}

// enter puts a medium in; the caller holds mu. Partitions of one disk share
// the number.
func (w *seedWorld) enterLocked(st *stay) *stay {
	w.seq++
	st.w, st.seq, st.boot = w, w.seq, w.boot
	for _, o := range w.stays {
		if !o.out && o.boot == w.boot && o.disk == st.disk {
			st.seq = o.seq
		}
	}
	// How long a kernel takes to see what becomes of it.
	st.lag = time.Duration(pick(w.seed, "lag", len(w.stays))%4) * 600 * time.Millisecond
	w.stays = append(w.stays, st)
	return st
}

func (w *seedWorld) cardInLocked(c *seedCard, slot string) {
	if c.at != nil {
		return
	}
	for _, o := range w.stays {
		if !o.out && o.slot == slot {
			return // somebody is in there
		}
	}
	c.at = w.enterLocked(&stay{card: c, fill: c.fill, name: slot, disk: slot, slot: slot})
	w.logLocked("card %d (%s, filling %d) goes into %s", c.n, c.label, c.fill.n, slot)
	w.newsLocked(0)
}

func (w *seedWorld) driveInLocked(d *seedDrive) {
	if d.at != nil {
		return
	}
	d.at = w.enterLocked(&stay{drive: d, name: d.name, disk: d.disk, slot: "bay-" + d.disk})
	w.logLocked("drive %d is plugged in as %s", d.n, d.name)
	w.newsLocked(0)
}

// outLocked takes a medium out. What was not flushed to a drive is lost.
func (w *seedWorld) outLocked(st *stay) {
	if st == nil || st.out {
		return
	}
	st.out, st.outAt = true, time.Now()
	switch {
	case st.card != nil:
		st.card.at = nil
		w.logLocked("card %d is pulled", st.card.n)
		if st.mounts > 0 {
			w.sawLocked("a card was pulled in mid-copy")
		}
	default:
		d := st.drive
		d.at = nil
		w.logLocked("drive %d is pulled", d.n)
		if st.mounts > 0 {
			w.sawLocked("a drive was pulled in mid-copy")
			w.cutLocked(d, false)
		}
		for _, o := range w.drives { // its other partition goes with it
			if o.at != nil && o.disk == d.disk {
				w.outLocked(o.at)
			}
		}
	}
	w.newsLocked(st.lag)
}

// swapLocked puts another card in a card's place; whoever has the old one
// mounted reads the new one's bytes.
func (w *seedWorld) swapLocked(out, in *seedCard) {
	st := out.at
	if st == nil || in.at != nil || out == in {
		return
	}
	w.outLocked(st)
	w.cardInLocked(in, st.slot)
	if in.at == nil {
		return
	}
	st.after = in.at
	w.sawLocked("a card was swapped")
	if st.mounts > 0 {
		w.sawLocked("a card was swapped in mid-copy")
	}
}

// cutLocked leaves on a drive what a cut would.
func (w *seedWorld) cutLocked(d *seedDrive, lossless bool) {
	w.folders++
	d.store = d.store.cut(w.seed+uint64(w.folders), lossless)
	w.examineLeftLocked(d)
}

// newsLocked has the box told of the devices, when the kernel knows.
func (w *seedWorld) newsLocked(after time.Duration) {
	if after > 0 { // whichever life there is by then
		time.AfterFunc(after, func() {
			w.mu.Lock()
			defer w.mu.Unlock()
			w.newsLocked(0)
		})
		return
	}
	if w.life != nil {
		w.life.tell()
	}
}

// known: the kernel takes the medium for present; the caller holds mu.
func (st *stay) known() bool {
	return st.boot == st.w.boot && (!st.out || time.Since(st.outAt) < st.lag)
}

// listLocked are the devices that the kernel lists.
func (w *seedWorld) listLocked() (list []udev.Device) {
	byName := map[string]*stay{}
	for _, st := range w.stays {
		if st.known() && byName[st.name] == nil { // what came into a place is seen when what was there has left
			byName[st.name] = st
		}
	}
	disks := map[string]*udev.Device{}
	for _, st := range w.stays {
		if byName[st.name] == st {
			list = append(list, st.devices(disks)...)
		}
	}
	for i, d := range list {
		if whole := disks[d.Name]; whole != nil {
			list[i] = *whole
		}
	}
	slices.SortFunc(list, func(a, b udev.Device) int { return strings.Compare(a.Name, b.Name) })
	return list
}

func (st *stay) devices(disks map[string]*udev.Device) []udev.Device {
	dev := udev.Device{
		Name: st.name, Node: "/invented/" + st.name, Disk: st.disk, DiskSeq: st.seq, SizeBytes: 64 << 30, Removable: true,
		Slot: st.slot, FSType: "invented", Bus: "invented", Initialized: true,
	}
	if c := st.card; c != nil {
		dev.Label, dev.UUID = c.label, c.uuid
		return []udev.Device{dev}
	}
	d := st.drive
	dev.Label, dev.UUID, dev.DiskKey, dev.Rotational, dev.Removable = d.label, d.uuid, d.diskKey, d.rotational, false
	if d.disk == d.name {
		return []udev.Device{dev}
	}
	dev.Partition = int(d.name[len(d.name)-1] - '0')
	if whole := disks[d.disk]; whole != nil {
		whole.Partitions = append(whole.Partitions, d.name)
		return []udev.Device{dev}
	}
	whole := dev
	whole.Name, whole.Node, whole.Partition, whole.Label, whole.UUID, whole.FSType = d.disk, "/invented/"+d.disk, 0, "", "", ""
	whole.Partitions = []string{d.name}
	disks[d.disk] = &whole
	return []udev.Device{whole, dev}
}

// folder is a name for a folder of the real file system.
func (w *seedWorld) folderLocked(what string) string {
	w.folders++
	return filepath.Join(w.base, fmt.Sprintf("%s-%d", what, w.folders))
}

// rng is for making the world, before anything runs.
func (w *seedWorld) rng(what string) *rand.Rand {
	return rand.New(rand.NewPCG(w.seed, pick(w.seed, what)))
}

func (w *seedWorld) policyPath() string { return filepath.Join(w.base, "policy.toml") }

func (w *seedWorld) writePolicy(text string) {
	if err := os.WriteFile(w.policyPath(), []byte(text), 0o644); err != nil {
		panic(err) // the machine that tests is at fault
	}
}

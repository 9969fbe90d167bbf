package daemon

import (
	"fmt"
	"math/rand/v2"
	"path"
	"strings"
	"time"

	"bothy/daemon/offload"
)

// seedPolicy is what varies of a policy.
type seedPolicy struct {
	copies, parallel           int
	verify, checksum, readBack string
	folder                     string
}

func (p seedPolicy) text() string {
	return fmt.Sprintf(`[box]
name     = "skerry-test"
copies   = %d
parallel = %d

[[card]]
name     = "stills"
label    = "SKUA*"
verify   = %q
checksum = %q
folder   = %q

[[drive]]
name      = "bay"
slot      = "bay-*"
reserve   = "1MB"
read_back = %q
`, p.copies, p.parallel, p.verify, p.checksum, p.folder, p.readBack)
}

func oneOf[T any](r *rand.Rand, list ...T) T { return list[r.IntN(len(list))] }

func chance(r *rand.Rand, percent int) bool { return r.IntN(100) < percent }

func makePolicy(r *rand.Rand) seedPolicy {
	return seedPolicy{
		copies: oneOf(r, 1, 1, 2, 2, 2, 2, 3), parallel: oneOf(r, 1, 1, 2, 3),
		verify:   oneOf(r, "read-back", "read-back", "read-back", "read-back", "read-back-twice", "read-back-twice", "size"),
		checksum: oneOf(r, "md5", "sha1", "xxh128", "c4"), readBack: oneOf(r, "auto", "auto", "overlap", "after"),
		folder: oneOf(r, "{date}/{label}", "{date}/{box}-{label}-{time}", "{label}"),
	}
}

// newSeedWorld makes everything that a seed stands for.
func newSeedWorld(seed uint64, base string) *seedWorld {
	w := &seedWorld{seed: seed, base: base, begun: time.Now(), calm: make(chan struct{}), trusted: true,
		foreign: map[string]*node{}, seen: map[string]bool{}, unread: map[string]bool{}, judged: map[string]bool{}, sound: map[*node]verdict{}}
	r := w.rng("world")
	w.offset = time.Until(time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC))
	w.policy = makePolicy(r)
	w.writePolicy(w.policy.text())
	w.sizes = offload.Portions{Buffers: oneOf(r, 3, 6, 12), ChunkBytes: oneOf[int64](r, 4096, 16384), AloneBytes: 48 << 10, FollowBytes: 32 << 10}
	for n := range 1 + r.IntN(4) {
		c := &seedCard{n: n, label: fmt.Sprintf("SKUA_%d", n), uuid: fmt.Sprintf("C0DE-%04d", n)}
		if n > 0 && chance(r, 15) { // nothing tells it from another
			c.label, c.uuid = w.cards[0].label, w.cards[0].uuid
		} else if chance(r, 8) {
			c.uuid = ""
		}
		if chance(r, 10) {
			c.badly = map[int]bool{r.IntN(64): true, r.IntN(64): true}
		}
		w.cards = append(w.cards, c)
		w.refill(c, r, nil)
	}
	w.plain = !chance(r, 20)
	w.makeDrives(r)
	w.script = makeScript(r, len(w.cards), len(w.drives))
	return w
}

// refill puts new pictures on a card. Those of before may come again under the
// very same names, sizes and times, with other bytes.
func (w *seedWorld) refill(c *seedCard, r *rand.Rand, like *fill) {
	f := &fill{card: c, n: len(w.fills), files: map[string][]byte{}, dirs: map[string]bool{}, shot: time.Date(2026, 5, 31, 8, r.IntN(2), 0, 0, time.UTC)}
	var seed [32]byte
	copy(seed[:], fmt.Sprint(w.seed, " ", f.n))
	bytes := rand.NewChaCha8(seed)
	add := func(name string, size int) {
		data := make([]byte, size)
		bytes.Read(data) // it gives what it is asked for
		f.add(name, data)
	}
	if like != nil && len(like.files) > 0 {
		f.shot = like.shot
		for name, data := range like.files {
			size := len(data)
			if chance(r, 20) {
				size = r.IntN(9000)
			}
			add(name, size)
		}
		w.fills, c.fill = append(w.fills, f), f
		return
	}
	if !chance(r, 4) {
		for i := range 1 + r.IntN(11) {
			add(fmt.Sprintf("DCIM/10%dSKUAS/SKUA%04d.JPG", i/6, i+1), oneOf(r, 0, 1, 4096, r.IntN(5000), r.IntN(30000), r.IntN(30000)))
		}
		if chance(r, 40) {
			add("CLIPS/A001 long.MOV", 50_000+r.IntN(300_000))
		}
		if chance(r, 30) {
			add(strings.Repeat("deep/", 2+r.IntN(12))+"note.txt", r.IntN(200))
		}
		if chance(r, 20) {
			add("DCIM/skua0001.jpg", r.IntN(2000))
			add("dcim/"+oneOf(r, "fulmar é.txt", "a&b <c>.xml", "ascmhl.txt"), r.IntN(2000))
		}
	}
	if chance(r, 30) {
		f.dirs["MISC"], f.dirs["MISC/EMPTY"] = true, true
	}
	w.fills, c.fill = append(w.fills, f), f
}

func (w *seedWorld) makeDrives(r *rand.Rand) {
	for n := range 2 + r.IntN(4) {
		letter := string(rune('b' + n))
		d := &seedDrive{n: n, name: "sd" + letter, disk: "sd" + letter, label: "SKERRY-" + strings.ToUpper(letter), uuid: fmt.Sprintf("D00D-%d", n),
			diskKey: fmt.Sprintf("invented-%d", n), body: n, id: fmt.Sprintf("drive%d-of-seed%d", n, w.seed%1000), sizeBytes: 1 << 30,
			rotational: chance(r, 25), deaf: chance(r, 30), readOnly: chance(r, 3), store: newStore(), claims: map[string]bool{}, ever: map[string][][]byte{}}
		d.store.liar = chance(r, 10)
		if n == 1 && chance(r, 18) {
			w.drives[0].name, d.name, d.disk = "sdb1", "sdb2", "sdb"
			d.body, d.diskKey = w.drives[0].body, w.drives[0].diskKey
		}
		if n > 1 && chance(r, 10) {
			d.cloneOf = w.drives[n-1]
			d.id, d.label, d.uuid, d.cloneOf.store.liar = d.cloneOf.id, d.cloneOf.label, d.cloneOf.uuid, false
			d.store.liar, d.readOnly = false, false
		}
		if chance(r, 5) {
			d.diskKey = ""
		}
		if chance(r, 8) {
			d.sizeBytes = 4<<20 + int64(r.IntN(3<<20))
		}
		if chance(r, 70) || d.cloneOf != nil || n > 0 && d.n == 1 && d.disk == "sdb" {
			d.putOwn("drive.toml", fmt.Sprintf("id = %q\nname = %q\nenrolled = 2026-01-02T03:04:05Z\nbox = \"old\"\n", d.id, d.label))
		}
		w.drives = append(w.drives, d)
		w.layForeign(d, r)
		if chance(r, 30) {
			d.faults.Store(makeFaults(r))
		}
	}
}

func (d *seedDrive) putOwn(name, text string) {
	d.store.putForeign(ownFolder+"/"+name, []byte(text))
	_, n, _ := d.store.find(ownFolder + "/" + name)
	n.foreign = false
}

// layForeign puts things on a drive that are none of the box's, also where the
// box would like to put its own.
func (w *seedWorld) layForeign(d *seedDrive, r *rand.Rand) {
	label := w.cards[0].label
	names := []string{
		"notes.txt", "2026-06-01/OLD/x.bin", ownFolder + "/mine.txt", "2026-06-01/" + label + ".unfinished/keep.bin", "x.unfinished/y",
		"reports/2026-06-01.html", label + "/DCIM/100SKUAS/SKUA0001.JPG", label + "-2.incomplete/z", "2026-06-01/" + label + "/ascmhl/ascmhl_chain.xml",
		"ascmhl/ascmhl_chain.xml", "2026-06-02/" + label + ".unfinished/a",
	}
	if chance(r, 4) && d.cloneOf == nil && d.store.root.live[ownFolder] == nil {
		names = append(names[:2], ownFolder)
		d.barred = true
	} else if chance(r, 3) {
		names = []string{"2026-06-01", label}
		d.barred = true
	}
	for _, name := range names {
		if !chance(r, 40) && !d.barred {
			continue
		}
		data := []byte(fmt.Sprintf("%s of drive %d, seed %d", path.Base(name), d.n, w.seed))
		d.store.putForeign(name, data)
		_, n, _ := d.store.find(name)
		w.foreign[fmt.Sprintf("%d:%s", d.n, name)] = n
	}
}

func makeFaults(r *rand.Rand) *faults {
	f := &faults{}
	at := func(most int) int64 { return int64(1 + r.IntN(most)) }
	switch r.IntN(8) {
	case 0:
		f.slow = oneOf(r, 5*time.Millisecond, 60*time.Millisecond, 900*time.Millisecond)
	case 1:
		f.eioFrom = at(120)
		f.eioTo = f.eioFrom + at(12)
	case 2:
		f.hangAt, f.hangFor = at(150), oneOf(r, 3*time.Second, 15*time.Second, 4*time.Minute, time.Hour)
	case 3:
		f.flipWrite = at(30)
	case 4:
		f.flipRead = at(30)
	case 5:
		f.failSync = at(12)
	case 6:
		f.fullAt = int64(r.IntN(200_000))
		f.fullAt = max(f.fullAt, 1)
	case 7:
		f.flipWrite, f.failSync, f.eioFrom = at(40), at(20), at(200)
		f.eioTo = f.eioFrom + 2
	}
	return f
}

package daemon

import (
	"errors"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
	"bothy/udev"
)

// What a copy does not give as the card did is named, and had from another.
func TestHandover_damagedSource(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t, shuttleRule())
	if st := m.untilIdle(); driveNamed(st, a.name).ID > driveNamed(st, b.name).ID {
		a, b = b, a // the first is read
	}
	for _, folder := range a.finished() {
		flipFile(t, folder+"/DCIM/100SKUAS/SKUA0002.JPG")
	}
	editor := m.shuttleIn("sdz")
	m.handed(editor, "all")
	if got, want := carried(t, editor), jpg("", 1, 2, 3, 4); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	soundDelivery(t, editor, card)
	// It is healed soon, and no more a condition then.
	list, _, err := m.s.ledger.ConditionsBetween(t.Context(), time.Time{}, time.Now().AddDate(1, 0, 0), 100)
	if err != nil || !slices.ContainsFunc(list, func(c ledger.Condition) bool {
		return c.Raised && c.Code == string(state.CopyDamaged) && strings.Contains(c.Detail, "SKUA0002.JPG") && c.Subject == a.label
	}) {
		t.Errorf("%+v, %v", list, err)
	}
}

// A file that no copy gives is said to be missing, and the others are brought; it
// follows when a sound copy is there.
func TestHandover_noSoundSource(t *testing.T) {
	t.Parallel()
	for _, words := range [][]string{{"all"}, {"files=*0002.JPG", "files=*0003.JPG"}, {"files=*0002.JPG"}} {
		t.Run(strings.Join(words, " "), func(t *testing.T) {
			t.Parallel()
			m, card, a, b := shot(t, shuttleRule())
			m.pull(b)
			for _, folder := range a.finished() {
				flipFile(t, folder+"/DCIM/100SKUAS/SKUA0002.JPG")
			}
			editor := m.shuttleIn("sdz")
			for range 2 { // the second time the copy is known to be damaged
				h, err := m.handOver(editor, words...)
				if err != nil || h.Missing != 1 || !strings.Contains(h.Undelivered[0], "SKUA0002.JPG: no copy that is here gives it") {
					t.Errorf("%+v, %v", h, err)
				}
				for _, name := range carried(t, editor) {
					if strings.Contains(name, "0002") {
						t.Errorf("%s was brought", name)
					}
				}
			}
			if len(words) == 1 && words[0] != "all" {
				if got := carried(t, editor); len(got) != 0 {
					t.Errorf("%v", got)
				}
			} else {
				soundDelivery(t, editor, card)
			}
			m.plug(b)
			m.ready(b)
			m.handed(editor, words...)
			soundDelivery(t, editor, card)
			if got := carried(t, editor); !slices.ContainsFunc(got, func(name string) bool { return strings.Contains(name, "0002") }) {
				t.Errorf("%v", got)
			}
		})
	}
}

// The shuttle is pulled, its source is pulled, the box is stopped: what is there is
// gone on with, and nothing is there twice.
func TestHandover_interrupted(t *testing.T) {
	t.Parallel()
	for name, words := range map[string][]string{"whole": {"all"}, "a part": {"files=*0001.JPG", "files=*0002.JPG", "files=*0003.JPG"}} {
		for _, how := range []string{"shuttle pulled", "source pulled", "box stopped"} {
			t.Run(name+", "+how, func(t *testing.T) {
				t.Parallel()
				m, card, a, b := shot(t, shuttleRule())
				m.pull(b)
				editor := m.shuttleIn("sdz")
				atRead, goOn := a.blocked("read", "SKUA0003")
				s, ended := m.s, make(chan error, 1)
				go func() {
					_, err := s.handOverByHand(t.Context(), editor.label, words)
					ended <- err
				}()
				<-atRead
				switch how {
				case "shuttle pulled":
					m.pull(editor)
				case "source pulled":
					m.pull(a)
				case "box stopped":
					m.end()
					m.until("it stops", func(st *state.State) bool { return st.Phase == state.Stopping })
				}
				goOn()
				if err := <-ended; err == nil && how != "source pulled" {
					t.Error("it is said to be done")
				}
				a.on(nil)
				switch how {
				case "shuttle pulled":
					m.plug(editor)
				case "source pulled":
					m.plug(a)
				case "box stopped":
					m.stop()
					m.start()
				}
				if n := len(editor.finished()); n != 0 {
					t.Errorf("%d folders are finished", n)
				}
				m.ready(editor)
				m.ready(a)
				m.handed(editor, words...)
				soundDelivery(t, editor, card)
				want := jpg("", 1, 2, 3, 4)
				if name == "a part" {
					want = jpg("part/", 1, 2, 3)
				}
				if got := carried(t, editor); !slices.Equal(got, want) {
					t.Errorf("%v, want %v", got, want)
				}
			})
		}
	}
}

// More is brought to a folder that is finished, and the shuttle is pulled: what
// was there is there, and the rest follows.
func TestHandover_completionInterrupted(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t, shuttleRule())
	m.pull(b)
	editor := m.shuttleIn("sdz")
	m.handed(editor, "files=*0001.JPG")
	atRead, goOn := a.blocked("read", "SKUA0003")
	ended := make(chan error, 1)
	go func() {
		_, err := m.s.handOverByHand(t.Context(), editor.label, []string{"all"})
		ended <- err
	}()
	<-atRead
	m.pull(editor)
	goOn()
	<-ended
	a.on(nil)
	data, err := os.ReadFile(filepath.Join(editor.unfinished()[0], "DCIM/100SKUAS/SKUA0001.JPG"))
	if err != nil || string(data) != string(card.files["DCIM/100SKUAS/SKUA0001.JPG"]) {
		t.Errorf("what was there is not: %v", err)
	}
	m.plug(editor)
	m.ready(editor)
	m.handed(editor, "files=*0002.JPG")
	soundDelivery(t, editor, card)
	if got, want := carried(t, editor), jpg("part/", 1, 2); !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// A card that comes goes first; the same card ends the handover, which begins anew
// when it has had its turn.
func TestHandover_givesWay(t *testing.T) {
	t.Parallel()
	for _, same := range []bool{false, true} {
		t.Run(fmt.Sprint("the same card: ", same), func(t *testing.T) {
			t.Parallel()
			m, card, a, b := shot(t, shuttleRule())
			m.pull(b)
			c := m.drive("sdx")
			m.plug(c)
			m.untilLevel(c, 1)
			editor := m.shuttleIn("sdz")
			met, goOn := firstRead("SKUA0004", a, c)
			ended := make(chan error, 1)
			go func() {
				_, err := m.s.handOverByHand(t.Context(), editor.label, []string{"all"})
				ended <- err
			}()
			met()
			next := card
			if !same {
				next = m.card("sde", "SKUA_2", 3)
			}
			m.plug(next)
			m.until("the card is seen", func(st *state.State) bool { _, ok := cardOf(st, next.name); return ok })
			if !same { // it is released while the handover waits
				m.untilSaidReleased(next)
			}
			goOn()
			m.untilReleased(next)
			if err := <-ended; err != nil {
				t.Error(err)
			}
			m.ready(editor)
			soundDelivery(t, editor, card, next)
			if got := carried(t, editor); len(got) != 4 {
				t.Errorf("%v", got)
			}
		})
	}
}

// More is asked of a folder that is finished, and no copy gives it: what was there
// is finished still.
func TestHandover_completionNotToBeHad(t *testing.T) {
	t.Parallel()
	m, card, a, b := shot(t, shuttleRule())
	m.pull(b)
	editor := m.shuttleIn("sdz")
	m.handed(editor, "files=*0001.JPG")
	for _, folder := range a.finished() {
		flipFile(t, folder+"/DCIM/100SKUAS/SKUA0002.JPG")
	}
	for range 2 {
		h, err := m.handOver(editor, "files=*0002.JPG")
		if err != nil || h.Missing != 1 || h.Delivered != 0 {
			t.Errorf("%+v, %v", h, err)
		}
		soundDelivery(t, editor, card)
		if got, want := carried(t, editor), jpg("part/", 1); !slices.Equal(got, want) {
			t.Errorf("%v, want %v", got, want)
		}
	}
}

// What somebody has put on a shuttle, or changed, stays as it is.
func TestHandover_othersFiles(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(t *testing.T, folder string) string{
		"added": func(_ *testing.T, folder string) string { return filepath.Join(folder, "DCIM", "cut list.txt") },
		"changed": func(_ *testing.T, folder string) string {
			return filepath.Join(folder, "DCIM/100SKUAS/SKUA0001.JPG")
		},
		"in the manifests": func(t *testing.T, folder string) string {
			list, _ := filepath.Glob(folder + "/ascmhl/0001_*")
			return list[0]
		},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m, card, _, _ := shot(t, shuttleRule())
			editor := m.shuttleIn("sdz")
			theirs := filepath.Join(editor.dir, mhl.CollectionName)
			if err := os.WriteFile(theirs, []byte("<cook/>"), 0o644); err != nil {
				t.Fatal(err)
			}
			m.handed(editor, "files=*0001.JPG")
			place := change(t, editor.finished()[0])
			if err := os.WriteFile(place, []byte("soup"), 0o644); err != nil {
				t.Fatal(err)
			}
			m.handed(editor, "files=*0001.JPG", "files=*0002.JPG")
			for place, text := range map[string]string{place: "soup", theirs: "<cook/>"} {
				if data, err := os.ReadFile(place); err != nil || string(data) != text {
					t.Errorf("%s: %q, %v", place, data, err)
				}
			}
			if got := editor.finished(); len(got) != 2 || !accepted(got[1]) {
				t.Fatalf("%v", got)
			}
			if list, _ := filepath.Glob(editor.finished()[1] + "/DCIM/100SKUAS/*"); len(list) != 2 {
				t.Errorf("%v", list)
			}
			var c struct {
				Lists []struct {
					Path string `xml:"path"`
				} `xml:"hashlist"`
			}
			readXML(t, filepath.Join(editor.dir, "ascmhl_collection-2.xml"), &c)
			if len(c.Lists) != 1 || !strings.Contains(c.Lists[0].Path, ".part-2/") {
				t.Errorf("%+v of %v", c, card.label)
			}
		})
	}
}

// What somebody has removed is brought again by the rule when the shuttle is back.
func TestHandover_removedFile(t *testing.T) {
	t.Parallel()
	m, card, _, _ := shot(t, shuttleRule(`select = { files = ["*0001.JPG", "*0002.JPG"] }`))
	editor := m.shuttle("sdz")
	m.plug(editor)
	filled := func(st *state.State) bool {
		list, _ := filepath.Glob(editor.dir + "/*/*.part/DCIM/100SKUAS/*")
		return len(list) == 2 && len(editor.unfinished()) == 0 && st.Errand == nil && idle(st)
	}
	m.until("it is filled", filled)
	m.pull(editor)
	if err := os.Remove(filepath.Join(editor.finished()[0], "DCIM/100SKUAS/SKUA0001.JPG")); err != nil {
		t.Fatal(err)
	}
	m.plug(editor)
	m.until("it is filled again", filled)
	soundDelivery(t, editor, card)
	if n := manifestsOf(editor, "0002_"); n != 1 {
		t.Errorf("%d second generations", n)
	}
}

// Names and globs that are made to hurt.
func TestHandover_hostileNames(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	shuttleRule()(m)
	m.start()
	card, a, editor := m.card("sda", "SKUA_1", 1), m.drive("sdb"), m.shuttle("sdz")
	names := []string{`DCIM/<script>&"'.MOV`, "DCIM/[a]*?.MOV", "DCIM/\u202e\u00e9.MOV", "DCIM/.hidden/...MOV", "DCIM/x.part/a.unfinished", "reports/2026-11-25.html", ".bothy/drive.toml", "ascmhl_collection.xml"}
	for _, name := range names {
		card.put(name, 5000)
	}
	m.plug(card, a, editor)
	m.untilReleased(card)
	m.ready(editor)
	for _, tc := range []struct {
		glob string
		want int
	}{{`files=\[a\]\*\?.mov`, 1}, {"files=../../*", 0}, {"files=*.MOV", 4}, {"files=.bothy/*", 1}, {strings.Repeat("*", 200), -1}, {"files=" + strings.Repeat("*?", 120), 0}, {"files=*", 9}} {
		h, err := m.handOver(editor, tc.glob)
		switch {
		case tc.want < 0:
			refusedWith(t, err, "is no selection")
		case err != nil || h.Files != tc.want || h.Missing != 0:
			t.Errorf("%s: %+v, %v", tc.glob, h, err)
		}
	}
	soundDelivery(t, editor, card)
	if n := len(editor.finished()); n != 1 {
		t.Errorf("%v", editor.finished())
	}
	data, err := os.ReadFile(filepath.Join(editor.dir, ".bothy", "drive.toml"))
	if err != nil || string(data) == string(card.files[".bothy/drive.toml"]) {
		t.Errorf("%q, %v", data, err)
	}
}

var handoverStep = flag.Int("handover-step", 7, "of the changes that are made on a shuttle, each so-manieth fails")

// Changes that are made on a shuttle fail, one at a time, while more is brought to a
// folder that is finished: nothing that was there is lost, and the rest follows.
func TestHandover_faultAtEveryChange(t *testing.T) {
	t.Parallel()
	const most = 200
	for _, op := range []string{"rename", "create", "sync", "remove"} {
		t.Run(op, func(t *testing.T) {
			t.Parallel()
			m, card, _, _ := shot(t, shuttleRule())
			editor := m.shuttleIn("sdz")
			m.handed(editor, "files=*0001.JPG")
			was := string(card.files["DCIM/100SKUAS/SKUA0001.JPG"])
			for n := 1; ; n += max(1, *handoverStep) * callStep {
				if n > most {
					t.Fatalf("there is no end of it")
				}
				files := []string{"files=*0001.JPG", "files=*0002.JPG", "files=*0003.JPG"}[:2+n%2]
				// What is to be brought is taken away, so that there is work each time.
				if list, _ := filepath.Glob(editor.dir + "/*/*.part/DCIM/100SKUAS/SKUA000[23].JPG"); len(list) > 0 {
					m.pull(editor)
					for _, name := range list {
						if err := os.Remove(name); err != nil {
							t.Fatal(err)
						}
					}
					m.plug(editor)
					m.ready(editor)
				}
				var calls atomic.Int64
				editor.on(func(did, _ string) error {
					if did == op && calls.Add(1) == int64(n) {
						return syscall.EIO
					}
					return nil
				})
				h, err := m.handOver(editor, files...)
				editor.on(nil)
				if err == nil && h.Missing == 0 && calls.Load() < int64(n) {
					return // every one has failed once
				}
				kept, _ := filepath.Glob(editor.dir + "/*/*.part*/DCIM/100SKUAS/SKUA0001.JPG")
				if len(kept) != 1 {
					t.Fatalf("%s %d: what was there is in %v", op, n, kept)
				}
				if data, err := os.ReadFile(kept[0]); err != nil || string(data) != was {
					t.Fatalf("%s %d: it is not what it was (%v)", op, n, err)
				}
				m.pull(editor)
				m.plug(editor)
				m.ready(editor)
				m.handed(editor, files...)
				soundDelivery(t, editor, card)
				if got, want := carried(t, editor), jpg("part/", []int{1, 2, 3}[:2+n%2]...); !slices.Equal(got, want) {
					t.Fatalf("%s %d: %v, want %v", op, n, got, want)
				}
			}
		})
	}
}

// What cannot be looked at on a shuttle is said, and not tried again and again.
func TestHandover_notToBeListed(t *testing.T) {
	t.Parallel()
	m, _, _, _ := shot(t, shuttleRule(`select = { files = "*0001.JPG" }`))
	editor := m.shuttle("sdz")
	m.plug(editor)
	m.until("it is filled", func(st *state.State) bool { return len(editor.finished()) == 1 && st.Errand == nil && idle(st) })
	folder := strings.TrimPrefix(editor.finished()[0], editor.dir+"/")
	editor.on(func(op, name string) error {
		if op == "list" && strings.HasPrefix(name, folder) {
			return syscall.EIO
		}
		return nil
	})
	shuttleRule(`select = { files = "*.JPG" }`)(m)
	m.reload <- struct{}{}
	m.until("it is said", func(st *state.State) bool {
		return raised(st, state.DriveBehind) && st.Errand == nil && idle(st)
	})
}

// A card that is still in was released for the sake of a copy that then does not give
// a shuttle what it held: the release does not stand until the handover has ended.
func TestHandover_damagedSourceOfACardInItsSlot(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	shuttleRule()(m)
	m.start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card)
	if st := m.untilIdle(); driveNamed(st, a.name).ID > driveNamed(st, b.name).ID {
		a, b = b, a // the first is read
	}
	editor := m.shuttle("sdz")
	m.plug(editor)
	m.ready(editor)
	m.pull(b)
	m.until("it is away", func(st *state.State) bool { return driveNamed(st, b.name).ID == "" && idle(st) })
	flipFile(t, a.finished()[0]+"/DCIM/100SKUAS/SKUA0002.JPG")
	atRead, goOn := a.blocked("read", "SKUA0004")
	ended := make(chan error, 1)
	go func() {
		_, err := m.handOver(editor, "all")
		ended <- err
	}()
	<-atRead
	m.until("the release is taken back", func(st *state.State) bool {
		c, ok := cardOf(st, card.name)
		return ok && c.Verdict == state.Hold
	})
	goOn()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	m.untilReleased(card) // it gave what was damaged
}

// Until a handover knows which cards it is about it gives way to every card that can
// be one of them.
func TestHandover_givesWayBeforeItKnows(t *testing.T) {
	t.Parallel()
	card := &card{dev: udev.Device{UUID: "INVENTED-9", FSType: "invented"}}
	var cause error
	e := &errand{task: task{cancel: func(err error) { cause = err }}, piece: piece{kind: state.ErrandHandover}}
	s := &supervisor{errands: errands{running: e}}
	if !s.makeWay(card) || !errors.Is(cause, errGiveWay) {
		t.Errorf("it goes on: %v", cause)
	}
	e.cards.Store(&map[string]bool{})
	if s.makeWay(card) {
		t.Error("it gives way to a card that is none of its business")
	}
}

// What another ledger calls a copy on a shuttle is nothing that this box has begun: an
// unfinished folder beside it is somebody's.
func TestHandover_othersUnfinishedFolder(t *testing.T) {
	t.Parallel()
	m, card, a, _ := shot(t, shuttleRule())
	editor := m.shuttle("sdz")
	m.plug(editor)
	m.ready(editor)
	theirs := filepath.Join(editor.dir, "papers.unfinished", "notes.txt")
	if err := errors.Join(os.Mkdir(filepath.Join(editor.dir, "papers"), 0o755), os.Mkdir(filepath.Dir(theirs), 0o755), os.WriteFile(theirs, []byte("of somebody"), 0o644)); err != nil {
		t.Fatal(err)
	}
	id := m.untilIdle().Offloads[0].ID
	files, err := m.s.ledger.Files(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	m.forgeLedger(a, ledger.Found{
		Offload: ledger.Offload{ID: id, Folder: "papers", Verify: "read-back", Checksum: "xxh128"}, Files: files,
		Copies: []ledger.Copy{{DriveID: editor.identity(t).ID, Folder: "papers"}},
	})
	if found := m.recover(a); found.Copies != 1 {
		t.Fatalf("%+v", found)
	}
	m.handed(editor, "all")
	if data, err := os.ReadFile(theirs); err != nil || string(data) != "of somebody" {
		t.Errorf("what was somebody's is %.20q now: %v", data, err)
	}
	if why := unfounded(card, []*simMedium{editor}, 1); why != "" {
		t.Error(why)
	}
}

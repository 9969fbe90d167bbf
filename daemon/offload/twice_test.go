package offload

import (
	"context"
	"os"
	"strings"
	"sync/atomic"
	"testing"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
)

// TestRun_resumesTwice: the second reading that the first run did not come to
// is made up for, although there is nothing left to copy.
func TestRun_resumesTwice(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name  string
		wrong bool
		want  string
	}{{"the card agrees", false, "proven proven"}, {"the card gives other bytes", true, "incomplete incomplete"}} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			tr := smallCard()
			g := interrupted(t, tr, func(g *rig) {
				g.job.Verify = VerifyReadBackTwice
				s := g.job.Card.Medium.(*slot)
				g.card.hook = func(c call) *fault {
					if c.kind == "open" && c.ofName == 2 {
						s.set(ErrCardGone, ErrCardGone)
					}
					return nil
				}
			})
			if len(g.job.Drives[0].Held) != len(g.job.Plan.Files) {
				t.Fatalf("%d files are held", len(g.job.Drives[0].Held))
			}
			if tc.wrong {
				g.card.hook = func(c call) *fault {
					if c.kind == "read" && strings.HasSuffix(c.name, "B.JPG") {
						return &fault{change: flip}
					}
					return nil
				}
			}
			res := Run(context.Background(), g.job)
			if phases(res) != tc.want || g.card.count("open") != len(g.job.Plan.Files) {
				t.Fatalf("%s after %d readings", phases(res), g.card.count("open"))
			}
			g.audit(t, res)
		})
	}
}

// TestRun_readsTwice: a card that gives other bytes the second time.
func TestRun_readsTwice(t *testing.T) {
	t.Parallel()
	const bad = "DCIM/100SKUAS/B.JPG"
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.job.Verify = VerifyReadBackTwice
	var proofs atomic.Int32
	both := make(chan struct{})
	g.rec.onAll = func(e string) {
		if strings.HasPrefix(e, "proven ") && strings.HasSuffix(e, bad) && proofs.Add(1) == 2 {
			close(both)
		}
	}
	g.card.hook = func(c call) *fault {
		if c.kind == "read" && c.name == bad && c.ofName == 2 {
			<-both // else they would never be noted
			return &fault{change: flip}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	if len(res.Changed) != 1 || res.Changed[0] != bad || phases(res) != "incomplete incomplete" {
		t.Fatalf("changed %v, %s", res.Changed, phases(res))
	}
	for _, id := range []string{"id-0", "id-1"} {
		proof, back := g.rec.at("proven "+id+" "+bad), g.rec.at("unproven "+id+" "+bad)
		if proof < 0 || back < proof || g.rec.at("finishing "+id+" "+testFolder+IncompleteSuffix) < back {
			t.Errorf("%s: proven at %d, taken back at %d", id, proof, back)
		}
	}
	if _, ok := res.Sums[bad]; ok {
		t.Error("a checksum is given for it")
	}
}

// TestRun_secondReadingFails: what was read once stays, but is not proven
// enough for this level.
func TestRun_secondReadingFails(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.job.Verify = VerifyReadBackTwice
	g.card.hook = func(c call) *fault {
		if c.kind == "read" && strings.HasSuffix(c.name, "B.JPG") && c.ofName > 1 {
			return &fault{err: os.ErrInvalid}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	if len(res.Unreadable) != 1 || phases(res) != "incomplete incomplete" {
		t.Fatalf("unreadable %v, %s", res.Unreadable, phases(res))
	}
	for i, c := range res.Copies {
		if err := g.tree.differs(g.on(i, c.Folder)); err != nil {
			t.Error(err)
		}
	}
}

// TestRun_cardChangedSinceLastTime: a file that is known reads differently now.
func TestRun_cardChangedSinceLastTime(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 1)
	g.job.Known = map[string]Checksums{"DCIM/C.JPG": {Sum: strings.Repeat("0", 32), Sample: strings.Repeat("1", 32)}}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	if len(res.Changed) != 1 || res.Copies[0].Phase != state.CopyIncomplete {
		t.Errorf("changed %v, %s", res.Changed, res.Copies[0].Phase)
	}
}

// TestRun_cardsOwnHistory: what the card's manifests say is compared, also for
// files that an earlier run copied, and a manifest claims no more than that.
func TestRun_cardsOwnHistory(t *testing.T) {
	t.Parallel()
	md5 := func(b []byte) string {
		h, _ := checksum.New(checksum.MD5)
		h.Write(b)
		return h.Sum()
	}
	tr := smallCard()
	earlier := map[string]map[string]string{
		"DCIM/C.JPG":          {checksum.MD5: md5(tr["DCIM/C.JPG"].data)},
		"DCIM/100SKUAS/B.JPG": {checksum.MD5: md5([]byte("something else"))},
		"EMPTY.TXT":           {"md4": "31d6cfe0d16ae931b73c59d7e0c089c0"}, // an algorithm that nobody here knows
	}
	want := map[string]mhl.Action{"DCIM/C.JPG": mhl.Verified, "DCIM/100SKUAS/B.JPG": mhl.Failed, "EMPTY.TXT": mhl.Original, "DCIM/100SKUAS/A.MOV": mhl.Original}
	for _, resume := range []bool{false, true} {
		g := newRig(t, memoryDir(t), tr, 1)
		if resume {
			g = interrupted(t, tr, func(g *rig) {
				g.job.Verify = VerifyReadBackTwice // ends after all is copied
				s := g.job.Card.Medium.(*slot)
				g.card.hook = func(c call) *fault {
					if c.kind == "open" && c.ofName == 2 {
						s.set(ErrCardGone, ErrCardGone)
					}
					return nil
				}
			})
			g.job.Verify = VerifyReadBack
		}
		g.job.Earlier = earlier
		res := Run(context.Background(), g.job)
		mustProve(t, res, 0)
		if len(res.HistoryBroken) != 1 || res.HistoryBroken[0] != "DCIM/100SKUAS/B.JPG" {
			t.Errorf("resumed %v: broken %v", resume, res.HistoryBroken)
		}
		for _, f := range historyOf(t, g.on(0, testFolder)).Generations[0].Files {
			if f.Action != want[f.Path] {
				t.Errorf("resumed %v: %s is %s, want %s", resume, f.Path, f.Action, want[f.Path])
			}
		}
	}
}

// historyOf reads the history of a finished copy.
func historyOf(t *testing.T, dir string) *mhl.History {
	t.Helper()
	root, err := os.OpenRoot(dir)
	if err != nil {
		t.Fatal(err)
	}
	defer root.Close()
	h, err := mhl.Open(root)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

package offload

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"

	"pgregory.net/rapid"

	"bothy/daemon/state"
)

const clip = "DCIM/100SKUAS/A.MOV"

// badRanges makes reads fail that touch certain bytes of certain files.
func badRanges(of map[string][]state.ByteRange) func(string, int64, int64) (int64, bool) {
	return func(name string, from, to int64) (first int64, any bool) {
		for _, r := range of[name] {
			if at := max(r.From, from); at < min(r.To, to) && (!any || at < first) {
				first, any = at, true
			}
		}
		return first, any
	}
}

// asSalvaged is the tree that copies hold: damaged files stand under their other
// name, with zeros in the holes.
func (g *rig) asSalvaged(bad map[string][]state.ByteRange, names map[string]string) tree {
	want := tree{}
	for name, n := range g.tree {
		if len(bad[name]) == 0 {
			want[name] = n
			continue
		}
		if bytesOf(bad[name]) == int64(len(n.data)) {
			continue
		}
		data := slices.Clone(n.data)
		for _, r := range bad[name] {
			clear(data[r.From:r.To])
		}
		as := name + SalvageSuffix
		if other := names[name]; other != "" {
			as = other
		}
		want[as] = node{data: data, at: n.at}
	}
	return want
}

// auditSalvage holds everything that is said and written against the bad ranges.
func (g *rig) auditSalvage(t tester, res Result, bad map[string][]state.ByteRange, names map[string]string) {
	t.Helper()
	g.audit(t, res)
	want := g.asSalvaged(bad, names)
	if res.CardErr != nil || len(res.Unreadable) != len(bad) || len(res.Salvaged) != len(bad) {
		t.Fatalf("%v; unreadable %v; salvaged %v", res.CardErr, res.Unreadable, res.Salvaged)
	}
	for _, s := range res.Salvaged {
		if !slices.Equal(s.Missing, bad[s.Path]) || s.MissingBytes != bytesOf(bad[s.Path]) || s.SizeBytes != int64(len(g.tree[s.Path].data)) {
			t.Fatalf("it says %v of %q, and %v is bad", s, s.Path, bad[s.Path])
		}
		if _, there := want[s.As]; there != (s.As != "") {
			t.Fatalf("%q is said to stand as %q", s.Path, s.As)
		}
		if _, read := res.Sums[s.Path]; read || g.rec.at("read "+s.Path) >= 0 || s.As != "" && g.rec.at("read "+s.As) >= 0 {
			t.Fatalf("%q is said to have been read", s.Path)
		}
	}
	for i, c := range res.Copies {
		if c.Phase != state.CopyIncomplete || c.Folder != testFolder+IncompleteSuffix || c.Err == nil || !strings.Contains(c.Err.Error(), "could not be read whole") {
			t.Fatalf("drive %d is %s in %q: %v", i, c.Phase, c.Folder, c.Err)
		}
		if err := want.differs(g.on(i, c.Folder)); err != nil {
			t.Fatalf("drive %d: %v", i, err)
		}
		if err := verifyManifest(g.on(i, c.Folder)); err != nil {
			t.Fatalf("drive %d: %v", i, err)
		}
		comment := commentOf(t, g.on(i, c.Folder))
		for _, s := range res.Salvaged {
			for _, r := range s.Missing {
				if !strings.Contains(comment, r.String()) || !strings.Contains(comment, fmt.Sprintf("%q", s.Path)) {
					t.Fatalf("the manifest does not say that %v of %q are missing: %s", r, s.Path, comment)
				}
			}
		}
		if open := g.drives[i].unclosed(); len(open) > 0 {
			t.Fatalf("left open on drive %d: %q", i, open)
		}
	}
	if open := g.card.unclosed(); len(open) > 0 {
		t.Fatalf("left open on the card: %q", open)
	}
}

// commentOf takes it out of a manifest without the package that wrote it.
func commentOf(t tester, folder string) string {
	t.Helper()
	list, _ := filepath.Glob(filepath.Join(folder, "ascmhl", "*.mhl"))
	if len(list) != 1 {
		t.Fatalf("manifests %v", list)
	}
	text, err := os.ReadFile(list[0])
	if err != nil {
		t.Fatal(err)
	}
	var m struct {
		Comment string `xml:"creatorinfo>comment"`
	}
	if err := xml.Unmarshal(text, &m); err != nil {
		t.Fatal(err)
	}
	return m.Comment
}

// sectorsOf are ranges of a file, from sectors that are bad.
func sectorsOf(size int, bad []bool) (list []state.ByteRange) {
	s := rescue{}
	for i, b := range bad {
		if b {
			s.miss(int64(i)*rescueSector, min(int64(i+1)*rescueSector, int64(size)))
		}
	}
	return s.missing
}

// TestRun_salvagesAnyBadSectors: whatever sectors of a card are bad, what can be
// read stands on every drive in its place, and the rest is listed to the byte.
func TestRun_salvagesAnyBadSectors(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := newRig(t, memoryDir(t), smallCard(), 2)
		bad := map[string][]state.ByteRange{}
		for _, f := range g.job.Plan.Files {
			if f.SizeBytes == 0 || rapid.IntRange(0, 2).Draw(t, "damaged") > 0 && (f.Path != clip || len(bad) > 0) {
				continue
			}
			sectors := badSectors(int(f.SizeBytes+rescueSector-1)/rescueSector).Draw(t, "bad")
			if slices.Contains(sectors, true) {
				bad[f.Path] = sectorsOf(int(f.SizeBytes), sectors)
			}
		}
		if len(bad) == 0 {
			bad[clip] = []state.ByteRange{{From: 0, To: rescueSector}}
		}
		g.card.bad = badRanges(bad)
		g.card.badGives = rapid.Bool().Draw(t, "gives what comes before a bad place")
		for i := range g.job.Drives {
			g.job.Drives[i].ReadBackAfter = rapid.Bool().Draw(t, "after")
			g.job.Drives[i].Limits.SyncfsFlushes = rapid.Bool().Draw(t, "syncfs")
			if rapid.Bool().Draw(t, "follows") {
				g.job.Drives[i].Limits.ReadsWhileWritten, g.job.Portions.FollowBytes = true, 1
			}
		}
		g.job.Verify = rapid.SampledFrom([]Level{VerifyReadBack, VerifyReadBackTwice}).Draw(t, "level")
		res := Run(context.Background(), g.job)
		g.auditSalvage(t, res, bad, nil)
	})
}

// badClip is a card with two bad places in one file.
func badClip(t tester, drives int) (*rig, map[string][]state.ByteRange) {
	g := newRig(t, memoryDir(t), smallCard(), drives)
	bad := map[string][]state.ByteRange{clip: {{From: 1024, To: 2048}, {From: 80 * 512, To: 81 * 512}}}
	g.card.bad = badRanges(bad)
	return g, bad
}

// TestRun_passingFault: a file that can be read in one go the next time is a
// file like any other.
func TestRun_passingFault(t *testing.T) {
	t.Parallel()
	for _, level := range []Level{VerifyReadBack, VerifyReadBackTwice} {
		g := newRig(t, memoryDir(t), smallCard(), 2)
		g.job.Verify = level
		g.card.hook = func(c call) *fault {
			if c.kind == "read" && c.name == clip && c.ofName == 2 {
				return &fault{err: syscall.EIO}
			}
			return nil
		}
		res := Run(context.Background(), g.job)
		mustProve(t, res, 0, 1)
		g.audit(t, res)
		if len(res.Unreadable)+len(res.Salvaged) != 0 || g.rec.at("read "+clip) < 0 {
			t.Errorf("unreadable %v, salvaged %v", res.Unreadable, res.Salvaged)
		}
	}
}

// TestRun_readInSeveralAttempts: all bytes came in the end, and not in one good
// reading; such a file never stands under its own name.
func TestRun_readInSeveralAttempts(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.card.hook = func(c call) *fault {
		if c.kind == "read" && c.name == clip && (c.ofName == 2 || c.ofName == 3) {
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	if len(res.Salvaged) != 1 || res.Salvaged[0].MissingBytes != 0 || len(res.Unreadable) != 1 || phases(res) != "incomplete incomplete" {
		t.Fatalf("%s; salvaged %v, unreadable %v", phases(res), res.Salvaged, res.Unreadable)
	}
	want := tree{}
	for name, n := range g.tree {
		if name == clip {
			name += SalvageSuffix
		}
		want[name] = n
	}
	for i, c := range res.Copies {
		if err := want.differs(g.on(i, c.Folder)); err != nil {
			t.Error(err)
		}
	}
}

// TestRun_salvageNames: neither the card's own names nor those of the engine's
// folders are taken.
func TestRun_salvageNames(t *testing.T) {
	t.Parallel()
	long := "DCIM/" + strings.Repeat("é", 126) + ".MP" // 255 bytes
	tr := smallCard()
	tr[clip+SalvageSuffix] = file1([]byte("the card's own"))
	tr[clip+".SALVAGED-2/x"] = file1([]byte("and a folder's"))
	tr["bothy-aside/1"] = file1([]byte("1"))
	tr["Bothy-Aside-2"] = file1([]byte("2"))
	tr[long] = file1(noise(8, 9000))
	g := newRig(t, memoryDir(t), tr, 2)
	g.job.Drives[1].Limits.CaseInsensitive = true
	bad := map[string][]state.ByteRange{clip: {{From: 0, To: 512}}, long: {{From: 4096, To: 8192}}}
	g.card.bad = badRanges(bad)
	g.auditSalvage(t, Run(context.Background(), g.job), bad, map[string]string{
		clip: clip + SalvageSuffix + "-3", long: "DCIM/" + strings.Repeat("é", 123) + SalvageSuffix,
	})
}

// TestRun_salvageGoesOnElsewhere: the drive that takes what is salvaged fails.
func TestRun_salvageGoesOnElsewhere(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, kind string
		f          fault
		nth        int
		faults     int
	}{
		{"it cannot be made", "create patchwork", fault{err: syscall.EIO}, 1, 1},
		{"a write fails", "patch", fault{err: syscall.EIO}, 2, 1},
		{"it keeps other bytes", "patch", fault{change: flip}, 2, 1},
		{"it is full", "patch", fault{err: syscall.ENOSPC}, 2, 0},
		{"a flush fails", "sync patchwork", fault{err: syscall.EIO}, 1, 1},
		{"it cannot be opened", "open", fault{err: syscall.EIO}, 1, 1},
		{"it cannot be read", "read", fault{err: syscall.EIO}, 2, 1},
		{"it ends early", "read", fault{err: syscall.EIO, after: true}, 1, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			g, bad := badClip(t, 2)
			hit := false
			g.drives[0].hook = func(c call) *fault {
				if c.kind == tc.kind && strings.Contains(c.name, asideName) && c.ofKind == tc.nth {
					hit = true
					return &tc.f
				}
				return nil
			}
			r := newRun(&g.job)
			res := r.carryOut(context.Background())
			g.auditSalvage(t, res, bad, nil)
			if n := r.targets[0].faults; !hit || n != tc.faults || g.drives[1].count("create patchwork") != 1 {
				t.Errorf("hit %v, %d faults, and the other drive was used %d times", hit, n, g.drives[1].count("create patchwork"))
			}
		})
	}
}

// TestRun_noRoomToSalvage: it is said, and the rest is copied.
func TestRun_noRoomToSalvage(t *testing.T) {
	t.Parallel()
	g, _ := badClip(t, 2)
	need, err := newRun(&g.job).measure(&g.job.Drives[0])
	if err != nil {
		t.Fatal(err)
	}
	for i := range g.job.Drives {
		g.job.Drives[i].FreeBytes = need + 1000
	}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	if phases(res) != "incomplete incomplete" || len(res.Salvaged) != 0 || !strings.Contains(res.Unreadable[clip], "no drive has room") {
		t.Errorf("%s; salvaged %v, unreadable %v", phases(res), res.Salvaged, res.Unreadable)
	}
}

// TestRun_salvageMakesRoom: what is salvaged of one file gives way to the next.
func TestRun_salvageMakesRoom(t *testing.T) {
	t.Parallel()
	tr := tree{"A.MOV": file1(noise(1, 300_000)), "B.MOV": file1(noise(2, 300_000)), "C.MOV": file1(noise(3, 300_000))}
	g := newRig(t, memoryDir(t), tr, 1)
	bad := map[string][]state.ByteRange{}
	for name := range tr {
		bad[name] = []state.ByteRange{{From: 512, To: 1024}}
	}
	g.card.bad = badRanges(bad)
	need, err := newRun(&g.job).measure(&g.job.Drives[0])
	if err != nil {
		t.Fatal(err)
	}
	g.job.Drives[0].FreeBytes = need + 400_000
	g.auditSalvage(t, Run(context.Background(), g.job), bad, nil)
}

// TestRun_salvageIsWrittenAgain: a drive takes what is salvaged badly at first.
func TestRun_salvageIsWrittenAgain(t *testing.T) {
	t.Parallel()
	for drive := range 2 {
		for _, kind := range []string{"write", "sync", "read medium"} {
			g, bad := badClip(t, 2)
			hit := false
			g.drives[drive].hook = func(c call) *fault {
				if c.kind == kind && c.name == work(clip+SalvageSuffix) && c.ofName == 1 {
					hit = true
					return &fault{err: syscall.EIO}
				}
				return nil
			}
			g.auditSalvage(t, Run(context.Background(), g.job), bad, nil)
			if !hit {
				t.Errorf("%s on drive %d was not hit", kind, drive)
			}
		}
	}
}

// TestRun_cardGoneWhileSalvaging: that is no salvage.
func TestRun_cardGoneWhileSalvaging(t *testing.T) {
	t.Parallel()
	why := errors.New("the service stops")
	for at := 1; at <= 37; at += 3 {
		for _, stopped := range []bool{false, true} {
			g, _ := badClip(t, 2)
			s := &slot{}
			g.job.Card.Medium = s
			ctx, stop := context.WithCancelCause(context.Background())
			begun := false
			reads := 0
			g.card.hook = func(c call) *fault {
				if c.kind != "read" {
					begun = begun || c.ofName > 1 // the clip is opened again
					return nil
				}
				if begun {
					reads++
				}
				if reads < at {
					return nil
				}
				if stopped {
					stop(why)
					return nil
				}
				s.set(nil, ErrCardGone)
				return &fault{err: syscall.EIO}
			}
			want := ErrCardGone
			if stopped {
				want = why
			}
			res := Run(ctx, g.job)
			stop(nil)
			g.audit(t, res)
			if reads < at {
				t.Fatalf("%d reads of %d", reads, at)
			}
			if !errors.Is(res.CardErr, want) || phases(res) != "unfinished unfinished" {
				t.Fatalf("at read %d: %v, %s", at, res.CardErr, phases(res))
			}
			if stopped || at > 1 {
				continue
			}
			// The card comes back, and is sound now: nothing is left of the salvage.
			g.goOn()
			g.card.bad = nil
			res = Run(context.Background(), g.job)
			mustProve(t, res, 0, 1)
			g.audit(t, res)
		}
	}
}

// TestRun_salvageAfterAPowerCut: what an earlier life put aside, and salvaged, is
// cleared away.
func TestRun_salvageAfterAPowerCut(t *testing.T) {
	t.Parallel()
	g, bad := badClip(t, 1)
	for _, name := range []string{path.Join(asideName, "1"), path.Join(asideName, "7"), clip + SalvageSuffix, clip + SalvageSuffix + "-2"} {
		full := g.on(0, work(name))
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, noise(5, 5000), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	g.job.Drives[0].Resume = true
	g.auditSalvage(t, Run(context.Background(), g.job), bad, nil)
}

// TestRun_salvageCatchesUp: a drive that was let go gets what was salvaged from
// one that kept up.
func TestRun_salvageCatchesUp(t *testing.T) {
	t.Parallel()
	inBubble(t, func(t *testing.T, base string) {
		tr := manySmall(60)
		for i := range 30 {
			tr[fmt.Sprintf("CLIP%02d.MOV", i)] = file1(noise(i, 3*testChunk))
		}
		g := newRig(t, base, tr, 3).awaited(2)
		bad := map[string][]state.ByteRange{"CLIP29.MOV": {{From: 4096, To: 12288}}, "DCIM/000.JPG": {{From: 512, To: 1024}}}
		g.card.bad = badRanges(bad)
		g.card.takes(each("read", brisk))
		g.drives[2].takes(each("write", 20*brisk))
		res, _ := g.follow(t.Context(), t)
		g.auditSalvage(t, res, bad, nil)
		if g.drives[0].below("open medium")+g.drives[1].below("open medium") == 0 {
			t.Error("nothing was read from a finished copy, so this shows nothing")
		}
	})
}

// TestRun_faultAtEveryCallOfSalvaging: a salvage is under the same rules as a
// copy, whatever the drive does.
func TestRun_faultAtEveryCallOfSalvaging(t *testing.T) {
	t.Parallel()
	g, bad := badClip(t, 2)
	var concern []call
	var mu sync.Mutex
	g.drives[0].hook = func(c call) *fault {
		mu.Lock()
		defer mu.Unlock()
		if strings.Contains(c.name, asideName) || strings.Contains(c.name, clip) {
			concern = append(concern, c)
		}
		return nil
	}
	g.auditSalvage(t, Run(context.Background(), g.job), bad, nil)
	cases := 0
	for i := 0; i < len(concern); i += callStep {
		at := concern[i]
		for _, w := range ways {
			if !slices.Contains([]string{"EIO before", "EIO after", "ENOSPC", "flipped bit", "stop"}, w.name) {
				continue
			}
			g, bad := badClip(t, 2)
			ctx, stop := context.WithCancel(context.Background())
			where := fmt.Sprintf("%s at %s %q, time %d", w.name, at.kind, at.name, at.ofName)
			g.drives[0].hook = func(c call) *fault {
				if c.kind != at.kind || c.name != at.name || c.ofName != at.ofName {
					return nil
				}
				return w.make(c, stop)
			}
			res := Run(ctx, g.job)
			stop()
			g.auditCalled(t, where, res)
			for i, c := range res.Copies {
				if c.Phase == state.CopyProven {
					t.Fatalf("%s: drive %d is proven, and the card gave not all", where, i)
				}
				if c.Phase != state.CopyIncomplete {
					continue
				}
				if len(res.Salvaged) == 0 {
					t.Fatalf("%s: drive %d is incomplete, and nobody knows what is missing", where, i)
				}
				if err := g.asSalvaged(bad, nil).differs(g.on(i, c.Folder)); err != nil {
					t.Fatalf("%s: drive %d: %v", where, i, err)
				}
				if err := verifyManifest(g.on(i, c.Folder)); err != nil {
					t.Fatalf("%s: drive %d: %v", where, i, err)
				}
			}
			if !strings.HasPrefix(w.name, "stop") && res.Copies[1].Phase != state.CopyIncomplete {
				t.Fatalf("%s: the other drive is %s: %v", where, res.Copies[1].Phase, res.Copies[1].Err)
			}
			os.RemoveAll(g.base)
			cases++
		}
	}
	t.Logf("%d calls, %d cases", len(concern)/callStep, cases)
}

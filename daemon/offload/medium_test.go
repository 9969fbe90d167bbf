package offload

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"
	"sync"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

// slot is a Medium that changes when a test says so.
type slot struct {
	mu       sync.Mutex
	seen     error // what the kernel knows already
	real     error // what the device answers
	confirms int
	onAsk    func(nth int) error
}

func (s *slot) Check() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.seen
}

func (s *slot) Confirm() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.confirms++
	if s.onAsk != nil {
		if err := s.onAsk(s.confirms); err != nil {
			s.real = err
		}
	}
	s.seen = s.real
	return s.real
}

func (s *slot) set(seen, real error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.seen, s.real = seen, real
}

// manySmall makes a card of files that are confirmed in groups.
func manySmall(n int) tree {
	tr := tree{}
	for i := range n {
		tr[fmt.Sprintf("DCIM/%03d.JPG", i)] = file1(noise(i, 3000+i))
	}
	return tr
}

// TestRun_cardSwapped: another card answers, under the first one's listing. Not
// one byte that was read since the card last confirmed itself may stand.
func TestRun_cardSwapped(t *testing.T) {
	t.Parallel()
	const files, good = 3*settleEvery + 5, settleEvery
	for _, tc := range []struct {
		name string
		make func(g *rig, s *slot)
	}{
		{"the device says so when asked", func(g *rig, s *slot) {
			g.card.hook = secondCardFrom(good, nil)
			s.onAsk = func(nth int) error {
				if nth > 1 {
					return ErrCardChanged
				}
				return nil
			}
		}},
		{"the kernel finds out in mid-card", func(g *rig, s *slot) {
			g.card.hook = secondCardFrom(good, func(read int) {
				if read == good+7 {
					s.set(ErrCardChanged, ErrCardChanged)
				}
			})
		}},
		{"it was the very last file", func(g *rig, s *slot) {
			g.card.hook = secondCardFrom(files-1, nil)
			s.onAsk = func(nth int) error {
				if nth > files/settleEvery {
					return ErrCardChanged
				}
				return nil
			}
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			g, s := newRig(t, memoryDir(t), manySmall(files), 2), &slot{}
			g.job.Card.Medium = s
			tc.make(g, s)
			res := Run(context.Background(), g.job)
			g.audit(t, res)
			if !errors.Is(res.CardErr, ErrCardChanged) {
				t.Fatalf("card error %v", res.CardErr)
			}
			for i, c := range res.Copies {
				if c.Phase != state.CopyUnfinished || !errors.Is(c.Err, ErrCardChanged) || c.Folder != testFolder+UnfinishedSuffix {
					t.Errorf("drive %d is %s in %q: %v", i, c.Phase, c.Folder, c.Err)
				}
				g.onlyTheFirstCard(t, i, res)
			}
		})
	}
}

// secondCardFrom gives other bytes for every reading after the first n.
func secondCardFrom(n int, told func(read int)) func(call) *fault {
	return func(c call) *fault {
		if c.kind != "read" {
			return nil
		}
		if told != nil {
			told(c.ofKind)
		}
		if c.ofKind > n {
			return &fault{change: flip}
		}
		return nil
	}
}

func (g *rig) onlyTheFirstCard(t *testing.T, drive int, res Result) {
	t.Helper()
	left := 0
	for _, f := range g.job.Plan.Files {
		got, err := os.ReadFile(g.on(drive, work(f.Path)))
		_, summed := res.Sums[f.Path]
		noted := g.rec.at("read "+f.Path) >= 0
		if summed != noted || (err == nil) != noted {
			t.Errorf("%s: on drive %v, in the result %v, noted %v", f.Path, err == nil, summed, noted)
		}
		if err != nil {
			if g.rec.at(fmt.Sprintf("proven id-%d %s", drive, f.Path)) >= 0 {
				t.Errorf("%s is noted as proven", f.Path)
			}
			continue
		}
		left++
		if string(got) != string(g.tree[f.Path].data) {
			t.Errorf("%s holds bytes of the second card", f.Path)
		}
	}
	if left == 0 || left == len(g.job.Plan.Files) {
		t.Errorf("%d files are left, so this test shows nothing", left)
	}
}

// TestRun_cardGone: an I/O error is no bad sector when the card has left.
func TestRun_cardGone(t *testing.T) {
	t.Parallel()
	g, s := newRig(t, memoryDir(t), manySmall(2*settleEvery), 2), &slot{}
	g.job.Card.Medium = s
	g.card.hook = func(c call) *fault {
		if c.kind == "read" && c.ofKind > settleEvery+3 {
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	s.onAsk = func(nth int) error {
		if nth >= 3 { // not at once: the kernel polls
			return ErrCardGone
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	if !errors.Is(res.CardErr, ErrCardGone) || len(res.Unreadable) != 0 || phases(res) != "unfinished unfinished" {
		t.Errorf("%v, %s, unreadable %v", res.CardErr, phases(res), res.Unreadable)
	}
}

// TestRun_fileOfAnotherLength: a file that has grown or shrunk since the card was
// listed is not copied as far as it was listed, and then called proven.
func TestRun_fileOfAnotherLength(t *testing.T) {
	t.Parallel()
	for _, by := range []int64{-1, 1, 4096} {
		g := newRig(t, memoryDir(t), smallCard(), 1)
		g.job.Card.FS = otherFS{g.card, "A.MOV", sized(by)}
		res := Run(context.Background(), g.job)
		c, why := res.Copies[0], res.Unreadable["DCIM/100SKUAS/A.MOV"]
		if c.Phase != state.CopyIncomplete || !strings.Contains(why, "when it was listed") || res.CardErr != nil {
			t.Errorf("%d bytes: %s: %v; %q, %v", by, c.Phase, c.Err, why, res.CardErr)
		}
		if _, err := os.Lstat(g.on(0, c.Folder+"/DCIM/100SKUAS/A.MOV")); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%d bytes: a part of it has the file's name: %v", by, err)
		}
	}
}

// TestRun_unreadableFile: of a file of which nothing can be read there is
// nothing, and the rest stands under a name that says so.
func TestRun_unreadableFile(t *testing.T) {
	t.Parallel()
	g, s := newRig(t, memoryDir(t), smallCard(), 2), &slot{}
	g.job.Card.Medium = s
	g.card.hook = func(c call) *fault {
		if c.kind == "read" && strings.HasSuffix(c.name, "A.MOV") && c.ofName >= 2 {
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	g.audit(t, res)
	bad := "DCIM/100SKUAS/A.MOV"
	if res.CardErr != nil || len(res.Unreadable) != 1 || !strings.Contains(res.Unreadable[bad], fmt.Sprintf("byte %d", testChunk)) {
		t.Errorf("%v, unreadable %v", res.CardErr, res.Unreadable)
	}
	rest := tree{}
	for name, n := range g.tree {
		if name != bad {
			rest[name] = n
		}
	}
	for i, c := range res.Copies {
		if c.Phase != state.CopyIncomplete || c.Err == nil || c.Folder != testFolder+IncompleteSuffix {
			t.Errorf("drive %d is %s in %q: %v", i, c.Phase, c.Folder, c.Err)
		}
		if err := rest.differs(g.on(i, c.Folder)); err != nil {
			t.Error(err)
		}
		if err := verifyManifest(g.on(i, c.Folder)); err != nil {
			t.Error(err)
		}
	}
}

// TestRun_driveGone: the error of a call is not the reason when the drive left.
func TestRun_driveGone(t *testing.T) {
	t.Parallel()
	g, s := newRig(t, memoryDir(t), smallCard(), 2), &slot{}
	g.job.Drives[0].Medium = s
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "write" && c.ofKind == 2 {
			s.set(errors.New("device id is another"), nil)
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 1)
	g.audit(t, res)
	if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrDriveGone) {
		t.Errorf("%s: %v", c.Phase, c.Err)
	}
}

// TestRun_driveSwappedAtTheEnd: nothing is renamed on a drive that is another.
func TestRun_driveSwappedAtTheEnd(t *testing.T) {
	t.Parallel()
	g, s := newRig(t, memoryDir(t), smallCard(), 2), &slot{}
	g.job.Drives[0].Medium = s
	g.rec.onAll = func(e string) {
		if strings.HasPrefix(e, "finishing id-0") {
			s.set(errors.New("device id is another"), nil)
		}
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 1)
	g.audit(t, res)
	if n := g.drives[0].count("rename"); n != 0 || res.Copies[0].Phase != state.CopyFailed || g.rec.has("finished id-0") {
		t.Errorf("%d renames, %s", n, res.Copies[0].Phase)
	}
}

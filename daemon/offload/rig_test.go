package offload

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
)

// rig is a card and drives, all folders, with a counting FS before each.
type rig struct {
	base   string
	tree   tree
	card   *faultFS
	drives []*faultFS
	job    Job
	rec    *memory
	roots  []*os.Root
}

// testChunk is a portion of the tests' rings, small so that they need not move
// much to fill them.
const testChunk = 128 << 10

// memoryDir is a place where files cost no disk; tests that need none of the
// disk's ways use it.
func memoryDir(t tester) string {
	parent := "/dev/shm"
	if info, err := os.Stat(parent); err != nil || !info.IsDir() {
		parent = ""
	}
	dir, err := os.MkdirTemp(parent, "offload-test-")
	if err != nil {
		t.Fatalf("make folder: %v", err)
	}
	t.Cleanup(func() { os.RemoveAll(dir) })
	return dir
}

// old is what stands on every drive before an offload, and must stand there
// unchanged afterwards.
func old() tree {
	return tree{
		"2026-11-25/skerry-0/DCIM/a.mov":    file1([]byte("an earlier offload")),
		"2026-11-25/skerry-1b/keep me":      file1([]byte("a name that begins alike")),
		"holiday/letter.txt":                file1(noise(99, 5000)),
		"2026-11-25/elsewhere.unfinished/x": file1([]byte("another's unfinished work")),
	}.withFolders()
}

func newRig(t tester, base string, tr tree, drives int) *rig {
	t.Helper()
	g := &rig{base: base, tree: tr.withFolders(), rec: &memory{}}
	open := func(name string, content tree) *faultFS {
		dir := filepath.Join(base, name)
		if err := os.MkdirAll(dir, 0o755); err != nil {
			t.Fatalf("make folder: %v", err)
		}
		content.write(t, dir)
		root, err := os.OpenRoot(dir)
		if err != nil {
			t.Fatalf("open root: %v", err)
		}
		t.Cleanup(func() { root.Close() })
		g.roots = append(g.roots, root)
		return newFaultFS(&RootFS{Root: root})
	}
	g.card = open("card", g.tree)
	g.job = Job{
		Card: Card{FS: g.card}, Checksum: checksum.XXH128, Verify: VerifyReadBack, Recorder: g.rec,
		Creator: mhl.Creator{Tool: "test"}, Now: func() (time.Time, bool) { return testTime, true },
		Settle: time.Nanosecond, Portions: Portions{Buffers: 3, ChunkBytes: testChunk, AloneBytes: testChunk},
	}
	for i := range drives {
		d := open(fmt.Sprintf("drive%d", i), old())
		g.drives = append(g.drives, d)
		g.job.Drives = append(g.job.Drives, Drive{
			ID: fmt.Sprintf("id-%d", i), Name: fmt.Sprintf("drive %d", i), FS: d, Root: g.roots[i+1],
			Folder: testFolder, FreeBytes: 1 << 40,
		})
	}
	g.plan(t)
	return g
}

// plan lists the card anew.
func (g *rig) plan(t tester) {
	t.Helper()
	plan, err := NewPlan(context.Background(), g.card, &mhl.Ignore{})
	if err != nil {
		t.Fatalf("plan: %v", err)
	}
	g.job.Plan = plan
}

func (g *rig) on(drive int, name string) string {
	return filepath.Join(g.base, fmt.Sprintf("drive%d", drive), name)
}

// audit holds a result against the oracle, whatever the run went through.
func (g *rig) audit(t tester, res Result) {
	t.Helper()
	if err := g.tree.differs(filepath.Join(g.base, "card")); err != nil {
		t.Fatalf("the card was changed: %v", err)
	}
	for _, kind := range []string{"create", "mkdir", "rename", "remove", "set time", "sync dir", "sync all"} {
		if n := g.card.count(kind); n != 0 {
			t.Fatalf("%d calls of %s on the card", n, kind)
		}
	}
	for i := range g.drives {
		if err := g.auditDrive(i, res.Copies[i]); err != nil {
			t.Fatalf("drive %d, %s (%v): %v", i, res.Copies[i].Phase, res.Copies[i].Err, err)
		}
	}
}

func (g *rig) auditDrive(i int, c CopyResult) error {
	expect := old()
	_, finalErr := os.Lstat(g.on(i, testFolder))
	if err := g.onlyOurs(i, expect); err != nil {
		return err
	}
	if finalErr == nil {
		if err := g.tree.differs(g.on(i, testFolder)); err != nil {
			return fmt.Errorf("the finished name stands for something else: %w", err)
		}
	}
	if broken := g.drives[i].broken; len(broken) > 0 {
		return fmt.Errorf("%s", broken[0])
	}
	if c.Phase != state.CopyProven {
		if c.Err == nil && c.Phase != state.CopyUnproven {
			return fmt.Errorf("no reason is given")
		}
		return nil
	}
	if c.Err != nil || c.Folder != testFolder || finalErr != nil || c.FilesProven != len(g.job.Plan.Files) {
		return fmt.Errorf("claims %d files in %q: %w", c.FilesProven, c.Folder, finalErr)
	}
	if _, err := os.Lstat(g.on(i, testFolder+UnfinishedSuffix)); err == nil {
		return fmt.Errorf("an unfinished folder is left")
	}
	if err := g.flushed(i); err != nil {
		return err
	}
	return verifyManifest(g.on(i, testFolder))
}

// onlyOurs finds out whether anything but the copy's own folder changed.
func (g *rig) onlyOurs(i int, expect tree) error {
	rest := tree{}
	for name, n := range expect {
		if name != path.Dir(testFolder) { // its time changes with its entries
			rest[name] = n
		}
	}
	top := g.on(i, "")
	return filepath.WalkDir(top, func(full string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		name, _ := filepath.Rel(top, full)
		switch name {
		case ".", path.Dir(testFolder):
			return nil
		case testFolder, testFolder + UnfinishedSuffix, testFolder + IncompleteSuffix:
			return fs.SkipDir
		}
		want, ok := rest[name]
		if !ok {
			return fmt.Errorf("%q was put on the drive", name)
		}
		return want.differs(full, d)
	})
}

// flushed: each file's last writing reached a flush that did not fail.
func (g *rig) flushed(i int) error {
	d := g.drives[i]
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, f := range g.job.Plan.Files {
		list := d.sinks[path.Join(testFolder+UnfinishedSuffix, f.Path)]
		if len(list) == 0 {
			if _, held := g.job.Drives[i].Held[f.Path]; held {
				continue
			}
			return fmt.Errorf("%q was never written", f.Path)
		}
		if last := list[len(list)-1]; last.failed || !last.flushed {
			return fmt.Errorf("%q is called proven and was not flushed", f.Path)
		}
	}
	return nil
}

func verifyManifest(dir string) error {
	root, err := os.OpenRoot(dir)
	if err != nil {
		return err
	}
	defer root.Close()
	report, err := mhl.Verify(context.Background(), root, nil, nil)
	if err == nil && !report.Proven() {
		err = fmt.Errorf("its manifest does not prove it: %+v", report)
	}
	return err
}

// phases lists how the copies ended.
func phases(res Result) string {
	var list []string
	for _, c := range res.Copies {
		list = append(list, string(c.Phase))
	}
	return strings.Join(list, " ")
}

func mustProve(t testing.TB, res Result, drives ...int) {
	t.Helper()
	for _, i := range drives {
		if res.Copies[i].Phase != state.CopyProven {
			t.Fatalf("drive %d is %s: %v", i, res.Copies[i].Phase, res.Copies[i].Err)
		}
	}
}

// tester is what *testing.T and *rapid.T share.
type tester interface {
	rapid.TB
	Cleanup(func())
}

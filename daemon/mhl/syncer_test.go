package mhl

import (
	"errors"
	"fmt"
	"os"
	"path"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/checksum"
)

var errInjected = errors.New("injected fault")

// faults notes every step and, from the chosen one on, makes no more changes:
// the machine stops before or behind it.
type faults struct {
	at     int // -1: never
	behind bool
	steps  []Step
}

func (f *faults) Do(step Step, change func() error) error {
	f.steps = append(f.steps, step)
	switch n := len(f.steps) - 1; {
	case f.at < 0 || n < f.at:
		return change()
	case n == f.at && f.behind:
		return errors.Join(change(), errInjected)
	}
	return errInjected
}

// nestedCard is a folder with a history in a folder, so that Append writes two.
func nestedCard(t *testing.T) (root *os.Root, files map[string]string) {
	t.Helper()
	files = map[string]string{"note.txt": "n", "A002/clip.mov": "one", "A002/more.mov": strings.Repeat("x", 100)}
	root = tempFolder(t, files)
	inner, err := root.OpenRoot("A002")
	must(t, err)
	defer inner.Close()
	own := map[string]string{"clip.mov": "one", "more.mov": files["A002/more.mov"]}
	_, err = Append(inner, generation(t, own, checksum.MD5, Original), nil)
	must(t, err)
	return root, files
}

// The order that durability rests on: a file is flushed before its rename, the
// folder after it, the manifest is through before the chain begins, and the
// inner history before the outer one.
func TestAppend_order(t *testing.T) {
	t.Parallel()
	root, files := nestedCard(t)
	f := &faults{at: -1}
	written, err := Append(root, generation(t, files, checksum.XXH64, Verified), f)
	must(t, err)
	whole := func(dir, manifest string) []Step {
		temp, chain, tempChain := dir+"/"+unfinishedManifest, dir+"/"+ChainName, dir+"/"+unfinishedChain
		return []Step{
			{OpSyncDir, path.Dir(dir)},
			{OpCreate, temp}, {OpWrite, temp}, {OpSync, temp}, {OpRename, manifest}, {OpSyncDir, dir}, {OpSync, manifest},
			{OpCreate, tempChain}, {OpWrite, tempChain}, {OpSync, tempChain}, {OpRename, chain}, {OpSyncDir, dir}, {OpSync, chain},
		}
	}
	want := slices.Concat(whole("A002/ascmhl", written.Nested[0].Path), []Step{{OpMkdir, "ascmhl"}}, whole("ascmhl", written.Path))
	if d := cmp.Diff(want, f.steps); d != "" {
		t.Error(d)
	}
}

// Append is stopped before and behind every change it makes; and the Append
// that follows is stopped there too. Each time Open must find only whole
// generations, nothing may be overwritten, and the next Append must succeed.
func TestAppend_stoppedAnywhere(t *testing.T) {
	t.Parallel()
	probe := &faults{at: -1}
	root, files := nestedCard(t)
	_, err := Append(root, generation(t, files, checksum.XXH64, Verified), probe)
	must(t, err)
	for at := range probe.steps {
		for _, behind := range []bool{false, true} {
			for _, again := range []int{-1, 0, 4, 5, 11} {
				name := fmt.Sprintf("%d %s behind=%v again=%d", at, probe.steps[at].Op, behind, again)
				t.Run(name, func(t *testing.T) {
					t.Parallel()
					stopAndCarryOn(t, at, behind, again)
				})
			}
		}
	}
}

func stopAndCarryOn(t *testing.T, at int, behind bool, again int) {
	root, files := nestedCard(t)
	kept := finals(t, root)
	for _, f := range []*faults{{at: at, behind: behind}, {at: again, behind: behind}} {
		if f.at < 0 {
			continue
		}
		if _, err := Append(root, generation(t, files, checksum.XXH64, Verified), f); !errors.Is(err, errInjected) {
			t.Fatalf("Append() = %v, want the injected fault", err)
		}
		kept = stillThere(t, root, kept)
		if h, err := Open(root); err != nil || len(h.Latest("A002/clip.mov")) == 0 {
			t.Fatalf("Open() after the stop = %+v, %v", h, err)
		}
	}
	written, err := Append(root, generation(t, files, checksum.XXH64, Verified), nil)
	if err != nil {
		t.Fatalf("Append() after the stop: %v", err)
	}
	stillThere(t, root, kept)
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || !report.Proven() || len(report.OK) != len(files) {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
	for _, w := range append(written.Nested, written) {
		for _, temp := range []string{unfinishedManifest, unfinishedChain} {
			if _, err := root.Lstat(path.Join(path.Dir(w.Path), temp)); err == nil {
				t.Errorf("%s is left over", temp)
			}
		}
	}
}

// finals gives the content of every manifest.
func finals(t *testing.T, root *os.Root) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, dir := range []string{"ascmhl", "A002/ascmhl"} {
		list, err := readDir(root, dir, 100)
		if errors.Is(err, os.ErrNotExist) {
			continue
		}
		must(t, err)
		for _, entry := range list {
			if name := path.Join(dir, entry.Name()); numberOf(entry.Name()) > 0 {
				all[name] = string(read(t, root, name))
			}
		}
	}
	return all
}

func stillThere(t *testing.T, root *os.Root, before map[string]string) (now map[string]string) {
	t.Helper()
	now = finals(t, root)
	for name, content := range before {
		if now[name] != content {
			t.Errorf("%s was overwritten or removed", name)
		}
	}
	return now
}

// A manifest that was renamed when the power went, before the chain was: it is
// an orphan, isn't trusted, keeps its number, and does no harm.
func TestAppend_orphan(t *testing.T) {
	t.Parallel()
	files := survey()
	root := tempFolder(t, files)
	probe := &faults{at: -1}
	_, err := Append(tempFolder(t, files), generation(t, files, checksum.XXH64, Original), probe)
	must(t, err)
	rename := slices.IndexFunc(probe.steps, func(s Step) bool { return s.Op == OpRename })
	if _, err := Append(root, generation(t, files, checksum.XXH64, Original), &faults{at: rename, behind: true}); err == nil {
		t.Fatal("no fault")
	}
	h, err := Open(root)
	if err != nil || len(h.Orphans) != 1 || len(h.Generations) != 0 || len(h.Files()) != 0 {
		t.Fatalf("Open() = %+v, %v, want one orphan that says nothing", h, err)
	}
	if report, err := Verify(t.Context(), root, nil, nil); err != nil || report.Proven() {
		t.Errorf("Verify() trusts an orphan: %+v, %v", report, err)
	}
	written, err := Append(root, generation(t, files, checksum.XXH64, Original), nil)
	if err != nil || written.Number != 2 {
		t.Fatalf("Append() = %+v, %v, want generation 2", written, err)
	}
	accepted(t, root.Name())
	report, err := Verify(t.Context(), root, nil, nil)
	if err != nil || !report.Proven() || len(report.Orphans) != 1 {
		t.Errorf("Verify() = %+v, %v", report, err)
	}
}

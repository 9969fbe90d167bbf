package offload

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
	"bothy/testdata/judges"
)

const chunk1, stride = testChunk, checksum.SampleStrideBytes

// TestRun_everySizeAtTheEdges runs on the disk, with real flushes and real
// direct reading.
func TestRun_everySizeAtTheEdges(t *testing.T) {
	t.Parallel()
	tr := tree{"empty folder": {dir: true, at: testTime}, "DCIM/100SKUAS/deep/empty": {dir: true, at: testTime.Add(time.Second)}}
	for i, size := range []int{0, 1, 4095, 4096, 4097, chunkBytes - 1, chunkBytes, chunkBytes + 1,
		singleFlush - 1, singleFlush, singleFlush + 1, stride, stride + 4097} {
		tr[fmt.Sprintf("DCIM/100SKUAS/CLIP%04d.MOV", size)] = node{data: noise(i, size), at: testTime.Add(time.Duration(i) * time.Minute)}
	}
	g := newRig(t, t.TempDir(), tr, 2)
	g.job.Portions.Buffers, g.job.Portions.ChunkBytes, g.job.Portions.AloneBytes = 0, 0, 0
	for i, d := range g.drives {
		d.noFlush = false
		g.job.Drives[i].ReadBackAfter = i == 1
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	g.audit(t, res)
	if res.CardErr != nil || res.RecorderErr != nil || res.Mismatches+res.FlushFailures != 0 || res.BytesRead != g.job.Plan.Bytes {
		t.Errorf("result %+v", res)
	}
	for name, n := range g.tree {
		if !n.dir {
			g.askXXHSum(t, name, res.Sums[name].Sum)
		}
	}
	g.checkManifestValues(t, 0)
}

// askXXHSum recomputes one file's checksum on every drive with the reference
// implementation's own program (xxhsum of github.com/Cyan4973/xxHash).
func (g *rig) askXXHSum(t *testing.T, name, want string) {
	t.Helper()
	judges.Need(t, "xxhsum")
	for i := range g.drives {
		data, err := os.ReadFile(g.on(i, path.Join(testFolder, name)))
		if err != nil {
			t.Fatal(err)
		}
		cmd := exec.Command("xxhsum", "-H2")
		cmd.Stdin = bytes.NewReader(data)
		out, err := cmd.Output()
		if err != nil {
			t.Fatal(err)
		}
		if got, _, _ := strings.Cut(string(out), " "); got != want {
			t.Errorf("%s on drive %d: the engine says %s, xxhsum %s", name, i, want, got)
		}
	}
}

var manifestValue = regexp.MustCompile(`<path [^>]*size="(\d+)"[^>]*>([^<]*)</path>\s*<xxh128 [^>]*>([0-9a-f]{32})</xxh128>`)

// checkManifestValues takes the manifest's text apart without the package that
// wrote it.
func (g *rig) checkManifestValues(t *testing.T, drive int) {
	t.Helper()
	list, _ := filepath.Glob(g.on(drive, testFolder+"/ascmhl/0001_skerry-1_2026-11-25_143100Z.mhl"))
	if len(list) != 1 {
		t.Fatalf("manifests %v", list)
	}
	text, err := os.ReadFile(list[0])
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]bool{}
	for _, m := range manifestValue.FindAllStringSubmatch(string(text), -1) {
		found[m[2]] = true
		n := g.tree[m[2]]
		h, _ := checksum.New(checksum.XXH128)
		h.Write(n.data)
		if m[1] != fmt.Sprint(len(n.data)) || m[3] != h.Sum() {
			t.Errorf("manifest says %v of %q", m[1:], m[2])
		}
	}
	for _, f := range g.job.Plan.Files {
		if !found[f.Path] {
			t.Errorf("manifest does not list %q", f.Path)
		}
	}
}

// names draws one element of a path, out of what cards and people bring.
func names() *rapid.Generator[string] {
	return rapid.OneOf(
		rapid.StringMatching(`[A-Z]{4}[0-9]{4}\.(MOV|JPG)`),
		rapid.SampledFrom([]string{"Søndre skjær", "スケリー", "é", "e\u0301", "a b  c", " lead", "trail ", "tail.", "-rf", "*", "?",
			"<b>&amp;\"'", "new\nline", "tab\there", "\u202eright to left", "ascmhl.txt", ".hidden", "x.unfinished", "%2e%2e", "~", "$(id)", "🐧"}),
		rapid.StringMatching(`[a-zæøå ]{1,40}`),
	).Filter(func(s string) bool { return s != "." && s != ".." && mhl.EncodablePath(s) && s != mhl.FolderName })
}

func trees(maxFiles int) *rapid.Generator[tree] {
	return rapid.Custom(func(t *rapid.T) tree {
		tr := tree{}
		folders := []string{""}
		for range rapid.IntRange(0, 5).Draw(t, "folders") {
			dir := path.Join(rapid.SampledFrom(folders).Draw(t, "in"), names().Draw(t, "folder"))
			tr[dir] = node{dir: true, at: times().Draw(t, "at")}
			folders = append(folders, dir)
		}
		for i := range rapid.IntRange(0, maxFiles).Draw(t, "files") {
			name := path.Join(rapid.SampledFrom(folders).Draw(t, "in"), names().Draw(t, "name"))
			if _, taken := tr[name]; taken {
				continue
			}
			size := rapid.OneOf(rapid.IntRange(0, 9000), rapid.SampledFrom([]int{0, 4095, 4096, 4097, chunk1 - 1, chunk1 + 1, 2*chunk1 + 1})).Draw(t, "size")
			tr[name] = node{data: noise(i, size), at: times().Draw(t, "at")}
		}
		return tr
	})
}

func times() *rapid.Generator[time.Time] {
	return rapid.Map(rapid.Int64Range(0, 4e9), func(s int64) time.Time { return time.Unix(s, s%1e9) })
}

// TestRun_anyCard: whatever a card holds, its copies are equal to it.
func TestRun_anyCard(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := newRig(t, memoryDir(t), trees(8).Draw(t, "card"), 2)
		g.job.Verify = rapid.SampledFrom([]Level{VerifySize, VerifyReadBack, VerifyReadBackTwice}).Draw(t, "level")
		g.job.Checksum = rapid.SampledFrom(checksum.Names()).Draw(t, "checksum")
		for i := range g.job.Drives {
			g.job.Drives[i].ReadBackAfter = rapid.Bool().Draw(t, "after")
			g.job.Drives[i].Limits.SyncfsFlushes = rapid.Bool().Draw(t, "syncfs")
		}
		res := Run(context.Background(), g.job)
		want := state.CopyProven
		if g.job.Verify == VerifySize {
			want = state.CopyUnproven
		}
		for i, c := range res.Copies {
			if c.Phase != want || c.Folder != testFolder {
				t.Fatalf("drive %d is %s: %v", i, c.Phase, c.Err)
			}
			if err := g.tree.differs(g.on(i, testFolder)); err != nil {
				t.Fatal(err)
			}
			if open := g.drives[i].unclosed(); len(open) > 0 {
				t.Fatalf("left open: %q", open)
			}
		}
		g.audit(t, res)
		if g.job.Verify == VerifyReadBackTwice && res.BytesRead != 2*g.job.Plan.Bytes {
			t.Fatalf("%d bytes read of %d", res.BytesRead, g.job.Plan.Bytes)
		}
	})
}

// TestPlan_anyCard: the plan is the card, and Only gives a part of it that is
// a plan itself.
func TestPlan_anyCard(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		g := newRig(t, memoryDir(t), trees(8).Draw(t, "card"), 0)
		p := g.job.Plan
		if len(p.Files)+len(p.Dirs) != len(g.tree) || len(p.LeftOut) != 0 {
			t.Fatalf("%d files and %d folders of %d", len(p.Files), len(p.Dirs), len(g.tree))
		}
		keep := map[string]bool{}
		part := p.Only(func(e Entry) bool { keep[e.Path] = rapid.Bool().Draw(t, "keep"); return keep[e.Path] })
		for _, e := range part.Files {
			if !keep[e.Path] {
				t.Fatalf("%q was not asked for", e.Path)
			}
			for dir := path.Dir(e.Path); dir != "."; dir = path.Dir(dir) {
				if !slices.ContainsFunc(part.Dirs, func(d Folder) bool { return d.Path == dir }) {
					t.Fatalf("%q lies in a folder that is not in the part", e.Path)
				}
			}
		}
	})
}

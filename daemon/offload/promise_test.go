package offload

import (
	"context"
	"errors"
	"io"
	"path"
	"slices"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"bothy/daemon/state"
)

func work(name string) string { return path.Join(testFolder+UnfinishedSuffix, name) }

// TestRun_failedFlush: what a failed flush concerned is written again as a new
// file, and one failure is not the end of a drive.
func TestRun_failedFlush(t *testing.T) {
	t.Parallel()
	many := tree{"A.MOV": file1(bigNoise)}
	for i := range 40 {
		many[strings.Repeat("x", i+1)] = file1(noise(i, 100+i))
	}
	for _, tc := range []struct {
		name, kind, file string
		again            int // files written twice
		syncfs           bool
	}{
		{"a large file", "sync", work("A.MOV"), 1, true},
		{"a small file by itself", "sync", work("xxx"), 1, false},
		{"a group of 40", "sync all", "", 40, true},
		{"closing", "close", work("xxx"), 1, false},
		{"writing", "write", work("xxx"), 1, false},
		{"writing out", "push", work("A.MOV"), 1, false},
		{"setting the time", "set time", work("xxx"), 1, false},
		{"reading back", "read medium", work("xxx"), 1, false},
		{"opening to read back", "open medium", work("A.MOV"), 1, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			g := newRig(t, memoryDir(t), many, 2)
			g.job.Drives[0].Limits.SyncfsFlushes = tc.syncfs
			g.drives[0].hook = func(c call) *fault {
				if c.kind == tc.kind && c.name == tc.file && c.ofName == 1 {
					return &fault{err: syscall.EIO}
				}
				return nil
			}
			res := Run(context.Background(), g.job)
			mustProve(t, res, 0, 1)
			g.audit(t, res)
			twice := 0
			for _, list := range g.drives[0].sinks {
				twice += len(list) - 1
			}
			if twice != tc.again || g.drives[1].count("create") != len(many) {
				t.Errorf("%d files were written again, want %d", twice, tc.again)
			}
			if flush := strings.HasPrefix(tc.kind, "sync"); flush != (res.FlushFailures == 1) {
				t.Errorf("%d failed flushes are counted", res.FlushFailures)
			}
		})
	}
}

// TestRun_keepsFailing: a drive that cannot keep one file is set aside.
func TestRun_keepsFailing(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "write" && strings.HasSuffix(c.name, "C.JPG") {
			return &fault{change: flip}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 1)
	g.audit(t, res)
	if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrMismatch) || res.Mismatches != 3 {
		t.Errorf("%s: %v, %d mismatches", c.Phase, c.Err, res.Mismatches)
	}
}

// TestRun_readsBackFromTheMedium: Open, which may be answered from memory, says
// that all is well; the medium holds something else.
func TestRun_readsBackFromTheMedium(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "read medium" && strings.HasSuffix(c.name, "A.MOV") {
			return &fault{change: flip}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 1)
	if res.Copies[0].Phase != state.CopyFailed || g.drives[0].count("open") != 0 {
		t.Errorf("%s, and %d files were opened from memory", res.Copies[0].Phase, g.drives[0].count("open"))
	}
	// The second look would find it too, and samples only.
	if err := res.Copies[0].Err; err == nil || !strings.Contains(err.Error(), "read back \"") {
		t.Errorf("it was not found by reading back: %v", err)
	}
}

// TestRun_secondLook: a medium that lies about its capacity writes a late file
// over an early one that was proven when it was new.
func TestRun_secondLook(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	var wrapped atomic.Bool
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "create" && strings.HasSuffix(c.name, "EMPTY.TXT") { // the last
			wrapped.Store(true)
		}
		if wrapped.Load() && c.kind == "read medium" && strings.HasSuffix(c.name, "A.MOV") && c.ofName > 2 {
			return &fault{change: flip0}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 1)
	g.audit(t, res)
	if c := res.Copies[0]; c.Phase != state.CopyFailed || !errors.Is(c.Err, ErrMismatch) || !strings.Contains(c.Err.Error(), "second look") {
		t.Errorf("%s: %v", c.Phase, c.Err)
	}
}

func flip0(b []byte) {
	if len(b) > 0 {
		b[0] ^= 1
	}
}

// TestRun_orderOfTheLastSteps: each step is durable before the next one rests
// on it, down to the note that lets a card go.
func TestRun_orderOfTheLastSteps(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 1)
	var order []string
	d := g.drives[0]
	d.hook = func(c call) *fault { // after the last proof one goroutine is left
		d.mu.Lock()
		defer d.mu.Unlock()
		order = append(order, c.kind+" "+c.name)
		return nil
	}
	g.rec.onAll = func(e string) {
		d.mu.Lock()
		defer d.mu.Unlock()
		order = append(order, e)
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0)
	if res.RecorderErr != nil {
		t.Errorf("a note was refused: %v", res.RecorderErr)
	}
	manifest := work("ascmhl/0001_skerry-1_2026-11-25_143100Z.mhl")
	steps := []string{
		"sync " + work("DCIM/100SKUAS/A.MOV"), "open medium " + work("DCIM/100SKUAS/A.MOV"),
		"read DCIM/100SKUAS/A.MOV", "proven id-0 DCIM/100SKUAS/A.MOV",
		"open medium " + work("DCIM/100SKUAS/A.MOV"), // the second look
		"sync dir " + work("DCIM/100SKUAS"), "sync dir " + work("DCIM"), "sync dir " + work(""),
		"sync all ", "open medium " + manifest, "finishing id-0 " + testFolder,
		"rename " + testFolder, "sync dir " + testFolder, "sync dir " + path.Dir(testFolder), "sync all ",
		"finished id-0 " + testFolder,
	}
	rest := order
	for _, step := range steps {
		i := slices.Index(rest, step)
		if i < 0 {
			t.Fatalf("%q does not follow in\n%s", step, strings.Join(order, "\n"))
		}
		rest = rest[i+1:]
	}
	if len(rest) > 0 {
		t.Errorf("after the last note: %q", rest)
	}
	for _, note := range []string{"finishing id-0 " + testFolder, "finished id-0 " + testFolder} {
		if first := slices.Index(order, note); slices.Contains(order[first+1:], note) {
			t.Errorf("%q was noted too early:\n%s", note, strings.Join(order, "\n"))
		}
	}
}

// TestRun_notesFollowProofs: for every file the reading is noted before the
// proof, and the proof before anything about the whole copy.
func TestRun_notesFollowProofs(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	mustProve(t, Run(context.Background(), g.job), 0, 1)
	for _, id := range []string{"id-0", "id-1"} {
		finishing, finished := g.rec.at("finishing "+id+" "+testFolder), g.rec.at("finished "+id+" "+testFolder)
		for _, f := range g.job.Plan.Files {
			read, proof := g.rec.at("read "+f.Path), g.rec.at("proven "+id+" "+f.Path)
			if !(0 <= read && read < proof && proof < finishing && finishing < finished) {
				t.Errorf("%s on %s: read %d, proven %d, finishing %d, finished %d", f.Path, id, read, proof, finishing, finished)
			}
		}
	}
}

// TestRun_recorderFails: copying goes on without a ledger, and says so.
func TestRun_recorderFails(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.rec.err = errors.New("the ledger is full")
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	g.audit(t, res)
	if !errors.Is(res.RecorderErr, g.rec.err) {
		t.Errorf("recorder error %v", res.RecorderErr)
	}
}

// TestRun_failsAfterTheRename: the copy has its name, but nobody may rest on it.
func TestRun_failsAfterTheRename(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "sync dir" && c.name == testFolder {
			return &fault{err: syscall.EIO}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 1)
	g.audit(t, res)
	if c := res.Copies[0]; c.Phase != state.CopyFailed || c.Folder != testFolder || g.rec.has("finished id-0") {
		t.Errorf("%s in %q; noted as finished: %v", c.Phase, c.Folder, g.rec.has("finished id-0"))
	}
}

// TestRun_shortWrite: what a drive did not take is missed when it is written,
// and not only when it is read back: without reading back nothing else would.
func TestRun_shortWrite(t *testing.T) {
	t.Parallel()
	g := newRig(t, memoryDir(t), smallCard(), 2)
	g.drives[0].hook = func(c call) *fault {
		if c.kind == "write" && c.ofKind == 1 {
			return &fault{err: io.ErrShortWrite, short: true}
		}
		return nil
	}
	res := Run(context.Background(), g.job)
	mustProve(t, res, 0, 1)
	g.audit(t, res)
	if n := g.drives[0].count("create"); n != len(g.job.Plan.Files)+1 || res.Mismatches != 0 {
		t.Errorf("%d files were made and %d were found different, want %d and 0", n, res.Mismatches, len(g.job.Plan.Files)+1)
	}
}

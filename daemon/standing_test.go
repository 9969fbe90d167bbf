package daemon

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// flushes is a drive on which some flushes fail.
type flushes struct {
	offload.FS
	failing string // folder whose names cannot be flushed; "*": the drive
	done    []string
}

var errNames = errors.New("the names cannot be flushed")

func (f *flushes) SyncDir(name string) error {
	if f.done = append(f.done, name); name == f.failing {
		return errNames
	}
	return nil
}

func (f *flushes) SyncAll() error {
	if f.done = append(f.done, "*"); f.failing == "*" {
		return errNames
	}
	return nil
}

// The box died between a copy's last two notes. The copy counts when it is there
// under its name and that name is durable now, and else not; whatever is wrong,
// the ledger says the same as the account.
func TestCheckCopy_renamedAndNotNoted(t *testing.T) {
	t.Parallel()
	const folder = "2026-11-25/skerry-1"
	for name, tc := range map[string]struct {
		folder  string // as it is noted
		failing string
		damage  func(dir string) error
		counts  bool
		status  string
	}{
		"as it was left":                 {folder, "", nil, true, ledger.CopyProven},
		"incomplete":                     {folder + offload.IncompleteSuffix, "", nil, true, ledger.CopyIncomplete},
		"its own flush fails":            {folder, folder, nil, false, ledger.CopyLost},
		"the flush of the day fails":     {folder, filepath.Dir(folder), nil, false, ledger.CopyLost},
		"the flush of the drive fails":   {folder, "*", nil, false, ledger.CopyLost},
		"a file is missing":              {folder, "", func(dir string) error { return os.Remove(filepath.Join(dir, "DCIM/a.jpg")) }, false, ledger.CopyFinishing},
		"a file is shorter":              {folder, "", func(dir string) error { return os.Truncate(filepath.Join(dir, "DCIM/a.jpg"), 3) }, false, ledger.CopyFinishing},
		"the rename had not been made":   {folder, "", func(dir string) error { return os.Rename(dir, dir+offload.UnfinishedSuffix) }, false, ledger.CopyFinishing},
		"the manifest is not as written": {folder, "", func(dir string) error { return os.Truncate(filepath.Join(dir, "ascmhl.mhl"), 0) }, false, ledger.CopyFinishing},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			must := func(errs ...error) {
				t.Helper()
				if err := errors.Join(errs...); err != nil {
					t.Fatal(err)
				}
			}
			ctx, base := t.Context(), t.TempDir()
			dir := filepath.Join(base, tc.folder)
			must(os.MkdirAll(filepath.Join(dir, "DCIM"), 0o755),
				os.WriteFile(filepath.Join(dir, "DCIM/a.jpg"), []byte("picture"), 0o600),
				os.WriteFile(filepath.Join(dir, "ascmhl.mhl"), []byte("manifest"), 0o600))
			root, err := os.OpenRoot(base)
			must(err)
			defer root.Close()
			f := &flushes{FS: &offload.RootFS{Root: root}, failing: tc.failing}
			c4, err := sumOf(ctx, f, tc.folder+"/ascmhl.mhl", checksum.C4, func() {})
			must(err)

			l := openLedger(t)
			file := ledger.File{Path: "DCIM/a.jpg", SizeBytes: 7, ModTime: time.Unix(0, 0).UTC()}
			must(l.PutDrive(ctx, ledger.Drive{ID: "a", Name: "Skerry a"}))
			o, err := l.BeginOffload(ctx, ledger.Offload{CardKey: "card", Files: 1})
			must(err)
			c := ledger.Copy{OffloadID: o.ID, DriveID: "a", Folder: tc.folder, Status: ledger.CopyFinishing, ManifestPath: "ascmhl.mhl", ManifestC4: c4}
			must(l.RecordFiles(ctx, o.ID, []ledger.File{file}), l.RecordProven(ctx, o.ID, "a", []string{file.Path}, ledger.Moment{}), l.PutCopy(ctx, c))
			if tc.damage != nil {
				must(tc.damage(dir))
			}

			j := &job{task: task{s: stillSupervisor(Config{})}, early: newEarly(), known: map[string]offload.Checksums{file.Path: {}}}
			j.s.ledger = l
			j.plan = &offload.Plan{Files: []offload.Entry{{Path: file.Path, SizeBytes: 7}}}
			j.tally = newTally(j.plan)
			d := &jobDrive{identity: Identity{ID: "a", Name: "Skerry a"}, opened: &Opened{Root: root, FS: f, Disks: []string{"sda"}}}
			j.drives = []*jobDrive{d}
			j.before, err = l.KnownFiles(ctx, "card")
			must(err)
			j.checkCopies(ctx)

			copies, err := l.Copies(ctx, o.ID)
			must(err, j.recorderErr)
			if counts := j.tally.standsOn(0, "a"); counts != tc.counts || len(copies) != 1 || copies[0].Status != tc.status {
				t.Errorf("it counts: %v; the ledger: %+v", counts, copies)
			}
			if said := len(j.notes) > 0 && j.notes[0].code == state.CopyDamaged; said != (tc.status == ledger.CopyLost) {
				t.Errorf("what was said: %+v", j.notes)
			}
			if tc.counts && (len(f.done) != 3 || f.done[0] != tc.folder || f.done[2] != "*") {
				t.Errorf("flushed before it counts: %q", f.done)
			}
		})
	}
}

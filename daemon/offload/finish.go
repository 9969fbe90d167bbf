package offload

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// finish makes a complete copy a proven one. The order is the promise: second
// look, names durable, manifest durable, note, rename, rename durable, note.
// unsure counts files that the card was to give twice and did not.
func (t *target) finish(ctx context.Context, unsure int) {
	result := CopyResult{DriveID: t.drive.ID, DriveName: t.drive.Name, Phase: state.CopyProven}
	t.setPhase(state.CopyFinishing)
	final := t.drive.Folder
	_, unreachable := t.counts()
	if unreachable+unsure > 0 {
		final += IncompleteSuffix
		result.Phase, result.Err = state.CopyIncomplete, t.run.lacks(unreachable, unsure)
	} else if t.run.job.Incomplete {
		final += IncompleteSuffix
		result.Phase, result.Err = state.CopyIncomplete, errSaved
	} else if t.run.job.Verify == VerifySize {
		result.Phase = state.CopyUnproven
	}
	switch err := t.seal(ctx, final, &result.Manifest); {
	case errors.Is(err, errStopped):
		return
	case err != nil:
		t.setAsideFor(err)
		return
	}
	result.Folder = final
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.err == nil {
		t.result = &result
	}
}

func (t *target) seal(ctx context.Context, final string, manifest *mhl.Written) error {
	if t.run.job.Verify != VerifySize {
		if err := t.secondLook(ctx); err != nil {
			return err
		}
	}
	if err := t.sealFolders(); err != nil {
		return err
	}
	err := t.call(func() (err error) {
		*manifest, err = t.writeManifest()
		return err
	})
	if err != nil {
		return fmt.Errorf("write manifest: %w", err)
	}
	if err := t.call(t.drive.FS.SyncAll); err != nil {
		t.run.flushFailures.Add(1)
		return fmt.Errorf("flush the drive: %w", err)
	}
	if err := t.proveManifest(*manifest); err != nil {
		return err
	}
	// From here on nothing is written that could get a bad place.
	if dropped, err := t.dropAside(); err != nil {
		return err
	} else if dropped {
		if err := t.call(func() error { return t.drive.FS.SyncDir(t.work) }); err != nil {
			t.run.flushFailures.Add(1)
			return fmt.Errorf("flush folder %q: %w", t.work, err)
		}
	}
	if err := t.stillHere(); err != nil {
		return err
	}
	t.note(func(rec Recorder) error {
		return rec.Finishing(context.WithoutCancel(ctx), t.drive.ID, final, *manifest)
	})
	if err := t.stillHere(); err != nil {
		return err
	}
	if err := t.call(func() error { return t.drive.FS.Rename(t.work, final) }); err != nil {
		return fmt.Errorf("give the copy its name: %w", err)
	}
	t.setFolder(final)
	if err := t.makeRenameDurable(final); err != nil {
		return err
	}
	if err := t.stillHere(); err != nil {
		return err
	}
	t.note(func(rec Recorder) error {
		return rec.Finished(context.WithoutCancel(ctx), t.drive.ID, final)
	})
	return nil
}

// stillHere stands before every step that cannot be taken back: the medium must
// be the same, and a call that hung for long must not go on when it wakes up.
func (t *target) stillHere() error {
	if t.isSetAside() {
		return t.reason()
	}
	return t.checkMedium()
}

func (t *target) note(make func(Recorder) error) {
	if rec := t.run.job.Recorder; rec != nil {
		t.run.noteFailed(make(rec))
	}
}

// sealFolders gives folders their times, deepest first since a folder's time
// changes with its entries, and makes every name durable.
func (t *target) sealFolders() error {
	for _, dir := range slices.Backward(t.run.job.Plan.Dirs) {
		err := t.call(func() error { return t.drive.FS.SetModTime(t.at(dir.Path), dir.ModTime) })
		if err != nil {
			return fmt.Errorf("set time of folder %q: %w", t.at(dir.Path), err)
		}
		if err := t.call(func() error { return t.drive.FS.SyncDir(t.at(dir.Path)) }); err != nil {
			t.run.flushFailures.Add(1)
			return fmt.Errorf("flush folder %q: %w", t.at(dir.Path), err)
		}
	}
	if err := t.call(func() error { return t.drive.FS.SyncDir(t.work) }); err != nil {
		t.run.flushFailures.Add(1)
		return fmt.Errorf("flush folder %q: %w", t.work, err)
	}
	return nil
}

// makeRenameDurable flushes the name that the copy was given, and looks for it.
func (t *target) makeRenameDurable(final string) error {
	err := FlushName(t.drive.FS, final, func(flush func() error) error {
		err := t.call(flush)
		if err != nil {
			t.run.flushFailures.Add(1)
		}
		return err
	})
	if err != nil {
		return err
	}
	if _, err := t.lstat(final); err != nil {
		return fmt.Errorf("look for the finished copy: %w", err)
	}
	return nil
}

// FlushName makes the name of a copy's folder durable: the folder itself (FAT
// keeps its first entries with it), the folder it stands in, and the device.
// Each step is made by way of do.
func FlushName(f FS, folder string, do func(flush func() error) error) error {
	for _, dir := range []string{folder, path.Dir(folder)} {
		if err := do(func() error { return f.SyncDir(dir) }); err != nil {
			return fmt.Errorf("flush folder %q: %w", dir, err)
		}
	}
	if err := do(f.SyncAll); err != nil {
		return fmt.Errorf("flush the drive: %w", err)
	}
	return nil
}

func (t *target) writeManifest() (mhl.Written, error) {
	job := t.run.job
	root, err := t.drive.Root.OpenRoot(t.work)
	if err != nil {
		return mhl.Written{}, err
	}
	defer root.Close()
	at, trusted := job.Now()
	gen := mhl.Generation{
		Folder: path.Base(t.drive.Folder), Process: mhl.Transfer, Ignore: job.Ignore,
		Creator: job.Creator, At: at, ClockTrusted: trusted,
	}
	gen.Creator.Comment = t.run.comment(gen.Creator.Comment)
	for _, dir := range job.Plan.Dirs {
		if !inHistory(dir.Path) {
			gen.Dirs = append(gen.Dirs, dir.Path)
		}
	}
	gen.Each = func(yield func(mhl.FileHash) bool) {
		for _, f := range t.run.all() {
			if !f.InHistory && t.stands(f) == proven && !yield(t.run.fileHash(f, at)) {
				return
			}
		}
	}
	return mhl.Append(root, gen, nil)
}

// inHistory: the folder is, or lies in, a history of the card's own.
func inHistory(dir string) bool {
	for dir != "." && dir != "/" && dir != "" {
		if path.Base(dir) == mhl.FolderName {
			return true
		}
		dir = path.Dir(dir)
	}
	return false
}

// fileHash is a manifest's line: original when the card brought no checksum of
// its own, verified or failed against the one it brought.
func (r *run) fileHash(f *file, at time.Time) mhl.FileHash {
	f.mu.Lock()
	defer f.mu.Unlock()
	h := mhl.FileHash{
		Path: f.Path, SizeBytes: f.SizeBytes, ModTime: f.ModTime,
		Algorithm: r.job.Checksum, Value: f.sums[0], Action: mhl.Original, HashedAt: at,
	}
	if len(r.job.From) > 0 {
		h.Action = mhl.Verified
	}
	for algorithm, value := range r.job.Earlier[f.Path] {
		sum := f.sumLocked(r, algorithm)
		if sum == "" {
			continue // nothing was compared
		}
		if h.Others == nil {
			h.Others = map[string]string{}
		}
		if h.Action == mhl.Original {
			h.Action = mhl.Verified
		}
		if !checksum.Equal(algorithm, sum, value) {
			h.Action = mhl.Failed
		}
		if algorithm != r.job.Checksum {
			h.Others[algorithm] = sum
		}
	}
	return h
}

// compareHistory finds the files that disagree with the card's own manifests.
func (r *run) compareHistory() {
	r.historyBad = nil
	for _, f := range r.files {
		earlier := r.job.Earlier[f.Path]
		f.mu.Lock()
		for algorithm, value := range earlier {
			if sum := f.sumLocked(r, algorithm); sum != "" && !checksum.Equal(algorithm, sum, value) {
				r.historyBad = append(r.historyBad, f.Path)
				break
			}
		}
		f.mu.Unlock()
	}
}

// proveManifest reads the manifest back from the medium.
func (t *target) proveManifest(w mhl.Written) error {
	name := t.at(w.Path)
	return t.call(func() error {
		src, err := t.drive.FS.OpenMedium(name)
		if t.run.job.Verify == VerifySize && err != nil {
			src, err = t.drive.FS.Open(name)
		}
		if err != nil {
			return fmt.Errorf("read back manifest: %w", err)
		}
		defer src.Close()
		sum := mustHash(checksum.C4)
		buf := volume.AlignedBuffer(64 << 10)
		for at := int64(0); at < src.Size(); {
			n, err := src.ReadAt(buf, at)
			if err != nil && !errors.Is(err, io.EOF) {
				return fmt.Errorf("read back manifest: %w", err)
			}
			if n == 0 {
				break
			}
			sum.Write(buf[:n])
			at += int64(n)
		}
		if sum.Sum() != w.C4 {
			return fmt.Errorf("read back manifest: %w", ErrMismatch)
		}
		return nil
	})
}

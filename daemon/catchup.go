package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// look finds out whether the copies that a drive is known to hold stand there,
// by their folders and manifests. What is in the files is a patrol's business.
func (e *errand) look(ctx context.Context) {
	d := e.drives[0]
	if d.opened == nil {
		return
	}
	list, err := e.s.ledger.Whereabouts(ctx)
	if err != nil {
		e.recorderFailed(err)
		return
	}
	for _, w := range list {
		for _, c := range w.Copies {
			if c.DriveID != d.identity.ID || keeps(w, d.identity.ID) == "" {
				continue
			}
			if e.yield(ctx) != nil {
				return
			}
			err := e.thereBy(ctx, d, c)
			if err != nil && !d.hung() && ctx.Err() == nil {
				e.copyLost(ctx, d, c, err)
			}
			if err == nil && d.rule.Shuttle() {
				e.handedBy(ctx, d, w)
			}
		}
	}
}

// thereBy is nil when a copy's folder and manifest are there. Only what is known
// to be missing is an error: a drive that was pulled loses nothing.
func (e *errand) thereBy(ctx context.Context, d *jobDrive, c ledger.Copy) error {
	_, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, step func()) (struct{}, error) {
		item, err := o.FS.Lstat(c.Folder)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			err = errNoFolder
		case err == nil && !item.Mode.IsDir():
			err = fmt.Errorf("%s is no folder", c.Folder)
		}
		if err == nil && c.ManifestPath != "" {
			step()
			_, err = o.FS.Lstat(path.Join(c.Folder, c.ManifestPath))
		}
		if err != nil && o.Medium != nil && o.Medium.Check() != nil {
			err = nil
		}
		return struct{}{}, err
	})
	return err
}

var errNoFolder = errors.New("its folder is not there")

// copyLost takes a copy out of the account.
func (e *errand) copyLost(ctx context.Context, d *jobDrive, c ledger.Copy, why error) {
	e.find(d.identity.ID, state.CopyDamaged, fmt.Sprintf("%s on %s: %v", c.Folder, d.identity.Name, why))
	c.Status, c.Reason, c.Updated = ledger.CopyLost, why.Error(), moment(e.s.cfg.Now)
	if errors.Is(why, errNoFolder) {
		c.Folder = "" // there is nothing left to be mended
	}
	e.recorderFailed(e.s.ledger.PutCopy(context.WithoutCancel(ctx), c))
	e.doubt(d.identity.ID)
}

// doubt has cards judged anew that were released for the sake of what is on a
// drive. That does not wait for the errand's end: the light would say of a card all
// the time that it may be reused.
func (e *errand) doubt(driveID string) { e.s.post(func() { e.s.judgeAnew(driveID) }) }

// damagedNow takes back at once what a source does not give as the card did.
// judgeSources says so at the end, and what failed here.
func (e *errand) damagedNow(ctx context.Context, r errandAccount) func(driveID, name string) {
	return func(driveID, name string) {
		if ours := r.ours([]string{name}); len(ours) > 0 {
			if err := e.s.ledger.RecordUnproven(context.WithoutCancel(ctx), r.about(), driveID, ours); err != nil {
				e.s.cfg.Log.Warn(proofStays, "offload", r.about(), "path", name, "err", err)
			}
		}
		e.doubt(driveID)
	}
}

const proofStays = "the proof of a damaged file is still in the ledger"

// catchUp brings one offload to drives that lack it, from finished copies.
func (e *errand) catchUp(ctx context.Context) {
	o := e.piece.offload
	for _, id := range e.piece.to {
		e.miss(id, "it was interrupted")
	}
	if !e.s.claims.offload(&e.task, o.ID) {
		return
	}
	files, copies, ok := e.known(ctx, o.ID)
	if !ok {
		return
	}
	ej := e.engineJob(o.Checksum)
	ej.Recorder = errandRecorder{&e.task, o.ID, pathsOf(files)}
	for _, c := range copies {
		d := e.driveOf(c.DriveID)
		if d == nil || d.opened == nil || !e.readsFrom(c.DriveID) {
			continue
		}
		if err := e.addSource(ctx, &ej, d, c, files); err != nil && !d.hung() && ctx.Err() == nil {
			e.copyLost(ctx, d, c, err)
		}
	}
	if len(ej.From) == 0 || ctx.Err() != nil {
		return
	}
	e.bring(ctx, ej)
}

func pathsOf(files []ledger.File) map[string]bool {
	paths := make(map[string]bool, len(files))
	for _, f := range files {
		paths[f.Path] = true
	}
	return paths
}

func (e *errand) readsFrom(id string) bool { return slices.Contains(e.piece.from, id) }

// known is what the ledger holds of an offload.
func (e *errand) known(ctx context.Context, offloadID string) (files []ledger.File, copies []ledger.Copy, ok bool) {
	files, err := e.s.ledger.Files(ctx, offloadID)
	if err == nil {
		copies, err = e.s.ledger.Copies(ctx, offloadID)
	}
	e.recorderFailed(err)
	return files, copies, err == nil
}

// engineJob is a job of the engine among drives; from where, to where and what must
// still be said.
func (e *errand) engineJob(algorithm string) offload.Job {
	return offload.Job{
		Checksum: algorithm, Verify: offload.VerifyReadBack, Now: e.s.cfg.Now, Settle: e.s.cfg.Settle, Patience: e.s.cfg.Patience, Yield: e.yield,
		Creator: mhl.Creator{Tool: "Bothy", Version: e.s.cfg.Version, Hostname: e.boxName, Comment: copiedFromDrive},
	}
}

// bring runs the engine over the drives that lack an offload.
func (e *errand) bring(ctx context.Context, ej offload.Job) {
	o := e.piece.offload
	var on []*jobDrive
	for _, id := range e.piece.to {
		d := e.driveOf(id)
		if d.opened == nil || d.hung() {
			e.miss(id, "it cannot be used")
			continue
		}
		on = append(on, d)
		ej.Drives = append(ej.Drives, e.engineDrive(ctx, d, ej))
	}
	if len(on) == 0 || ctx.Err() != nil {
		return
	}
	e.noteBegun(ctx, o.ID, on, ej.Drives)
	bytes := ej.Plan.Bytes
	ej.Progress = func(p offload.Progress) {
		e.s.claims.written(&e.task, p)
		e.s.post(func() { e.s.errandProgress(e, p, bytes) })
	}
	ej.Damaged = e.damagedNow(ctx, ej.Recorder.(errandAccount))
	res := e.s.engine(ctx, ej)
	e.recorderFailed(res.RecorderErr)
	e.s.post(func() { e.s.countCatchUp(res) })
	e.judgeSources(ctx, ej, res)
	for i, c := range res.Copies {
		d := on[i]
		switch c.Phase {
		case state.CopyProven, state.CopyIncomplete:
			delete(e.out.missed, d.identity.ID)
		case state.CopyUnfinished:
			e.miss(d.identity.ID, c.Err.Error()) // the sources' doing
		case state.CopyRefused:
			e.miss(d.identity.ID, c.Err.Error())
		default:
			d.err = c.Err
			e.miss(d.identity.ID, c.Err.Error())
		}
		e.noteCopy(ctx, o.ID, ej.Drives[i], c)
	}
	if ctx.Err() == nil {
		e.leaveSnapshots(ctx, on)
		e.leaveDays(ctx, on, []string{o.ID})
	}
}

// gaveOther is the fault of a copy that did not give files as the card did.
func gaveOther(paths []string) error {
	return fmt.Errorf("%w: %d of its files, first %q, found when another drive was to be given them", offload.ErrMismatch, len(paths), paths[0])
}

// copiedFromDrive is what a manifest says of a copy that did not come from a card.
const copiedFromDrive = "Copied from another drive, and held against the checksums taken when the card was read."

// judgeSources takes what did not give what it held out of the account.
func (e *errand) judgeSources(ctx context.Context, ej offload.Job, res offload.Result) {
	for i, from := range ej.From {
		d := e.driveOf(from.ID)
		if i < len(res.FromErrs) && res.FromErrs[i] != nil {
			d.err = res.FromErrs[i]
		}
		damaged := res.Damaged[from.ID]
		if len(damaged) == 0 {
			continue
		}
		e.find(from.ID, state.CopyDamaged, fmt.Sprintf("%s on %s: %v", from.Folder, from.Name, gaveOther(damaged)))
		account := ej.Recorder.(errandAccount)
		e.recorderFailed(e.s.ledger.RecordUnproven(context.WithoutCancel(ctx), account.about(), from.ID, account.ours(damaged)))
	}
}

// engineDrive says to the engine how to use a drive that lacks an offload.
func (e *errand) engineDrive(ctx context.Context, d *jobDrive, ej offload.Job) offload.Drive {
	out := d.destination(e.piece.offload.Folder)
	e.resume(ctx, d, e.piece.offload.ID, ej.Known, &out)
	e.makeRoom(ctx, d, &out, ej.Plan)
	return out
}

// addSource has the engine read from a drive's copy. The first one gives the
// plan too, and the history that goes along.
func (e *errand) addSource(ctx context.Context, ej *offload.Job, d *jobDrive, c ledger.Copy, files []ledger.File) error {
	if ej.Plan == nil {
		s, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (*sourceCopy, error) {
			return readSource(ctx, o, c, files, ej.Checksum, step)
		})
		if err != nil {
			return err
		}
		ej.Plan, ej.Known, ej.Ignore = s.plan, s.known, s.ignore
		ej.Incomplete = c.Status == ledger.CopyIncomplete
	} else if (c.Status == ledger.CopyIncomplete) != ej.Incomplete {
		return nil
	}
	proven, err := e.s.ledger.Proven(ctx, c.OffloadID, c.DriveID)
	if err != nil {
		return err
	}
	from := d.source(c.Folder)
	ours := pathsOf(files)
	for _, f := range ej.Plan.Files {
		// Histories differ from drive to drive; that of the first one goes along.
		if proven[f.Path] || !ours[f.Path] && (len(ej.From) == 0 || !f.InHistory) {
			from.Held[f.Path] = ej.Known[f.Path]
		}
	}
	ej.From = append(ej.From, from)
	return nil
}

// sourceCopy is a finished copy as it is to be copied.
type sourceCopy struct {
	plan   *offload.Plan
	known  map[string]offload.Checksums
	ignore []string
}

// readSource lists a finished copy: the files of the card, what was saved of
// others, and the history. What somebody else has put there stays there. The
// checksums are those taken when the card was read; those of the manifests are
// vouched for by their chain.
func readSource(ctx context.Context, o *Opened, c ledger.Copy, files []ledger.File, algorithm string, step func()) (*sourceCopy, error) {
	history, err := o.history(ctx, c.Folder, step)
	if err != nil {
		return nil, err
	}
	listed, err := offload.NewPlan(ctx, belowFS{o.FS, c.Folder}, &mhl.Ignore{})
	if err != nil {
		return nil, err
	}
	step()
	s := &sourceCopy{plan: &offload.Plan{}, known: make(map[string]offload.Checksums, len(files))}
	if n := len(history.Generations); n > 0 {
		s.ignore = history.Generations[n-1].Ignore
	}
	ours := make(map[string]ledger.File, len(files))
	for _, f := range files {
		ours[f.Path] = f
	}
	for _, entry := range listed.Files {
		if err := s.take(ctx, o, c, entry, ours, history, algorithm, step); err != nil {
			return nil, err
		}
	}
	for _, f := range files { // another copy may have what this one lacks
		if _, there := s.known[f.Path]; !there {
			s.add(entryOf(f), sumsOf(f))
		}
	}
	s.takeFolders(listed, history)
	return s, nil
}

func (s *sourceCopy) add(e offload.Entry, sums offload.Checksums) {
	add(s.plan, e)
	s.known[e.Path] = sums
}

// take puts one file of a copy's folder into the plan, if it belongs there.
func (s *sourceCopy) take(ctx context.Context, o *Opened, c ledger.Copy, e offload.Entry, ours map[string]ledger.File, h *mhl.History, algorithm string, step func()) error {
	if f, ok := ours[e.Path]; ok && !(e.InHistory && path.Base(e.Path) == mhl.ChainName) { // which grows with every generation
		e.SizeBytes, e.ModTime = f.SizeBytes, f.ModTime
		s.add(e, sumsOf(f))
		return nil
	}
	if e.InHistory {
		sum, err := sumOf(ctx, o.FS, path.Join(c.Folder, e.Path), algorithm, step)
		if err != nil {
			return err
		}
		s.add(e, offload.Checksums{Sum: sum})
		return nil
	}
	for _, known := range h.Latest(e.Path) {
		if known.Algorithm == algorithm {
			s.add(e, offload.Checksums{Sum: known.Value})
			return nil
		}
	}
	return nil
}

// takeFolders keeps the folders that the history records, and those that
// something lies in.
func (s *sourceCopy) takeFolders(listed *offload.Plan, h *mhl.History) {
	needed := map[string]bool{}
	for _, dir := range h.Dirs() {
		needed[dir] = true
	}
	for _, e := range s.plan.Files {
		for dir := path.Dir(e.Path); dir != "." && !needed[dir]; dir = path.Dir(dir) {
			needed[dir] = true
		}
	}
	for _, d := range listed.Dirs {
		if needed[d.Path] {
			s.plan.Dirs = append(s.plan.Dirs, d)
		}
	}
}

// inHistory: the file lies in a folder of manifests.
func inHistory(name string) bool {
	for dir := path.Dir(name); dir != "."; dir = path.Dir(dir) {
		if path.Base(dir) == mhl.FolderName {
			return true
		}
	}
	return false
}

// sumOf reads a file from the medium that is no larger than a manifest.
func sumOf(ctx context.Context, f offload.FS, name, algorithm string, step func()) (string, error) {
	src, err := f.OpenMedium(name)
	if err != nil {
		return "", err
	}
	defer src.Close()
	if src.Size() > mhl.MaxManifestBytes {
		return "", fmt.Errorf("%s is too large for a manifest", name)
	}
	sum, err := checksum.New(algorithm)
	if err != nil {
		return "", err
	}
	buf := volume.AlignedBuffer(1 << 20)
	for at := int64(0); at < src.Size(); {
		if ctx.Err() != nil {
			return "", context.Cause(ctx)
		}
		n, err := src.ReadAt(buf, at)
		if n == 0 {
			return "", errors.Join(fmt.Errorf("%s ends after %d of %d bytes", name, at, src.Size()), err)
		}
		sum.Write(buf[:n]) // a hash never fails
		at += int64(n)
		step()
	}
	return sum.Sum(), nil
}

// belowFS is a folder of a file system, for listing.
type belowFS struct {
	offload.FS
	dir string
}

func (f belowFS) List(name string) ([]offload.Item, error) { return f.FS.List(path.Join(f.dir, name)) }

func (f belowFS) Lstat(name string) (offload.Item, error) { return f.FS.Lstat(path.Join(f.dir, name)) }

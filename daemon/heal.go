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
)

// Where the work of healing stands on a drive, until it is done.
const (
	healFolder  = ownFolder + "/heal-"    // the sound files, before they are in their place
	asideFolder = ownFolder + "/damaged-" // what stood in their place
)

// heal brings files of a finished copy that are missing or damaged from other
// copies. The sound file is proven on the drive before the damaged one is moved
// aside, proven again in its place, and noted, before what is aside goes.
func (e *errand) heal(ctx context.Context) {
	o, d := e.piece.offload, e.driveOf(e.piece.to[0])
	e.miss(d.identity.ID, "its own copy is damaged")
	if d.opened == nil || !e.s.claims.offload(&e.task, o.ID) {
		return
	}
	files, copies, ok := e.known(ctx, o.ID)
	if !ok {
		return
	}
	i := slices.IndexFunc(copies, func(c ledger.Copy) bool { return c.DriveID == d.identity.ID })
	if i < 0 {
		return
	}
	damaged, ok := e.damagedOn(ctx, d, copies[i], files)
	if !ok {
		return
	}
	if len(damaged) > 0 {
		_, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
			return struct{}{}, isCopy(ctx, o, copies[i].Folder, files, step)
		})
		if err == nil {
			err = e.healFiles(ctx, d, copies, copies[i], damaged)
		}
		if err != nil {
			if ctx.Err() == nil {
				e.miss(d.identity.ID, "its own copy is damaged, and cannot be healed: "+err.Error())
			}
			return
		}
	}
	if err := e.wholeAgain(ctx, d, copies[i], files, damaged); err != nil && ctx.Err() == nil {
		e.miss(d.identity.ID, "its own copy is damaged, and cannot be healed: "+err.Error())
	}
}

// isCopy is nil when a folder's own manifests say that it is a copy of these very
// files. A ledger alone is not believed: it may be another box's, and what stands
// in a folder that it names may be somebody's.
func isCopy(ctx context.Context, o *Opened, folder string, files []ledger.File, step func()) error {
	history, err := o.history(ctx, folder, step)
	if err != nil {
		return err
	}
	for _, f := range files {
		same := func(k mhl.Known) bool {
			return k.Algorithm == f.Algorithm && checksum.Equal(f.Algorithm, k.Value, f.Checksum)
		}
		if !inHistory(f.Path) && !slices.ContainsFunc(history.Latest(f.Path), same) {
			return fmt.Errorf("%s is no copy of it: its manifests do not tell of %q what the card did", folder, f.Path)
		}
	}
	return nil
}

// damagedOn finds the files of a copy that are not there as the card gave them,
// among those that have no proof. It notes the proof of the others.
func (e *errand) damagedOn(ctx context.Context, d *jobDrive, c ledger.Copy, files []ledger.File) (damaged []ledger.File, ok bool) {
	proven, err := e.s.ledger.Proven(ctx, c.OffloadID, c.DriveID)
	if err != nil {
		e.recorderFailed(err)
		return nil, false
	}
	var sound []string
	for _, f := range files {
		if proven[f.Path] {
			continue
		}
		if e.yield(ctx) != nil {
			return nil, false
		}
		if inHistory(f.Path) && path.Base(f.Path) == mhl.ChainName {
			sound = append(sound, f.Path)
			continue
		}
		sum, err := e.sumOfFile(ctx, d, path.Join(c.Folder, f.Path), f)
		switch {
		case ctx.Err() != nil || d.hung():
			return nil, false
		case d.opened.Medium != nil && d.opened.Medium.Check() != nil:
			d.err = fmt.Errorf("%w: while it was healed", offload.ErrDriveGone)
			return nil, false
		case err == nil && sum == f.Checksum:
			sound = append(sound, f.Path)
		default:
			damaged = append(damaged, f)
		}
	}
	e.recorderFailed(e.s.ledger.RecordProven(context.WithoutCancel(ctx), c.OffloadID, c.DriveID, sound, moment(e.s.cfg.Now)))
	return damaged, true
}

// healFiles has the engine bring the sound files, and puts each into its place.
func (e *errand) healFiles(ctx context.Context, d *jobDrive, copies []ledger.Copy, c ledger.Copy, damaged []ledger.File) error {
	o := e.piece.offload
	plan, known := &offload.Plan{}, map[string]offload.Checksums{}
	for _, f := range damaged {
		add(plan, entryOf(f))
		known[f.Path] = sumsOf(f)
	}
	plan.Dirs = foldersOf(plan.Files)
	ej := e.engineJob(o.Checksum)
	ej.Plan, ej.Known = plan, known
	for _, other := range copies {
		from := e.driveOf(other.DriveID)
		if from == nil || from.opened == nil || !e.readsFrom(other.DriveID) {
			continue
		}
		proven, err := e.s.ledger.Proven(ctx, o.ID, other.DriveID)
		if err != nil {
			return err
		}
		source := from.source(other.Folder)
		for name, sums := range known {
			if proven[name] {
				source.Held[name] = sums
			}
		}
		ej.From = append(ej.From, source)
	}
	if len(ej.From) == 0 {
		return errors.New("no drive that has them can be used")
	}
	work := healFolder + o.ID
	if err := e.clearOwn(ctx, d, work, work+offload.UnfinishedSuffix); err != nil {
		return err
	}
	to := d.destination(work)
	to.ReserveBytes = 0 // it takes no room for long
	if free, err := ask(ctx, &e.task, d, freeBytes); err == nil {
		to.FreeBytes = free
	}
	ej.Drives = []offload.Drive{to}
	ej.Progress = func(p offload.Progress) { e.s.post(func() { e.s.errandProgress(e, p, plan.Bytes) }) }
	account := errandRecorder{&e.task, o.ID, pathsOf(damaged)}
	ej.Damaged = e.damagedNow(ctx, account)
	res := e.s.engine(ctx, ej)
	e.s.post(func() { e.s.countCopies(res) })
	ej.Recorder = account
	e.judgeSources(ctx, ej, res)
	if res.Copies[0].Phase != state.CopyProven {
		return res.Copies[0].Err
	}
	for _, f := range damaged {
		_, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, step func()) (struct{}, error) {
			return struct{}{}, putInPlace(o.FS, path.Join(work, f.Path), path.Join(c.Folder, f.Path), path.Join(asideFolder+c.OffloadID, f.Path), step)
		})
		if err != nil {
			return d.burned(err)
		}
	}
	return nil
}

// burned has a drive that could not flush used no more before it is attached again,
// and with that nothing that it may hold in memory only.
func (d *jobDrive) burned(err error) error {
	if errors.Is(err, errNotFlushed) && d.err == nil {
		d.err = err
	}
	return err
}

// foldersOf lists the folders that files lie in, each before what is in it.
func foldersOf(files []offload.Entry) (list []offload.Folder) {
	seen := map[string]bool{}
	var add func(dir string)
	add = func(dir string) {
		if dir == "." || seen[dir] {
			return
		}
		seen[dir] = true
		add(path.Dir(dir))
		list = append(list, offload.Folder{Path: dir})
	}
	for _, f := range files {
		add(path.Dir(f.Path))
	}
	return list
}

// wholeAgain proves what was put in its place there, notes it on the drive and in
// the ledger, and lets go of what is aside.
func (e *errand) wholeAgain(ctx context.Context, d *jobDrive, c ledger.Copy, files, healed []ledger.File) error {
	if _, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, _ func()) (struct{}, error) { return struct{}{}, flushAll(o.FS) }); err != nil {
		return d.burned(err)
	}
	still, ok := e.damagedOn(ctx, d, c, files)
	if !ok {
		return errors.New("it was interrupted")
	}
	if len(still) > 0 {
		return fmt.Errorf("%w: %q, in its place", offload.ErrMismatch, still[0].Path)
	}
	if len(healed) > 0 {
		w, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (mhl.Written, error) {
			return e.addGeneration(ctx, o, c.Folder, healed, step)
		})
		if err != nil {
			return d.burned(err)
		}
		c.ManifestPath, c.ManifestC4 = w.Path, w.C4
	} else if _, err := ask(ctx, &e.task, d, func(_ context.Context, o *Opened, step func()) (struct{}, error) {
		return struct{}{}, agrees(ctx, o, c, files, step)
	}); err != nil {
		return err
	}
	c.Status, c.Reason, c.Updated = ledger.CopyProven, "", moment(e.s.cfg.Now)
	if err := e.s.ledger.PutCopy(context.WithoutCancel(ctx), c); err != nil {
		e.recorderFailed(err)
		return err
	}
	delete(e.out.missed, d.identity.ID)
	e.out.healed = len(healed)
	work := healFolder + c.OffloadID
	if err := e.clearOwn(ctx, d, work, work+offload.UnfinishedSuffix, asideFolder+c.OffloadID); err != nil {
		e.s.cfg.Log.Warn("what was put aside while a copy was healed is still on the drive", "drive", d.identity.Name, "err", err)
	}
	return nil
}

// clearOwn removes folders of ours, if they are there.
func (e *errand) clearOwn(ctx context.Context, d *jobDrive, folders ...string) error {
	_, err := ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
		for _, dir := range folders {
			if err := removeBelow(ctx, o.FS, dir, step); err != nil {
				return struct{}{}, err
			}
		}
		return struct{}{}, nil
	})
	return err
}

// removeBelow removes a folder with all that is in it. It follows no link.
func removeBelow(ctx context.Context, f offload.FS, name string, step func()) error {
	if step(); ctx.Err() != nil {
		return context.Cause(ctx)
	}
	item, err := f.Lstat(name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	if item.Mode.IsDir() {
		items, err := f.List(name)
		if err != nil {
			return err
		}
		for _, below := range items {
			if err := removeBelow(ctx, f, path.Join(name, below.Name), step); err != nil {
				return err
			}
		}
	}
	return f.Remove(name)
}

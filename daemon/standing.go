package daemon

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strings"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// checkCopies looks at what attached drives really hold of this card's earlier
// offloads. A copy that is missing or changed no longer counts; one that lacked
// only its note gets it.
func (j *job) checkCopies(ctx context.Context) {
	list := j.before
	j.before = nil
	for len(list) > 0 { // it is ordered by offload
		id, n := list[0].OffloadID, 1
		for n < len(list) && list[n].OffloadID == id {
			n++
		}
		files := list[:n]
		list = list[n:]
		copies, err := j.s.ledger.Copies(ctx, id)
		if err != nil {
			j.recorderFailed(err)
			continue
		}
		for _, c := range copies {
			if d := j.driveOf(c.DriveID); d != nil && d.opened != nil {
				j.checkCopy(ctx, d, c, files)
				d.unseen = d.unseen || d.hung()
			}
		}
	}
}

func (j *job) checkCopy(ctx context.Context, d *jobDrive, c ledger.Copy, files []ledger.KnownFile) {
	switch c.Status {
	case ledger.CopyProven, ledger.CopyIncomplete:
		err := j.standsThere(ctx, d, c, files)
		if err != nil && !d.hung() && ctx.Err() == nil {
			j.lose(ctx, d, c, files, err)
		}
	case ledger.CopyFinishing:
		// Power failed, or the box, between the note and the next one: if the
		// rename was done, all that the proof rests on was durable before it. The
		// rename itself may be in memory only.
		if j.standsThere(ctx, d, c, files) != nil {
			return
		}
		if err := j.flushName(ctx, d, c.Folder); err != nil {
			if !d.hung() && ctx.Err() == nil {
				j.lose(ctx, d, c, files, err)
			}
			return
		}
		c.Status, c.Updated = ledger.CopyProven, moment(j.s.cfg.Now)
		if strings.HasSuffix(c.Folder, offload.IncompleteSuffix) {
			c.Status = ledger.CopyIncomplete
		}
		if err := j.s.ledger.PutCopy(ctx, c); err != nil {
			j.recorderFailed(err)
			return
		}
		for _, k := range files {
			if _, ok := j.known[k.Path]; ok && provenOn(k, d.identity.ID) {
				if i, ok := j.tally.find(k.Path); ok {
					j.tally.add(i, stand{d.place(), k.OffloadID})
				}
			}
		}
	}
}

// flushName makes the name durable that a copy was given.
func (j *job) flushName(ctx context.Context, d *jobDrive, folder string) error {
	_, err := ask(ctx, &j.task, d, func(_ context.Context, o *Opened, step func()) (struct{}, error) {
		return struct{}{}, offload.FlushName(o.FS, folder, func(flush func() error) error {
			defer step()
			return flush()
		})
	})
	return err
}

func provenOn(k ledger.KnownFile, driveID string) bool {
	return slices.ContainsFunc(k.On, func(p ledger.Place) bool { return p.DriveID == driveID })
}

// standsThere looks for a copy's manifest and files on a drive: names, sizes
// and the manifest's own checksum. Contents are a patrol's business.
func (j *job) standsThere(ctx context.Context, d *jobDrive, c ledger.Copy, files []ledger.KnownFile) error {
	_, err := ask(ctx, &j.task, d, func(ctx context.Context, o *Opened, step func()) (struct{}, error) {
		return struct{}{}, standsOn(ctx, o.FS, c, files, step)
	})
	return err
}

func standsOn(ctx context.Context, f offload.FS, c ledger.Copy, files []ledger.KnownFile, step func()) error {
	if c.ManifestPath != "" {
		if err := manifestStands(ctx, f, c, step); err != nil {
			return err
		}
	}
	for _, k := range files {
		if !provenOn(k, c.DriveID) {
			continue
		}
		if step(); ctx.Err() != nil {
			return context.Cause(ctx)
		}
		item, err := f.Lstat(path.Join(c.Folder, k.Path))
		if err != nil {
			return err
		}
		// The chain of a card's own history grows with every generation.
		if item.SizeBytes != k.SizeBytes && path.Base(k.Path) != mhl.ChainName {
			return fmt.Errorf("%s has %d bytes instead of %d", k.Path, item.SizeBytes, k.SizeBytes)
		}
	}
	return nil
}

// manifestStands: a copy's newest manifest is there as it was written.
func manifestStands(ctx context.Context, f offload.FS, c ledger.Copy, step func()) error {
	sum, err := sumOf(ctx, f, path.Join(c.Folder, c.ManifestPath), checksum.C4, step)
	if err == nil && sum != c.ManifestC4 {
		err = errors.New("its manifest has changed")
	}
	return err
}

// history reads what a copy's own manifests say, without their lists.
func (o *Opened) history(ctx context.Context, folder string, step func()) (*mhl.History, error) {
	root, err := o.Root.OpenRoot(folder)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	return mhl.OpenIndex(ctx, root, step)
}

// lose takes a copy out of the account that is not there any more.
func (j *job) lose(ctx context.Context, d *jobDrive, c ledger.Copy, files []ledger.KnownFile, why error) {
	j.note(state.CopyDamaged, fmt.Sprintf("%s on %s: %v", c.Folder, d.identity.Name, why))
	c.Status, c.Reason, c.Updated = ledger.CopyLost, why.Error(), moment(j.s.cfg.Now)
	j.recorderFailed(j.s.ledger.PutCopy(ctx, c))
	for _, k := range files {
		if i, ok := j.tally.find(k.Path); ok {
			j.tally.lose(i, c.DriveID)
		}
	}
}

// takeBack withdraws an earlier release that no longer rests on enough copies: a
// drive came back without what was proven on it, or cannot be looked at. Until
// the copies are there again nobody may be told to take the card out.
func (j *job) takeBack() {
	if j.releasedAlready() == "" {
		return
	}
	verdict, _, reason := offload.Judge(j.account())
	if verdict == state.Release {
		return
	}
	j.early.mu.Lock()
	j.stands = ""
	j.early.mu.Unlock()
	found := slices.Clone(j.notes)
	j.s.post(func() { j.s.takeBack(j, reason, found) })
}

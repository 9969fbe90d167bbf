package daemon

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
)

// offload runs the engine for one group; after the last one the card is not
// read again. The error is about the card.
func (j *job) offload(ctx context.Context, g group, last bool) error {
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	o, resumed, err := j.openOffload(ctx, g)
	if err != nil {
		return err
	}
	if !slices.Contains(j.out.offloadIDs, o.ID) {
		j.out.offloadIDs = append(j.out.offloadIDs, o.ID)
	}
	rec := &recorder{job: j, offload: o, group: g}
	if err := rec.Read(ctx, j.knownOf(g.plan)); err != nil {
		j.recorderFailed(err)
	}
	ej := j.engineJob(ctx, o, g)
	ej.Recorder, ej.CardDone = rec, func() { j.cardDone(rec, last) }
	ej.Damaged = func(driveID, name string) { j.copyRots(ctx, rec, driveID, name) }
	g.drives = slices.DeleteFunc(slices.Clone(g.drives), func(d *jobDrive) bool {
		e := j.engineDrive(ctx, d, o, g, resumed)
		if !d.hung() { // else it was given up while it was asked
			ej.Drives = append(ej.Drives, e)
		}
		return d.hung()
	})
	if len(g.drives) == 0 {
		return nil
	}
	j.noteBegun(ctx, o.ID, g.drives, ej.Drives)
	j.publishOffload(o, g, ej.Drives)
	watch := j.paced(o.ID, &ej)
	ej.Progress = func(p offload.Progress) {
		j.s.claims.written(&j.task, p)
		watch(p)
	}
	if err := ej.Validate(); err != nil {
		return err
	}
	res := j.s.engine(ctx, ej)
	if len(j.hashes) > 0 {
		for _, e := range g.plan.Files {
			// What no drive held the engine has read, and compared.
			j.compared[e.Path] = !slices.ContainsFunc(ej.Drives, func(d offload.Drive) bool { _, held := d.Held[e.Path]; return held })
		}
	}
	j.early.close(rec)
	return j.conclude(ctx, o, g, ej.Drives, res, last)
}

// engineJob is what the engine is to do for a group, but for the drives.
func (j *job) engineJob(ctx context.Context, o ledger.Offload, g group) offload.Job {
	ej := offload.Job{
		Card: offload.Card{FS: j.opened.FS, Medium: j.opened.Medium}, Plan: g.plan,
		Checksum: j.rule.Checksum, Verify: offload.Level(j.rule.Verify), Known: j.known, Earlier: j.hashes,
		Ignore: j.rule.Ignore, Creator: j.creator(o), Now: j.s.cfg.Now, Settle: j.s.cfg.Settle, Patience: j.s.cfg.Patience,
		Copies: j.wanted(g), Yield: func(ctx context.Context) error { return j.s.traffic.wait(ctx, j.lane) },
	}
	if j.releasedBefore() {
		ej.Card.FS = politeFS{ej.Card.FS, func() error { return ej.Yield(ctx) }}
	}
	return ej
}

// knownOf are the files of a plan whose checksums an earlier offload took. The
// engine does not report them anew, and each offload lists all that it proves.
func (j *job) knownOf(plan *offload.Plan) (list []offload.FileSum) {
	if len(j.known) == 0 {
		return nil
	}
	for _, e := range plan.Files {
		if sums, ok := j.known[e.Path]; ok {
			list = append(list, offload.FileSum{Entry: e, Checksums: sums})
		}
	}
	return list
}

func (j *job) creator(o ledger.Offload) mhl.Creator {
	c := mhl.Creator{Tool: "Bothy", Version: j.s.cfg.Version, Hostname: j.boxName}
	if len(o.RefersTo) > 0 {
		c.Comment = "The rest of this card was copied before; see " + strings.Join(o.RefersTo, ", ") + "."
	}
	return c
}

// folderName fills the rule's template. While the clock is not to be trusted
// the newest file on the card is a lower bound for now.
func (j *job) folderName() (string, error) {
	at, trusted := j.s.cfg.Now()
	if !trusted {
		nonsense := at.AddDate(100, 0, 0) // whatever the card holds: no file makes room for a later one
		for _, e := range j.plan.Files {
			if e.ModTime.After(at) && e.ModTime.Before(nonsense) {
				at = e.ModTime
			}
		}
	}
	return j.rule.FolderName(policy.FolderFacts{
		Date: j.box.Day(at), Time: j.box.Clock(at), Box: j.boxName, Label: j.dev.Label, Slot: j.dev.Slot, ClockTrusted: trusted,
	})
}

// engineDrive says to the engine how to use one drive.
func (j *job) engineDrive(ctx context.Context, d *jobDrive, o ledger.Offload, g group, resumed bool) offload.Drive {
	e := d.destination(o.Folder)
	if resumed {
		j.resume(ctx, d, o.ID, j.known, &e)
	}
	j.makeRoom(ctx, d, &e, g.plan)
	return e
}

// conclude takes the engine's result into the account. The error is about the
// card.
func (j *job) conclude(ctx context.Context, o ledger.Offload, g group, drives []offload.Drive, res offload.Result, last bool) error {
	j.recorderFailed(res.RecorderErr)
	j.loseDamaged(ctx, o, &res)
	j.s.post(func() {
		j.s.count(res)
		j.s.copiesEnded(o.ID, res)
	})
	if !last || len(j.hashes) > 0 {
		maps.Copy(j.known, res.Sums) // for the next engine, or for the card's own manifests
	}
	unsound := map[string]bool{}
	for name := range res.Unreadable {
		unsound[name] = true
	}
	for _, name := range res.Changed {
		unsound[name] = true
	}
	for i, c := range res.Copies {
		d := g.drives[i]
		d.err = c.Err
		if c.Phase == state.CopyUnfinished || c.Phase == state.CopyIncomplete {
			d.err = nil // the card's doing, not the drive's
		}
		j.noteCopy(ctx, o.ID, drives[i], c)
		if c.Phase != state.CopyProven && c.Phase != state.CopyIncomplete {
			continue
		}
		s := stand{d.place(), o.ID}
		j.tally.each(g.plan, func(i int) {
			if !unsound[j.plan.Files[i].Path] {
				j.tally.add(i, s)
			}
		})
	}
	j.blame(res)
	if len(res.Salvaged) > 0 {
		j.noteSalvages(ctx, o.ID, res.Salvaged)
	}
	if res.CardErr == nil {
		j.leaveSnapshots(ctx, g.drives)
	}
	return res.CardErr
}

// loseDamaged takes copies out of a result that were finished, and then did not
// give to another drive what had been proven there. The whole copy does not
// count any more, and its drive is not to be trusted.
func (j *job) loseDamaged(ctx context.Context, o ledger.Offload, res *offload.Result) {
	for i := range res.Copies {
		c := &res.Copies[i]
		paths := res.Damaged[c.DriveID]
		if len(paths) == 0 {
			continue
		}
		c.Phase = state.CopyFailed
		c.Err = gaveOther(paths)
		j.note(state.CopyDamaged, fmt.Sprintf("%s on %s: %v", c.Folder, c.DriveName, c.Err))
		if j.s.ledger != nil && !strings.HasPrefix(o.ID, unrecorded) {
			j.recorderFailed(j.s.ledger.RecordUnproven(context.WithoutCancel(ctx), o.ID, c.DriveID, paths))
		}
	}
}

// blame turns what the engine found about the card into faults.
func (j *job) blame(res offload.Result) {
	if summary := state.SalvageSummary(res.Salvaged); summary != "" {
		j.faults = append(j.faults, summary)
	}
	for _, s := range res.Salvaged {
		j.note(state.CardUnreadable, s.String())
	}
	for name, why := range res.Missing() {
		j.unreadable(name, why)
	}
	for _, name := range res.Changed {
		s := fmt.Sprintf("%q gave other bytes when it was read again", name)
		j.faults = append(j.faults, s)
		j.note(state.CardUnreadable, s)
	}
	for _, name := range res.HistoryBroken {
		j.historyBroken(name)
	}
	slices.Sort(j.faults)
}

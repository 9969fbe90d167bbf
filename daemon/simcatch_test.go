package daemon

import (
	"context"
	"path"
	"slices"
	"sync"

	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// catching is an engine that lets slow drives go and has them catch up from a
// finished copy of another, as far as the supervisor can tell: the needed drives
// first, then word that the card is done with, then the slow ones, which ask
// before every portion whether other work goes first. Both halves are done by
// the real engine.
type catching struct {
	slow []*simMedium // drives that fall behind
	// behind, if set, is called when a card is done with, before anything is
	// caught up.
	behind func(label string)
	// rotten, if set, says what could not be passed on, by drive.
	rotten func(offload.Job) map[string][]string
	asks   func(label string) // likewise, each time before it asks whether to go on
}

func (c *catching) run(ctx context.Context, job offload.Job) offload.Result {
	isSlow := func(d offload.Drive) bool {
		fs, ok := below(d.FS).(*simFS)
		return ok && slices.Contains(c.slow, fs.in.simMedium)
	}
	late := slices.ContainsFunc(job.Drives, isSlow) && slices.ContainsFunc(job.Drives, func(d offload.Drive) bool { return !isSlow(d) })
	if !late {
		res := offload.Run(ctx, job)
		if res.CardErr == nil && job.CardDone != nil { // else it is an errand's
			job.CardDone()
		}
		return res
	}
	first, then := job, job
	first.CardDone, first.Copies, then.CardDone, then.Copies, then.Yield = nil, 0, nil, 0, nil
	first.Drives, then.Drives = nil, nil
	for _, d := range job.Drives {
		if isSlow(d) {
			then.Drives = append(then.Drives, d)
		} else {
			first.Drives = append(first.Drives, d)
		}
	}
	shown := &halves{to: job.Progress, order: job.Drives}
	first.Progress, then.Progress = shown.first, shown.second
	done := offload.Run(ctx, first)
	source := slices.IndexFunc(done.Copies, func(c offload.CopyResult) bool { return c.Phase == state.CopyProven })
	if done.CardErr != nil || source < 0 {
		then.Drives = nil
	} else {
		job.CardDone()
		label := below(first.Card.FS).(*simFS).in.label
		if c.behind != nil {
			c.behind(label)
		}
		if c.rotten != nil && job.Damaged != nil {
			for driveID, names := range c.rotten(job) {
				job.Damaged(driveID, names[0])
			}
		}
		then.Card = offload.Card{FS: &copyFS{first.Drives[source].FS, done.Copies[source].Folder, func() error {
			if c.asks != nil {
				c.asks(label)
			}
			return job.Yield(ctx)
		}}}
	}
	caught := offload.Run(ctx, then)
	res := joined(job, done, caught)
	if c.rotten != nil {
		res.Damaged = c.rotten(job)
	}
	return res
}

// joined puts the results of both halves in the order of the job's drives.
func joined(job offload.Job, done, caught offload.Result) offload.Result {
	all := append(done.Copies, caught.Copies...)
	done.Copies = nil
	for _, d := range job.Drives {
		i := slices.IndexFunc(all, func(c offload.CopyResult) bool { return c.DriveID == d.ID })
		if i < 0 {
			done.Copies = append(done.Copies, offload.CopyResult{DriveID: d.ID, DriveName: d.Name, Folder: d.Folder, Phase: state.CopyUnfinished, Err: done.CardErr})
			continue
		}
		done.Copies = append(done.Copies, all[i])
	}
	if done.CardErr == nil {
		done.CardErr = caught.CardErr
	}
	return done
}

// halves shows the progress of both as that of one.
type halves struct {
	to    func(offload.Progress)
	order []offload.Drive

	mu   sync.Mutex
	last offload.Progress // guarded by mu; of the first half
}

func (h *halves) first(p offload.Progress) {
	h.mu.Lock()
	h.last = p
	h.mu.Unlock()
	h.to(p)
}

func (h *halves) second(p offload.Progress) {
	h.mu.Lock()
	p.BytesRead, p.Copies = h.last.BytesRead, append(slices.Clone(h.last.Copies), p.Copies...)
	h.mu.Unlock()
	h.to(p)
}

// copyFS is a finished copy that is read as if it were the card.
type copyFS struct {
	offload.FS
	folder string
	yield  func() error
}

func (f *copyFS) Open(name string) (offload.Source, error) {
	if err := f.yield(); err != nil {
		return nil, err
	}
	return f.FS.Open(path.Join(f.folder, name))
}

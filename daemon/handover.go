package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

// handOver fills a shuttle with what is chosen: each offload in a folder of its
// own, proven against the checksums taken when the card was read, from the best
// copies that are there. Whether all of it fits is known before the first byte.
func (e *errand) handOver(ctx context.Context) {
	d := e.driveOf(e.piece.to[0])
	e.out.handed = &status.HandedOver{Drive: d.identity.Name, Selected: e.piece.selection.Text()}
	list, err := e.chosenOffloads(ctx)
	switch {
	case d.opened == nil:
		err = cmpErr(d.err, errGiveWay)
	case err == nil:
		err = e.measure(ctx, d, list)
	}
	if err != nil {
		e.out.err = err
		if len(e.out.unhanded) == 0 { // else it would be begun again at once
			for _, w := range list {
				e.lackStays(w.ID, err.Error())
			}
		}
		return
	}
	e.tidy(ctx, d)
	for _, w := range list {
		if ctx.Err() != nil || d.hung() || d.err != nil {
			break
		}
		h, err := e.survey(ctx, d, w)
		if err != nil {
			e.lackStays(w.ID, err.Error())
			continue
		}
		e.handOne(ctx, d, h)
	}
	if ctx.Err() != nil {
		e.out.err = context.Cause(ctx)
		return
	}
	if d.err == nil {
		e.leaveDelivery(ctx, d, list)
	}
	e.out.err = d.err
}

// chosenOffloads are those of which something may be chosen, oldest first.
func (e *errand) chosenOffloads(ctx context.Context) (list []ledger.Whereabouts, err error) {
	all, err := e.s.ledger.Whereabouts(ctx)
	if err != nil {
		e.recorderFailed(err)
		return nil, err
	}
	keys := map[string]bool{}
	for _, w := range all {
		if w.Status == ledger.OffloadVoid || e.piece.skip[w.ID] || !e.piece.selection.Takes(e.box.Day(w.Started.Wall), w.CardLabel, w.Folder) {
			continue
		}
		list = append(list, w)
		keys[w.CardKey] = true
	}
	delete(keys, "")
	e.cards.Store(&keys)
	return list, nil
}

// measure refuses what does not fit.
func (e *errand) measure(ctx context.Context, d *jobDrive, list []ledger.Whereabouts) error {
	need, lacking := int64(0), []string(nil)
	for _, w := range list {
		if e.yield(ctx) != nil {
			return context.Cause(ctx)
		}
		h, err := e.survey(ctx, d, w)
		if err != nil {
			e.lackStays(w.ID, err.Error())
			return err
		}
		if len(h.chosen)+len(h.lost) == 0 {
			continue
		}
		e.out.handed.Offloads++
		e.out.handed.Files += len(h.chosen)
		if h.level() {
			e.out.handed.Already += len(h.chosen)
			continue
		}
		held := map[string]offload.Checksums{}
		if h.stand.unfinished {
			for name := range h.proven {
				held[name] = offload.Checksums{}
			}
		}
		plan := h.lacks()
		if !h.goesOn() { // all that is chosen goes into a folder of its own
			h.stand = standingFolder{}
			plan = h.lacks()
		}
		need += offload.RoomFor(plan, held)
		e.bytes += plan.Bytes
		lacking = append(lacking, w.ID)
	}
	bytes, files := e.bytes, e.out.handed.Files
	e.s.post(func() { e.s.errandMeasured(e, files, bytes) })
	if len(lacking) == 0 {
		return nil
	}
	free, err := ask(ctx, &e.task, d, freeBytes)
	if err != nil {
		return err
	}
	if room := max(0, free-d.rule.ReserveBytes); need > room {
		short := &offload.NoRoomError{NeedBytes: need, FreeBytes: room, ReserveBytes: d.rule.ReserveBytes}
		err := fmt.Errorf("%w; free %s on %s, choose less, or attach a larger shuttle", short, offload.Bytes(short.ShortBytes()), d.identity.Name)
		for _, id := range lacking {
			e.lackStays(id, err.Error())
		}
		return err
	}
	return nil
}

const cutShort = "it was interrupted"

// lackStays says why the shuttle still lacks what is chosen of an offload.
func (e *errand) lackStays(offloadID, why string) {
	if e.out.unhanded == nil {
		e.out.unhanded = map[string]string{}
	}
	e.out.unhanded[offloadID] = why
}

// undelivered says of chosen files that they are not on the shuttle.
func (e *errand) undelivered(h *handing, whats ...string) {
	r := e.out.handed
	for _, what := range whats {
		r.Missing++
		if len(r.Undelivered) < status.MaxRefused {
			r.Undelivered = append(r.Undelivered, h.w.Folder+": "+what)
		}
	}
	if len(whats) > 0 {
		e.lackStays(h.w.ID, whats[0])
	}
}

// handOne brings the shuttle what is chosen of one offload.
func (e *errand) handOne(ctx context.Context, d *jobDrive, h *handing) {
	e.undelivered(h, h.lost...)
	if unknown := h.w.Files - len(h.files) - len(h.w.Salvaged); unknown > 0 && len(h.chosen) > 0 {
		e.undelivered(h, fmt.Sprintf("%s of the card were never read whole; whether they are chosen cannot be told", state.Count(unknown, "file")))
	}
	if len(h.chosen) == 0 || h.level() {
		return
	}
	if e.out.unhanded[h.w.ID] == "" {
		e.lackStays(h.w.ID, cutShort)
	}
	if !e.s.claims.offload(&e.task, h.w.ID) {
		e.undelivered(h, "the card itself is being worked on")
		return
	}
	e.piece.offload = h.w.Offload // what judgeSources speaks of
	ej := e.engineJob(h.w.Checksum)
	if err := e.planHanding(ctx, h, &ej); err != nil {
		e.recorderFailed(err)
		e.lackStays(h.w.ID, err.Error())
		return
	}
	e.prune(h, &ej)
	lacking := pathsOf(h.lacking())
	if len(lacking) > 0 && !slices.ContainsFunc(ej.Plan.Files, func(f offload.Entry) bool { return lacking[f.Path] }) {
		return // none of it can be had
	}
	name, err := e.makeReady(ctx, d, h)
	if err != nil {
		e.undelivered(h, "its folder on the shuttle cannot be gone on with: "+err.Error())
		return
	}
	e.carry(ctx, d, h, ej, name)
}

// carry runs the engine, and again without the files that no copy gives.
func (e *errand) carry(ctx context.Context, d *jobDrive, h *handing, ej offload.Job, name string) {
	for {
		e.prune(h, &ej)
		if !slices.ContainsFunc(ej.Plan.Files, func(f offload.Entry) bool { return !f.InHistory }) {
			e.dropWork(ctx, d, h, name)
			return // none of it can be had
		}
		if !h.whole && !strings.HasPrefix(name, h.w.Folder+offload.PartSuffix) {
			var err error
			if name, err = e.callPart(ctx, d, h, name); err != nil {
				e.lackStays(h.w.ID, err.Error())
				return
			}
		}
		if ej.Creator.Comment = copiedFromDrive; !h.whole {
			ej.Creator.Comment = "A chosen part of what the card held. " + copiedFromDrive
		}
		to := e.shuttleDrive(ctx, d, h, ej, name)
		ej.Drives = []offload.Drive{to}
		counts := h.whole && d.rule.Counts && h.stand.history == nil
		ej.Recorder = handedRecorder{errandRecorder{&e.task, h.w.ID, pathsOf(h.files)}, counts}
		if ctx.Err() != nil {
			return
		}
		e.noteBegun(ctx, h.w.ID, []*jobDrive{d}, ej.Drives)
		ej.Progress = e.carried()
		ej.Damaged = e.damagedNow(ctx, ej.Recorder.(errandAccount))
		res := e.s.engine(ctx, ej)
		e.recorderFailed(res.RecorderErr)
		e.s.post(func() { e.s.countCopies(res) })
		e.judgeSources(ctx, ej, res)
		c := res.Copies[0]
		e.noteCopy(ctx, h.w.ID, to, c)
		switch {
		case c.Phase == state.CopyProven:
			e.done += ej.Plan.Bytes
			e.out.handedIDs = append(e.out.handedIDs, h.w.ID)
			if e.out.unhanded[h.w.ID] == cutShort {
				delete(e.out.unhanded, h.w.ID)
			}
			e.out.handed.Delivered += len(h.lacking()) - e.missingOf(h, ej)
			e.out.counting = e.out.counting || counts
			return
		case c.Phase == state.CopyUnfinished && ctx.Err() == nil && dropDamaged(&ej, res):
			continue
		case c.Phase != state.CopyUnfinished && c.Phase != state.CopyRefused:
			d.err = c.Err
		}
		if ctx.Err() == nil {
			e.undelivered(h, c.Err.Error())
		}
		return
	}
}

// missingOf counts the chosen files that were left out.
func (e *errand) missingOf(h *handing, ej offload.Job) int {
	n := len(h.chosen)
	for _, f := range ej.Plan.Files {
		if h.chosen[f.Path] {
			n--
		}
	}
	return n
}

// dropDamaged takes from the sources what they did not give, and reports whether
// there was anything.
func dropDamaged(ej *offload.Job, res offload.Result) (some bool) {
	for i := range ej.From {
		for _, name := range res.Damaged[ej.From[i].ID] {
			if _, ok := ej.From[i].Held[name]; ok {
				delete(ej.From[i].Held, name)
				some = true
			}
		}
	}
	return some
}

// prune takes files out of the plan that no copy gives and that are not on the
// shuttle, and says so of the chosen ones.
func (e *errand) prune(h *handing, ej *offload.Job) {
	goesOn := h.goesOn()
	gives := func(f offload.Entry) bool {
		_, own := h.stand.sums[f.Path]
		return own || goesOn && h.proven[f.Path] || slices.ContainsFunc(ej.From, func(d offload.Drive) bool { _, ok := d.Held[f.Path]; return ok })
	}
	var gone []string
	for _, f := range ej.Plan.Files {
		if gives(f) {
			continue
		}
		if h.chosen[f.Path] {
			gone = append(gone, f.Path+": no copy that is here gives it as the card did")
		}
		h.whole = false
	}
	if h.whole {
		return
	}
	e.undelivered(h, gone...)
	own := h.stand.sums
	ej.Plan = ej.Plan.Only(func(f offload.Entry) bool {
		_, ours := own[f.Path]
		return gives(f) && (ours || !f.InHistory)
	})
}

// carried shows how far it is.
func (e *errand) carried() func(offload.Progress) {
	before := e.done
	return func(p offload.Progress) {
		e.s.claims.written(&e.task, p)
		if e.bytes > 0 {
			e.tell(float64(before+(p.Copies[0].BytesWritten+p.Copies[0].BytesProven)/2) / float64(e.bytes))
		}
	}
}

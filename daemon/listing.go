package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
)

// list makes the plan of the whole card and reads the manifests it brings.
func (j *job) list(ctx context.Context) error {
	ignore, err := mhl.ParseIgnore(append(mhl.DefaultIgnore(), j.rule.Ignore...))
	if err != nil {
		return fmt.Errorf("the rule's ignore patterns: %w", err)
	}
	if j.plan, err = offload.NewPlan(ctx, j.opened.FS, ignore); err != nil {
		return err
	}
	if j.plan.Unlisted > 0 { // or is that because it is gone?
		if gone := j.stillThere(); gone != nil {
			return gone
		}
	}
	j.out.files, j.out.bytes = len(j.plan.Files), j.plan.Bytes
	if n := j.plan.Held(); n > 0 {
		sentence := leftOutSentence(j.plan, n)
		j.faults = append(j.faults, sentence)
		j.note(state.CardEntriesLeft, sentence)
	}
	if !j.plan.HasHistory() {
		return nil
	}
	step, done := j.opened.stepping()
	history, err := mhl.OpenIndex(ctx, j.opened.Root, step)
	done()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err != nil {
		// They cannot be gone on with: the rest is copied, and the card is held.
		j.plan = withoutHistories(j.plan)
		j.faults = append(j.faults, "the card's own manifests are damaged: "+err.Error())
		j.note(state.CardHistoryBroken, err.Error())
		return nil
	}
	j.hashes = earlierHashes(history, j.plan)
	return nil
}

// withoutHistories is a plan that leaves the card's own manifests where they are.
func withoutHistories(p *offload.Plan) *offload.Plan {
	part := &offload.Plan{LeftOut: slices.Clone(p.LeftOut)}
	for _, e := range p.Files {
		if e.InHistory {
			part.LeftOut = append(part.LeftOut, offload.LeftOut{Path: e.Path, Why: "the card's own manifests are damaged"})
			continue
		}
		part.Files = append(part.Files, e)
		part.Bytes += e.SizeBytes
	}
	for _, d := range p.Dirs {
		if !slices.Contains(strings.Split(d.Path, "/"), mhl.FolderName) {
			part.Dirs = append(part.Dirs, d)
		}
	}
	return part
}

func leftOutSentence(p *offload.Plan, n int) string {
	for _, l := range p.LeftOut {
		if !l.Ignored {
			s := fmt.Sprintf("%q is not in the copies: %s", l.Path, l.Why)
			if n > 1 {
				s += fmt.Sprintf("; and %d more", n-1)
			}
			return s
		}
	}
	return ""
}

// leftOutSentences says of each thing that no copy holds why, at most
// state.MaxLeftOut, and then how many more there are.
func leftOutSentences(p *offload.Plan) (list []string) {
	for _, l := range p.LeftOut {
		if len(list) == state.MaxLeftOut {
			return append(list, fmt.Sprintf("and %d more", len(p.LeftOut)-state.MaxLeftOut))
		}
		list = append(list, fmt.Sprintf("%q: %s", l.Path, l.Why))
	}
	return list
}

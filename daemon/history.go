package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"

	"bothy/daemon/checksum"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// earlierHashes are the values that the card's manifests give for its files.
func earlierHashes(h *mhl.History, p *offload.Plan) map[string]map[string]string {
	all := map[string]map[string]string{}
	for _, e := range p.Files {
		for _, k := range h.Latest(e.Path) {
			if all[e.Path] == nil {
				all[e.Path] = map[string]string{}
			}
			if _, ok := all[e.Path][k.Algorithm]; !ok { // the newest counts
				all[e.Path][k.Algorithm] = k.Value
			}
		}
	}
	return all
}

// compareHistory holds those files against the card's own manifests that the
// engine did not: files that stand proven from an earlier run, which says
// nothing of whether they were whole when they came. Where an earlier release
// or the checksum at hand does not vouch for a file, the card is read.
func (j *job) compareHistory(ctx context.Context) error {
	if len(j.hashes) == 0 {
		return nil
	}
	var buf []byte
	for i, e := range j.plan.Files {
		earlier := j.hashes[e.Path]
		if len(earlier) == 0 || j.compared[e.Path] || j.vouched[e.Path] || len(j.tally.stands(i)) == 0 {
			continue // the last: proven nowhere, it releases nothing
		}
		sums := map[string]string{j.rule.Checksum: j.known[e.Path].Sum}
		if _, ok := earlier[j.rule.Checksum]; !ok || len(earlier) > 1 {
			if buf == nil {
				buf = volume.AlignedBuffer(1 << 20)
			}
			var err error
			if sums, err = j.hashCard(ctx, e, earlier, buf); err != nil {
				return err
			}
			if sums == nil {
				continue // it cannot be read, and that is a fault already
			}
		}
		for algorithm, value := range earlier {
			if sum, ok := sums[algorithm]; ok && !checksum.Equal(algorithm, sum, value) {
				j.historyBroken(e.Path)
				break
			}
		}
	}
	return nil
}

// hashCard reads one file of the card with the algorithms of its manifests. An
// error says that the card is gone; without sums the file cannot be read.
func (j *job) hashCard(ctx context.Context, e offload.Entry, earlier map[string]string, buf []byte) (map[string]string, error) {
	hashes := map[string]checksum.Hash{}
	for algorithm := range earlier {
		if h, err := checksum.New(algorithm); err == nil {
			hashes[algorithm] = h
		}
	}
	err := func() error {
		src, err := j.opened.FS.Open(e.Path)
		if err != nil {
			return err
		}
		defer src.Close()
		for at := int64(0); at < e.SizeBytes; {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			n, err := src.ReadAt(buf, at)
			if n == 0 || err != nil && !errors.Is(err, io.EOF) {
				return fmt.Errorf("read at byte %d: %w", at, err)
			}
			for _, h := range hashes {
				h.Write(buf[:n]) // a hash never fails
			}
			at += int64(n)
		}
		return nil
	}()
	if ctx.Err() != nil {
		return nil, context.Cause(ctx)
	}
	if err != nil {
		if gone := j.stillThere(); gone != nil {
			return nil, gone
		}
		j.unreadable(e.Path, err.Error())
		return nil, nil
	}
	sums := map[string]string{}
	for algorithm, h := range hashes {
		sums[algorithm] = h.Sum()
	}
	return sums, nil
}

func (j *job) historyBroken(name string) {
	s := fmt.Sprintf("%q does not agree with the card's own manifest", name)
	j.faults = append(j.faults, s)
	j.note(state.CardHistoryBroken, s)
}

func (j *job) unreadable(name, why string) {
	s := fmt.Sprintf("%q cannot be read: %s", name, why)
	j.faults = append(j.faults, s)
	j.note(state.CardUnreadable, s)
}

package daemon

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/volume"
	"bothy/udev"
)

// cardKey recognises a card when it comes again; a card without an identity of
// its own is never recognised.
func (j *job) cardKey() string { return cardKey(j.dev) }

func cardKey(dev udev.Device) string {
	if dev.UUID == "" || !keepable(dev.UUID) {
		return ""
	}
	return fmt.Sprintf("%s:%s:%d", dev.FSType, dev.UUID, dev.SizeBytes)
}

// keepable reports whether the ledger can keep what a device says of itself.
func keepable(s string) bool { return utf8.ValidString(s) && !strings.ContainsRune(s, 0) }

// recognise finds files that were read from this card before. Name, size and
// time must agree, and so must a sample of the content: a camera whose clock
// was reset gives other pictures the same names and times.
func (j *job) recognise(ctx context.Context) error {
	j.known, j.tally = map[string]offload.Checksums{}, newTally(j.plan)
	j.compared, j.vouched = map[string]bool{}, map[string]bool{}
	if j.s.ledger == nil {
		return nil
	}
	var err error
	if j.before, err = j.s.ledger.KnownFiles(ctx, j.cardKey()); err != nil {
		j.recorderFailed(err)
		return nil // nothing is recognised: the card is copied anew
	}
	if len(j.before) == 0 {
		return nil
	}
	samples := make([]string, len(j.plan.Files)) // empty: not taken yet
	block := volume.AlignedBuffer(checksum.SampleBlockBytes)
	for _, k := range j.before {
		i, ok := j.tally.find(k.Path)
		if !ok {
			continue
		}
		e := j.plan.Files[i]
		if k.Algorithm != j.rule.Checksum || k.SizeBytes != e.SizeBytes || k.Sample == "" || !sameTime(k.ModTime, e.ModTime) {
			continue
		}
		if samples[i] == "" {
			if samples[i], err = j.sample(ctx, e, block); err != nil {
				return err
			}
		}
		if samples[i] != k.Sample {
			continue
		}
		if c, ok := j.known[e.Path]; ok && c.Sum != k.Checksum {
			continue // two earlier readings differ; the newest counts
		}
		j.known[e.Path] = offload.Checksums{Sum: k.Checksum, Sample: samples[i]}
		j.remember(i, k)
	}
	return j.vouch(ctx)
}

// vouch finds the files of which an earlier release says that they agree with
// the card's own manifests.
func (j *job) vouch(ctx context.Context) error {
	if len(j.hashes) == 0 {
		return nil
	}
	released := map[string]bool{}
	for _, k := range j.before {
		if _, ok := released[k.OffloadID]; !ok {
			o, err := j.s.ledger.Offload(ctx, k.OffloadID)
			j.recorderFailed(err)
			released[k.OffloadID] = err == nil && o.Verdict == string(state.Release)
		}
		if c, ok := j.known[k.Path]; ok && c.Sum == k.Checksum && c.Sample == k.Sample && released[k.OffloadID] {
			j.vouched[k.Path] = true
		}
	}
	return nil
}

func sameTime(a, b time.Time) bool { return a.Equal(b) }

func (j *job) remember(i int, k ledger.KnownFile) {
	for _, p := range k.On {
		if p.CopyStatus == ledger.CopyProven || p.CopyStatus == ledger.CopyIncomplete {
			j.tally.add(i, stand{offload.Place{DriveID: p.DriveID, DiskKey: p.DiskKey}, k.OffloadID})
		}
	}
}

func (j *job) sample(ctx context.Context, e offload.Entry, block []byte) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", context.Cause(ctx)
	}
	src, err := j.opened.FS.Open(e.Path)
	if err != nil {
		return "unreadable", j.stillThere()
	}
	defer src.Close()
	s, err := checksum.SampleReaderAt(src, e.SizeBytes, block)
	if err != nil {
		return "unreadable", j.stillThere()
	}
	return s, nil
}

// referred lists the earlier offloads that hold what this one does not copy.
func (j *job) referred(plan *offload.Plan) []string {
	if len(plan.Files) == len(j.plan.Files) {
		return nil
	}
	copied := make([]bool, len(j.plan.Files))
	j.tally.each(plan, func(i int) { copied[i] = true })
	var ids []string
	for i := range j.plan.Files {
		stands := j.tally.stands(i)
		if copied[i] || len(stands) == 0 {
			continue
		}
		if id := stands[len(stands)-1].offloadID; !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.SortFunc(ids, strings.Compare)
	return ids
}

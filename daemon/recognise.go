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
	j.known, j.refers = map[string]offload.Checksums{}, map[string]string{}
	j.places, j.on = map[string][]offload.Place{}, map[string]map[string]bool{}
	j.compared, j.vouched = map[string]bool{}, map[string]bool{}
	if j.s.ledger == nil {
		return nil
	}
	list, err := j.s.ledger.KnownFiles(ctx, j.cardKey())
	if err != nil {
		j.recorderFailed(err)
		return nil // nothing is recognised: the card is copied anew
	}
	entries := map[string]offload.Entry{}
	for _, e := range j.plan.Files {
		entries[e.Path] = e
	}
	samples, released := map[string]string{}, map[string]bool{}
	block := volume.AlignedBuffer(checksum.SampleBlockBytes)
	for _, k := range list {
		e, ok := entries[k.Path]
		if !ok || k.Algorithm != j.rule.Checksum || k.SizeBytes != e.SizeBytes || k.Sample == "" || !sameTime(k.ModTime, e.ModTime) {
			continue
		}
		if samples[k.Path] == "" {
			if samples[k.Path], err = j.sample(ctx, e, block); err != nil {
				return err
			}
		}
		if samples[k.Path] != k.Sample {
			continue
		}
		if c, ok := j.known[k.Path]; ok && c.Sum != k.Checksum {
			continue // two earlier readings differ; the newest counts
		}
		j.known[k.Path] = offload.Checksums{Sum: k.Checksum, Sample: k.Sample}
		j.remember(k)
		if done, ok := released[k.OffloadID]; !ok {
			o, err := j.s.ledger.Offload(ctx, k.OffloadID)
			j.recorderFailed(err)
			released[k.OffloadID] = err == nil && o.Verdict == string(state.Release)
			j.vouched[k.Path] = j.vouched[k.Path] || released[k.OffloadID]
		} else {
			j.vouched[k.Path] = j.vouched[k.Path] || done
		}
	}
	return nil
}

func sameTime(a, b time.Time) bool { return a.Equal(b) }

func (j *job) remember(k ledger.KnownFile) {
	for _, p := range k.On {
		if p.CopyStatus != ledger.CopyProven && p.CopyStatus != ledger.CopyIncomplete {
			continue
		}
		j.places[k.Path] = append(j.places[k.Path], offload.Place{DriveID: p.DriveID, DiskKey: p.DiskKey})
		if j.on[p.DriveID] == nil {
			j.on[p.DriveID] = map[string]bool{}
		}
		j.on[p.DriveID][k.Path] = true
		j.refers[k.Path] = k.OffloadID
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
	copied := map[string]bool{}
	for _, e := range plan.Files {
		copied[e.Path] = true
	}
	var ids []string
	for name, id := range j.refers {
		if !copied[name] && !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	slices.SortFunc(ids, strings.Compare)
	return ids
}

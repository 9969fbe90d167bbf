package daemon

import (
	"context"
	"strings"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

// noteSalvages records which bytes of an offload's files are missing. A run that
// went on with the offload has said it anew.
func (j *job) noteSalvages(ctx context.Context, id string, list []state.Salvage) {
	if j.s.ledger == nil || strings.HasPrefix(id, unrecorded) {
		return
	}
	kept := make([]ledger.Salvage, 0, len(list))
	for _, s := range list {
		k := ledger.Salvage{
			Path: s.Path, As: s.As, SizeBytes: s.SizeBytes, MissingBytes: s.MissingBytes, MoreRanges: s.MoreRanges, MoreFiles: s.MoreFiles,
		}
		for _, r := range s.Missing {
			k.Missing = append(k.Missing, [2]int64{r.From, r.To})
		}
		kept = append(kept, k)
	}
	j.recorderFailed(j.s.ledger.RecordSalvages(context.WithoutCancel(ctx), id, kept))
}

// shownSalvages turns what the ledger has of them into what is shown.
func shownSalvages(list []ledger.Salvage) (shown []state.Salvage) {
	for _, k := range list {
		s := state.Salvage{
			Path: k.Path, As: k.As, SizeBytes: k.SizeBytes, MissingBytes: k.MissingBytes, MoreRanges: k.MoreRanges, MoreFiles: k.MoreFiles,
		}
		for _, r := range k.Missing {
			s.Missing = append(s.Missing, state.ByteRange{From: r[0], To: r[1]})
		}
		shown = append(shown, s)
	}
	return shown
}

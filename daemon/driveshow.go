package daemon

import (
	"context"
	"sort"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
)

// drivesToShow are the attached drives and those the ledger remembers.
func (s *supervisor) drivesToShow(now time.Time, trusted bool) []state.Drive {
	counts := map[string]ledger.Drive{}
	for _, r := range s.remembered {
		counts[r.ID] = r
	}
	var list []state.Drive
	shown := map[string]bool{}
	for _, d := range s.drives {
		list = append(list, state.Drive{
			ID: d.identity.ID, Name: d.subject(), Device: d.dev.Name, Path: d.path, Slot: d.dev.Slot, Rule: d.rule.Name,
			FSType: d.dev.FSType, Attached: true, InUse: s.inUse(d), Full: d.full, Failing: d.failing,
			Refused: d.refused, Reason: d.reason, Retired: s.retired.has(d.identity.ID), Formerly: s.formerly[d.identity.ID], Health: d.healthShown(), SizeBytes: d.sizeBytes, FreeBytes: d.freeBytes,
			Copies: s.copyCount[d.identity.ID], Room: s.roomFor(d, now, trusted), LastSeenAt: counts[d.identity.ID].LastSeen.Wall,
			OldestProof: s.proofAges[d.identity.ID].Oldest.Wall, Undated: s.proofAges[d.identity.ID].Undated,
		})
		shown[d.identity.ID] = true
	}
	for _, r := range s.remembered {
		if shown[r.ID] {
			continue
		}
		list = append(list, state.Drive{
			ID: r.ID, Name: r.Name, Retired: s.retired.has(r.ID), Formerly: s.formerly[r.ID], FSType: r.FSType, SizeBytes: r.SizeBytes, FreeBytes: r.FreeBytes,
			Copies: s.copyCount[r.ID], Room: s.roomOn(r.ID, r.FreeBytes, now, trusted), LastSeenAt: r.LastSeen.Wall,
			OldestProof: s.proofAges[r.ID].Oldest.Wall, Undated: s.proofAges[r.ID].Undated,
		})
	}
	sort.SliceStable(list, func(i, k int) bool {
		if list[i].Attached != list[k].Attached {
			return list[i].Attached
		}
		return list[i].Name < list[k].Name
	})
	return list
}

// recallDrives reads from the ledger which drives are known, and how much came
// in the last days.
func (s *supervisor) recallDrives(ctx context.Context) {
	if s.ledger == nil {
		return
	}
	list, err := s.ledger.Drives(ctx)
	s.ledgerResult(err)
	if err != nil {
		return
	}
	s.remembered = list
	s.retired.known(list)
	s.recallLately(ctx)
	s.recallNames(ctx)
	s.copyCount, s.proofAges = map[string]int{}, map[string]ledger.ProofAges{}
	for _, d := range list {
		n, err := s.ledger.DriveCopyCount(ctx, d.ID)
		s.ledgerResult(err)
		s.copyCount[d.ID] = n
		ages, err := s.ledger.ProofAges(ctx, d.ID)
		s.ledgerResult(err)
		s.proofAges[d.ID] = ages
	}
}

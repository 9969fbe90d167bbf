package daemon

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/policy"
)

// judge draws up the account and gives the verdict. Before a release the card
// must confirm once more that it is the one that was read; one that was released
// and let go has done so.
func (j *job) judge(ctx context.Context) outcome {
	account := j.account()
	verdict, kind, reason := offload.Judge(account)
	if verdict == state.Release && !j.cardFree() {
		if err := j.stillThere(); err != nil {
			return j.cardErr(ctx, err)
		}
	}
	j.out.verdict, j.out.holdKind, j.out.reason, j.out.findings = verdict, kind, reason, j.notes
	j.out.basis = basisOf(account)
	status := ledger.OffloadOpen
	if verdict == state.Release {
		status = ledger.OffloadDone
	}
	j.update(ctx, status)
	return j.out
}

func (j *job) account() offload.Account {
	return j.accountWith(bySet(j.tally, j.livePlaces))
}

// accountWith is the account with the places of each file as given; files that
// stand in the same places are to be given one slice.
func (j *job) accountWith(places func(i int) []offload.Place) offload.Account {
	a := offload.Account{Copies: j.box.Copies, Places: make([][]offload.Place, len(j.plan.Files)), Faults: j.faults}
	if j.rule.Verify == policy.VerifySize {
		a.Faults = append(a.Faults, "its rule asks for no reading back, and copies that were not read back release no card")
	}
	for i := range a.Places {
		a.Places[i] = places(i)
	}
	for _, name := range j.retiredBelow() {
		a.Outlook = append(a.Outlook, retiredSentence(name))
	}
	for _, d := range j.drives {
		if d.err != nil {
			a.Outlook = append(a.Outlook, fmt.Sprintf("%s: %v%s", d.identity.Name, d.err, remedy(d)))
		}
		if d.rule.WhenFull == policy.FullHold && errors.Is(d.err, offload.ErrDriveFull) {
			a.Wants = append(a.Wants, fmt.Sprintf("its rule wants the card on %s: %v%s", d.identity.Name, d.err, remedy(d)))
		}
	}
	return a
}

// remedy says what would make room for a card.
func remedy(d *jobDrive) string {
	var short *offload.NoRoomError
	if !errors.As(d.err, &short) {
		return ""
	}
	return fmt.Sprintf("; free %s on %s, or attach another drive", offload.Bytes(short.ShortBytes()), d.identity.Name)
}

// livePlaces fills in what only the attached drives can tell. A drive that is
// there and cannot be looked at vouches for nothing, nor does one that is retired;
// one that is away counts by what is known of it.
func (j *job) livePlaces(stands []stand) []offload.Place {
	live := make([]offload.Place, 0, len(stands))
	for _, s := range stands {
		p := s.Place
		if j.s.retired.has(p.DriveID) {
			continue
		}
		if d := j.driveOf(p.DriveID); d != nil {
			p = d.place()
			if d.opened == nil || d.unseen {
				continue
			}
		} else if j.unfit[p.DriveID] {
			continue
		}
		live = withPlace(live, p)
	}
	return live
}

// retiredBelow names the retired drives that hold files of the card.
func (j *job) retiredBelow() (names []string) {
	for _, set := range j.tally.sets {
		for _, s := range set {
			if name := j.s.retired.name(s.DriveID); name != "" && !slices.Contains(names, name) {
				names = append(names, name)
			}
		}
	}
	return names
}

// withPlace adds a place, unless the drive is there already.
func withPlace(places []offload.Place, p offload.Place) []offload.Place {
	if slices.ContainsFunc(places, func(q offload.Place) bool { return q.DriveID == p.DriveID }) {
		return places
	}
	return append(places, p)
}

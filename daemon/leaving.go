package daemon

import (
	"context"
	"slices"

	"bothy/daemon/ledger"
	"bothy/daemon/offload"
	"bothy/daemon/status"
)

// leaving finds out what would be left if a drive left for good. It runs on the
// goroutine of whoever asks, and believes what judges believe: proven copies on
// disks that can be told apart.
type leaving struct {
	ledger  *ledger.Ledger
	retired *retired
	driveID string
	copies  int                 // that are needed
	disks   map[string][]string // of attached drives in order, by id

	drives map[string]ledger.Drive
	list   []ledger.Whereabouts
	cards  map[string]int // how many offloads there are, by card key
}

func (l *leaving) find(ctx context.Context, r *status.Retirement) error {
	drives, err := l.ledger.Drives(ctx)
	if err != nil {
		return err
	}
	if l.list, err = l.ledger.Whereabouts(ctx); err != nil {
		return err
	}
	l.drives, l.cards = map[string]ledger.Drive{}, map[string]int{}
	for _, d := range drives {
		l.drives[d.ID] = d
	}
	for _, w := range l.list {
		l.cards[w.CardKey]++
	}
	for _, w := range slices.Backward(l.list) {
		if holds(w, l.driveID) == "" && !spoilt(w, l.driveID) {
			continue
		}
		if holds(w, l.driveID) != "" {
			r.Copies++
		}
		left, err := l.offload(ctx, w)
		if err != nil {
			return err
		}
		if left.Files == 0 {
			continue
		}
		r.Files += left.Files
		r.SizeBytes += left.SizeBytes
		if len(r.Below) == status.MaxLeaving {
			r.More++
			continue
		}
		r.Below = append(r.Below, left)
	}
	return nil
}

// counts: a copy with this status vouches for those of its files that are proven.
func counts(copyStatus string) bool {
	return copyStatus == ledger.CopyProven || copyStatus == ledger.CopyIncomplete
}

// offload tells what would be left of one; no files when all is well.
func (l *leaving) offload(ctx context.Context, w ledger.Whereabouts) (status.Leaving, error) {
	left := status.Leaving{OffloadID: w.ID, CardLabel: w.CardLabel, Folder: w.Folder, Started: w.Started.Wall, On: []string{}, Unproven: []string{}}
	var whole []offload.Place // of copies that are proven whole
	for _, c := range w.Copies {
		if c.DriveID == l.driveID || l.retired.has(c.DriveID) {
			continue
		}
		switch c.Status {
		case ledger.CopyProven:
			whole = append(whole, l.place(c.DriveID))
		case ledger.CopyUnproven:
			left.Unproven = append(left.Unproven, l.drives[c.DriveID].Name)
		}
	}
	if offload.Distinct(whole) >= l.copies {
		return left, nil
	}
	return left, l.files(ctx, w, &left)
}

// files looks at each file of an offload: others of the same card may hold it too.
func (l *leaving) files(ctx context.Context, w ledger.Whereabouts, left *status.Leaving) error {
	files, err := l.ledger.Files(ctx, w.ID)
	if err != nil {
		return err
	}
	on, err := l.placesOf(ctx, w)
	if err != nil {
		return err
	}
	names, fewest := map[string]bool{}, -1
	for _, f := range files {
		places := on[contentOf(f)]
		n := offload.Distinct(places)
		if n >= l.copies {
			continue
		}
		left.Files++
		left.SizeBytes += f.SizeBytes
		if fewest < 0 || n < fewest {
			fewest = n
		}
		for _, p := range places {
			names[l.drives[p.DriveID].Name] = true
		}
	}
	if missing := w.Files - len(files); missing > 0 && len(files) == 0 { // nothing of it was ever read whole
		left.Files, left.SizeBytes, fewest = missing, w.Bytes, 0
	}
	left.Copies = max(0, fewest)
	for name := range names {
		left.On = append(left.On, name)
	}
	slices.Sort(left.On)
	return nil
}

// fileContent is what makes a file the same in another offload of its card.
type fileContent struct {
	path, algorithm, sum string
	bytes                int64
}

func contentOf(f ledger.File) fileContent {
	return fileContent{f.Path, f.Algorithm, f.Checksum, f.SizeBytes}
}

// placesOf tells where the files of an offload's card are proven, but for the
// drive that leaves and those that have left.
func (l *leaving) placesOf(ctx context.Context, w ledger.Whereabouts) (map[fileContent][]offload.Place, error) {
	on := map[fileContent][]offload.Place{}
	add := func(f ledger.File, driveID string) {
		if driveID != l.driveID && !l.retired.has(driveID) {
			on[contentOf(f)] = withPlace(on[contentOf(f)], l.place(driveID))
		}
	}
	if w.CardKey != "" && l.cards[w.CardKey] > 1 {
		known, err := l.ledger.KnownFiles(ctx, w.CardKey)
		for _, k := range known {
			for _, p := range k.On {
				if counts(p.CopyStatus) {
					add(k.File, p.DriveID)
				}
			}
		}
		return on, err
	}
	files, err := l.ledger.Files(ctx, w.ID)
	if err != nil {
		return nil, err
	}
	for _, c := range w.Copies {
		if !counts(c.Status) {
			continue
		}
		proven, err := l.ledger.Proven(ctx, w.ID, c.DriveID)
		if err != nil {
			return nil, err
		}
		for _, f := range files {
			if proven[f.Path] {
				add(f, c.DriveID)
			}
		}
	}
	return on, nil
}

func (l *leaving) place(driveID string) offload.Place {
	return offload.Place{DriveID: driveID, Disks: l.disks[driveID], DiskKey: l.drives[driveID].DiskKey}
}

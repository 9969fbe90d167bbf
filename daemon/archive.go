package daemon

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"
	"sync/atomic"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/daemon/status"
)

// archive answers questions about the past from the ledger, on the goroutine of
// whoever asks: drives may be away, and the supervisor at work.
type archive struct {
	ledger *ledger.Ledger
	zone   *atomic.Pointer[time.Location] // of the box, by which days are told
	slots  chan struct{}                  // one for each question under way
}

// questions bounds how many are answered at a time: fewer than the ledger has
// readers, so that whoever asks much keeps no card waiting.
const questions = 2

func newArchive(l *ledger.Ledger, zone *atomic.Pointer[time.Location]) archive {
	return archive{l, zone, make(chan struct{}, questions)}
}

// enter waits for its turn; leave must be called when it is nil.
func (a archive) enter(ctx context.Context) error {
	select {
	case a.slots <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

func (a archive) leave() { <-a.slots }

func (a archive) location() *time.Location { return cmp.Or(a.zone.Load(), time.UTC) }

// Days implements status.Archive.
func (a archive) Days(ctx context.Context, q status.Question) (status.DayList, error) {
	if err := a.enter(ctx); err != nil {
		return status.DayList{}, err
	}
	defer a.leave()
	ask, err := a.query(ctx, q)
	if err != nil {
		return status.DayList{}, err
	}
	list, more, err := a.ledger.FindOffloads(ctx, ask)
	if err != nil {
		return status.DayList{}, blame(err)
	}
	names, err := a.driveNames(ctx)
	return status.DayList{Days: daysOf(list, names, a.location()), More: more}, err
}

// daysOf sorts offloads into days, each where its newest stands.
func daysOf(list []ledger.Whereabouts, names map[string]string, zone *time.Location) []status.Day {
	days, index := []status.Day{}, map[string]int{}
	for _, w := range list {
		name := ""
		if at := w.Started.Wall; !at.IsZero() {
			name = at.In(zone).Format(time.DateOnly)
		}
		i, ok := index[name]
		if !ok {
			i = len(days)
			index[name] = i
			days = append(days, status.Day{Day: name, ClockTrusted: true})
		}
		d := &days[i]
		d.ClockTrusted = d.ClockTrusted && w.Started.Trusted
		d.Files += w.Files
		d.SizeBytes += w.Bytes
		d.Offloads = append(d.Offloads, stored(w, names))
	}
	return days
}

// Files implements status.Archive.
func (a archive) Files(ctx context.Context, q status.Question) (status.FileList, error) {
	if err := a.enter(ctx); err != nil {
		return status.FileList{}, err
	}
	defer a.leave()
	ask, err := a.query(ctx, q)
	if err != nil {
		return status.FileList{}, err
	}
	list, more, err := a.ledger.FindFiles(ctx, ledger.FileQuery{OffloadQuery: ask, Name: q.Name})
	if err != nil {
		return status.FileList{}, blame(err)
	}
	files := make([]status.StoredFile, 0, len(list))
	for _, f := range list {
		files = append(files, status.NewStoredFile(status.StoredFile{
			Path: f.Path, SizeBytes: f.SizeBytes, Modified: f.ModTime, Algorithm: f.Algorithm, Checksum: f.Checksum,
			OffloadID: f.Offload.ID, CardLabel: f.Offload.CardLabel, Folder: f.Offload.Folder, Started: f.Offload.Started.Wall,
			Places: places(f.On),
		}))
	}
	return status.FileList{Files: files, More: more}, nil
}

func places(on []ledger.Standing) []status.FilePlace {
	list := make([]status.FilePlace, 0, len(on))
	for _, p := range on {
		list = append(list, status.FilePlace{
			StoredCopy: status.StoredCopy{DriveID: p.DriveID, DriveName: p.DriveName, Folder: p.Folder, Status: p.CopyStatus},
			Proven:     p.Proven, ProvenAt: p.ProvenAt.Wall,
		})
	}
	return list
}

// Missing implements status.Archive.
func (a archive) Missing(ctx context.Context, drive string, limit int) (status.MissingList, error) {
	if err := a.enter(ctx); err != nil {
		return status.MissingList{}, err
	}
	defer a.leave()
	id, err := a.driveID(ctx, drive)
	if err != nil {
		return status.MissingList{}, err
	}
	list, more, err := a.ledger.Missing(ctx, id, limit)
	if err != nil {
		return status.MissingList{}, blame(err)
	}
	names, err := a.driveNames(ctx)
	answer := status.MissingList{DriveID: id, DriveName: status.Brief(names[id]), Offloads: make([]status.Stored, 0, len(list)), More: more}
	for _, w := range list {
		answer.Offloads = append(answer.Offloads, stored(w, names))
	}
	return answer, err
}

// Verdicts implements status.Archive.
func (a archive) Verdicts(ctx context.Context, offloadID string) (status.VerdictList, error) {
	if err := a.enter(ctx); err != nil {
		return status.VerdictList{}, err
	}
	defer a.leave()
	o, err := a.ledger.Offload(ctx, offloadID)
	if err != nil {
		return status.VerdictList{}, blame(err)
	}
	list, err := a.ledger.Verdicts(ctx, offloadID)
	if err != nil {
		return status.VerdictList{}, blame(err)
	}
	answer := status.VerdictList{OffloadID: o.ID, CardLabel: status.Brief(o.CardLabel), Verdicts: make([]status.PastVerdict, 0, len(list))}
	for _, v := range list {
		answer.Verdicts = append(answer.Verdicts, status.NewPastVerdict(status.PastVerdict{
			At: v.At.Wall, ClockTrusted: v.At.Trusted, Verdict: v.Verdict, Reason: v.Reason, Status: v.Status,
		}))
	}
	return answer, nil
}

// query turns a question into the ledger's.
func (a archive) query(ctx context.Context, q status.Question) (ledger.OffloadQuery, error) {
	ask := ledger.OffloadQuery{ID: q.Offload, Card: q.Card, Limit: q.Limit}
	if q.Drive != "" {
		var err error
		if ask.DriveID, err = a.driveID(ctx, q.Drive); err != nil {
			return ask, err
		}
	}
	midnight := func(day time.Time, more int) time.Time {
		if day.IsZero() {
			return day
		}
		return time.Date(day.Year(), day.Month(), day.Day()+more, 0, 0, 0, 0, a.location())
	}
	ask.Since, ask.Until = midnight(q.Since, 0), midnight(q.Until, 1)
	return ask, nil
}

// driveID finds a drive by its id or its name.
func (a archive) driveID(ctx context.Context, named string) (id string, err error) {
	drives, err := a.ledger.Drives(ctx)
	if err != nil {
		return "", err
	}
	for _, d := range drives {
		if d.ID == named {
			return d.ID, nil
		}
	}
	for _, retired := range []bool{false, true} { // those in use come first
		var ids []string
		for _, d := range drives {
			if d.Name == named && d.Retired == retired {
				ids = append(ids, d.ID)
			}
		}
		switch len(ids) {
		case 0:
		case 1:
			return ids[0], nil
		default:
			return "", blamed{severalCalled(named, ids), status.ErrQuestion}
		}
	}
	return "", fmt.Errorf("drive %q: %w", named, status.ErrNoSuch)
}

func (a archive) driveNames(ctx context.Context) (map[string]string, error) {
	drives, err := a.ledger.Drives(ctx)
	names := make(map[string]string, len(drives))
	for _, d := range drives {
		names[d.ID] = d.Name
	}
	return names, err
}

func stored(w ledger.Whereabouts, names map[string]string) status.Stored {
	s := status.Stored{
		ID: w.ID, CardLabel: w.CardLabel, Folder: w.Folder, Started: w.Started.Wall, ClockTrusted: w.Started.Trusted,
		Verdict: string(state.Hold), Reason: w.Reason, Files: w.Files, SizeBytes: w.Bytes,
	}
	if w.Status == ledger.OffloadDone {
		s.Verdict = w.Verdict
	}
	for _, c := range w.Copies {
		s.Copies = append(s.Copies, status.StoredCopy{DriveID: c.DriveID, DriveName: names[c.DriveID], Folder: c.Folder, Status: c.Status})
	}
	return status.NewStored(s)
}

// severalCalled says that a name does not tell which drive is meant, and what does.
func severalCalled(name string, ids []string) error {
	const show = 8
	return fmt.Errorf("%d drives are called %q; give the id of one: %s", len(ids), name, strings.Join(ids[:min(len(ids), show)], ", "))
}

// blamed is an error in its own words, and one that callers branch on.
type blamed struct {
	error
	is error
}

func (b blamed) Unwrap() []error { return []error{b.error, b.is} }

// blame says whose fault an error of the ledger is.
func blame(err error) error {
	switch {
	case errors.Is(err, ledger.ErrUnknown):
		return blamed{err, status.ErrNoSuch}
	case errors.Is(err, ledger.ErrGlob):
		return blamed{err, status.ErrQuestion}
	}
	return err
}

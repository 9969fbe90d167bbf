package daemon

import (
	"context"
	"iter"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/report"
	"bothy/daemon/state"
	"bothy/policy"
)

// maxDayConditions bounds the lines of a report about what was the matter.
const maxDayConditions = 200

// dayMaker makes a day's report from the ledger. It is of one moment, and used by
// one goroutine.
type dayMaker struct {
	ledger  *ledger.Ledger
	box     policy.Box
	boxName string
	boxID   string
	now     func() (time.Time, bool)
	// only is a shuttle's id: the report tells of what it carries and of nothing
	// else. Empty: of the whole day.
	only string
	// step is called for each file that is read; nil: nobody waits for it.
	step func()
}

// name turns what people call a day into its date.
func (m *dayMaker) name(day string) (string, error) {
	now, _ := m.now()
	switch day {
	case "today":
		return m.box.Day(now), nil
	case "yesterday":
		today, err := m.begin(m.box.Day(now))
		return m.box.Day(today.AddDate(0, 0, -1)), err
	}
	_, err := m.begin(day)
	return day, err
}

// begin is when a day begins on this box.
func (m *dayMaker) begin(date string) (time.Time, error) {
	zone := m.box.Location
	if zone == nil {
		zone = time.UTC
	}
	at, err := time.ParseInLocation(time.DateOnly, date, zone)
	if err != nil || at.Year() < 1 { // a year 0 the ledger cannot write
		return time.Time{}, report.NoDay(date)
	}
	return at, nil
}

// make gives the day; nil when no offload began on it.
func (m *dayMaker) make(ctx context.Context, date string) (*report.Day, error) {
	from, err := m.begin(date)
	if err != nil {
		return nil, err
	}
	to := from.AddDate(0, 0, 1)
	list, err := m.ledger.BegunBetween(ctx, from, to)
	if m.only != "" {
		list = m.onlyHanded(list)
	}
	if err != nil || len(list) == 0 {
		return nil, err
	}
	conditions, more, err := m.ledger.ConditionsBetween(ctx, from, to, maxDayConditions)
	if err != nil {
		return nil, err
	}
	drives, err := m.ledger.Drives(ctx)
	if err != nil {
		return nil, err
	}
	names := map[string]string{}
	for _, d := range drives {
		names[d.ID] = nameInReport(d)
	}
	now, trusted := m.now()
	day := &report.Day{
		Date: date, Zone: cmpOr(m.box.Timezone, "UTC"), Location: m.box.Location, BoxName: m.boxName, BoxID: m.boxID,
		Made: now, ClockTrusted: trusted, MoreConditions: more,
	}
	for _, w := range list {
		day.ClockTrusted = day.ClockTrusted && w.Started.Trusted
		day.Offloads = append(day.Offloads, m.offload(ctx, w, names))
	}
	if m.only != "" {
		conditions, day.MoreConditions = nil, 0 // they are the box's business
	}
	for _, c := range conditions {
		kind := state.Condition{Code: state.Code(c.Code)}.Kind()
		day.Conditions = append(day.Conditions, report.Condition{
			At: c.At.Wall, Raised: c.Raised, Severity: kind.Severity.String(), Sentence: kind.Sentence, Subject: c.Subject, Detail: c.Detail,
		})
	}
	return day, nil
}

func (m *dayMaker) offload(ctx context.Context, w ledger.Whereabouts, names map[string]string) report.Offload {
	o := report.Offload{
		ID: w.ID, CardLabel: w.CardLabel, CardKey: w.CardKey, Folder: w.Folder, Started: w.Started.Wall, Verdict: w.Verdict,
		Reason: w.Reason, Void: w.Status == ledger.OffloadVoid, Verify: w.Verify, Planned: w.Offload.Files,
		RefersTo: w.RefersTo, LeftOut: w.LeftOut, Salvaged: shownSalvages(w.Salvaged),
	}
	for _, c := range w.Copies {
		o.Copies = append(o.Copies, report.Copy{
			DriveID: c.DriveID, Drive: names[c.DriveID], Folder: cmpOr(c.Folder, w.Folder), Status: c.Status, Reason: c.Reason,
		})
	}
	if o.Void {
		return o // its files are not believed
	}
	o.Files = m.files(m.ledger.EachFile(ctx, w.ID), o.Copies)
	return o
}

// files turns the ledger's files into those of a report.
func (m *dayMaker) files(files iter.Seq2[ledger.FileProofs, error], copies []report.Copy) iter.Seq2[report.File, error] {
	return func(yield func(report.File, error) bool) {
		for f, err := range files {
			if m.step != nil {
				m.step()
			}
			out := report.File{
				Path: f.Path, SizeBytes: f.SizeBytes, ModTime: f.ModTime, Algorithm: f.Algorithm, Checksum: f.Checksum,
				ProvenAt: make([]time.Time, len(copies)),
			}
			for i, c := range copies {
				for _, p := range f.Proofs {
					if p.DriveID == c.DriveID {
						out.ProvenAt[i] = p.At.Wall
					}
				}
			}
			if err == nil && m.only != "" && !m.carries(out, copies) {
				continue
			}
			if !yield(out, err) {
				return
			}
		}
	}
}

// nameInReport is a drive's name, with what a reader must know to look for it.
func nameInReport(d ledger.Drive) string {
	if d.Retired {
		return d.Name + " (retired)"
	}
	return d.Name
}

package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"bothy/daemon/report"
	"bothy/daemon/state"
)

// reportsFolder is where a drive carries the days' reports. Others may put files
// of their own there.
const reportsFolder = "reports"

// leaveReports leaves the report of the day of what was copied on the drives. The
// verdict is decided and durable, and nobody waits for a report: a release is
// told before, and that the card is pulled meanwhile does not end it.
func (j *job) leaveReports(ctx context.Context, out outcome) {
	if out.cardErr != nil || len(out.offloadIDs) == 0 || j.s.ledger == nil {
		return
	}
	if out.verdict == state.Release {
		j.letCardGo()
		j.s.post(func() { j.s.releaseEarly(j, out.reason, out.basis) })
	}
	bound, cancel := context.WithCancelCause(context.WithoutCancel(ctx))
	defer cancel(nil)
	defer context.AfterFunc(j.s.life, func() { cancel(errStopping) })()
	j.leaveDays(bound, j.drives, out.offloadIDs)
}

// leaveDays leaves the reports of the days on which offloads began.
func (t *task) leaveDays(ctx context.Context, drives []*jobDrive, offloadIDs []string) {
	var days []string
	for _, id := range offloadIDs {
		if t.s.ledger == nil || strings.HasPrefix(id, unrecorded) {
			continue
		}
		o, err := t.s.ledger.Offload(ctx, id)
		if err != nil {
			t.s.cfg.Log.Warn("the day's report was not made", "offload", id, "err", err)
			continue
		}
		if day := t.box.Day(o.Started.Wall); !slices.Contains(days, day) {
			days = append(days, day)
		}
	}
	for _, day := range days {
		made := dayMaker{ledger: t.s.ledger, box: t.box, boxName: t.boxName, boxID: t.boxID, now: t.s.cfg.Now}
		for _, d := range drives {
			if d.rule.Shuttle() {
				made.only = d.identity.ID
			} else {
				made.only = ""
			}
			of := made
			t.leave(ctx, []*jobDrive{d}, "the day's report", func(ctx context.Context, h *share, o *Opened, step func()) error {
				return h.leaveReport(ctx, o, of, day, step)
			})
		}
	}
}

// leaveReport writes the report of a day to the drive, one writer at a time.
func (h *share) leaveReport(ctx context.Context, o *Opened, m dayMaker, date string, step func()) error {
	leave, err := h.enterOwn(ctx)
	if err != nil {
		return err
	}
	defer leave()
	m.step = step
	day, err := m.make(ctx, date)
	if err != nil || day == nil {
		return err
	}
	if err := makeFolder(o, reportsFolder); err != nil {
		return err
	}
	for _, format := range []report.Format{report.FormatHTML, report.FormatCSV} {
		step()
		if err := writeReport(o, day, format, step); err != nil {
			return err
		}
	}
	return nil
}

// writeReport writes a day's report in one format. Until it is whole it has a name
// in our own folder, since every name in that of the reports may be somebody's.
func writeReport(o *Opened, day *report.Day, format report.Format, step func()) error {
	name, replaces, err := reportName(o, day, format, step)
	if err != nil {
		return err
	}
	rename := o.FS.Rename // which replaces nothing
	if replaces {
		rename = o.Root.Rename
	}
	temp := path.Join(ownFolder, "report-"+day.BoxID+".tmp")
	return putOwn(o, temp, name, rename, func(w io.Writer) error {
		return report.Write(stepping{w, step}, day, format)
	})
}

// reportName finds the name for a day's report: that of our own report of the day,
// or one that is free. Whatever else has such a name is somebody's.
func reportName(o *Opened, day *report.Day, format report.Format, step func()) (name string, replaces bool, err error) {
	var unseen error
	_, err = freeFolder(day.Date, func(base string) bool {
		step()
		name = path.Join(reportsFolder, base+"."+string(format))
		item, err := o.FS.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) {
			return true
		}
		unseen = err
		replaces = err == nil && item.Mode.IsRegular() && ourReport(o, name, format, day.BoxID)
		return replaces || err != nil
	})
	return name, replaces, cmpErr(unseen, err)
}

func cmpErr(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

// ourReport reports whether a file says of itself that it is this box's report. One
// that cannot be read is not.
func ourReport(o *Opened, name string, format report.Format, boxID string) bool {
	begin, err := beginOf(o, name, report.MarkBytes)
	return err == nil && report.Ours(format, begin, boxID)
}

// dayReport makes the report of a day for whoever asks; nil when there is none.
func (s *supervisor) dayReport(ctx context.Context, day string) (*report.Day, error) {
	got := make(chan dayMaker, 1)
	s.post(func() {
		m := dayMaker{ledger: s.ledger, boxName: s.boxName(), boxID: s.boxID(), now: s.cfg.Now}
		if s.policy != nil {
			m.box = s.policy.Box
		}
		got <- m
	})
	select {
	case m := <-got:
		date, err := m.name(day)
		if err != nil {
			return nil, err
		}
		if m.ledger == nil {
			return nil, errors.New("there is no ledger")
		}
		return m.make(ctx, date)
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	case <-s.quit:
		return nil, fmt.Errorf("make the report: %w", errStopping)
	}
}

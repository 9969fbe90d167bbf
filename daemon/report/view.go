package report

import (
	"html/template"
	"iter"
	"slices"
	"strconv"
	"strings"
	"time"

	"bothy/daemon/state"
)

// view is a Day in words. Every string in it has passed clean.
type view struct {
	Date, Box, BoxID, Zone string
	Style                  template.CSS
	Note, ClockNote, Made  string
	Totals                 []fact
	Offloads               []*offloadView
	Conditions             []conditionView
	MoreConditions         int

	err error // of a list that ended early
}

type fact struct{ Word, Value, More string }

type offloadView struct {
	Card, Tone, Word, Reason, Folder  string
	Clips, Size, Span, ProvenOn, Lost string
	Algorithm                         string // of all files
	Facts                             []fact
	Copies                            []copyView
	Salvaged, LeftOut                 []string
	HasFiles                          bool
	Files                             iter.Seq[fileView]
}

type copyView struct {
	Number                                      int
	Drive, Folder, Tone, Word, Reason, ProvenAt string
	Clips                                       string
}

type fileView struct{ Path, Bytes, Time, Sum, On string }

type conditionView struct{ At, Tone, Severity, Sentence, Subject, Detail string }

// zone is how a report shows times.
type zone struct{ *time.Location }

func (z zone) local(t time.Time) time.Time {
	if z.Location == nil {
		return t.UTC()
	}
	return t.In(z.Location)
}

func (z zone) stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return z.local(t).Format("2006-01-02 15:04:05")
}

// span prints from when to when, the day only once.
func (z zone) span(from, to time.Time) string {
	if from.IsZero() {
		return ""
	}
	a, b := z.local(from), z.local(to)
	if a.Format(time.DateOnly) == b.Format(time.DateOnly) {
		if a.Format("15:04:05") == b.Format("15:04:05") {
			return a.Format("2006-01-02 15:04:05")
		}
		return a.Format("2006-01-02 15:04:05") + " to " + b.Format("15:04:05")
	}
	return a.Format("2006-01-02 15:04:05") + " to " + b.Format("2006-01-02 15:04:05")
}

func newView(d *Day) (*view, error) {
	all, day, err := d.sumAll()
	if err != nil {
		return nil, err
	}
	z := zone{d.Location}
	v := &view{
		Date: clean(d.Date), Box: cmpOr(clean(d.BoxName), "without a name"), BoxID: clean(d.BoxID), Zone: cmpOr(clean(d.Zone), "UTC"),
		Style: template.CSS(style), Note: clean(d.Note), Made: z.stamp(d.Made), MoreConditions: d.MoreConditions,
	}
	if !d.ClockTrusted {
		v.ClockNote = "The box's clock was not synchronised: its own times may be wrong, and so may the day."
	}
	released, lost := 0, int64(0)
	for i := range d.Offloads {
		o := &d.Offloads[i]
		v.Offloads = append(v.Offloads, v.offload(o, &all[i], z))
		if o.released() {
			released++
		}
		for _, s := range o.Salvaged {
			lost += s.MissingBytes
		}
	}
	v.Totals = []fact{
		{"cards", strconv.Itoa(day.cards), ""},
		{"clips", state.Thousands(int64(day.files)), ""},
		{"size", state.Size(day.bytes), state.Thousands(day.bytes) + " bytes"},
		{"released", strconv.Itoa(released), ""},
		{"held", strconv.Itoa(len(d.Offloads) - released), ""},
	}
	if lost > 0 {
		v.Totals = append(v.Totals, fact{"lost on cards", state.Size(lost), state.Thousands(lost) + " bytes"})
	}
	if !day.first.IsZero() {
		first, last := z.local(day.first), z.local(day.last)
		v.Totals = append(v.Totals, fact{"first file time", first.Format("15:04:05"), first.Format(time.DateOnly)},
			fact{"last file time", last.Format("15:04:05"), last.Format(time.DateOnly)})
	}
	for _, c := range d.Conditions {
		v.Conditions = append(v.Conditions, conditionOf(c, z))
	}
	return v, nil
}

func conditionOf(c Condition, z zone) conditionView {
	v := conditionView{At: z.local(c.At).Format("15:04:05"), Tone: "soft", Severity: clean(c.Severity) + ":",
		Sentence: clean(c.Sentence), Subject: clean(c.Subject), Detail: clean(c.Detail)}
	if !c.Raised {
		v.Severity, v.Detail = "over:", ""
		return v
	}
	switch c.Severity {
	case state.Danger.String():
		v.Tone = "danger"
	case state.Attention.String():
		v.Tone = "caution"
	}
	return v
}

func (v *view) offload(o *Offload, t *totals, z zone) *offloadView {
	out := &offloadView{
		Card: cmpOr(clean(o.CardLabel), "without a label"), Tone: tone(o.released()), Word: strings.ToUpper(verdictWord(o)),
		Reason: clean(o.Reason), Folder: clean(o.Folder), Clips: state.Thousands(int64(t.files)), Size: state.Size(t.bytes),
		Span: z.span(t.first, t.last), HasFiles: t.files > 0,
	}
	if !t.mixed {
		out.Algorithm = clean(t.algorithm)
	}
	if o.Planned > t.files {
		out.Clips += " of " + state.Thousands(int64(o.Planned))
	}
	out.Facts = []fact{{"offload", clean(o.ID), ""}, {"begun", z.stamp(o.Started), ""}, {"folder", out.Folder, ""},
		{"clips", out.Clips + ", " + state.Thousands(t.bytes) + " bytes", ""}, {"verification", clean(o.Verify), ""}}
	if len(o.RefersTo) > 0 {
		out.Facts = append(out.Facts, fact{"the rest of the card", clean(strings.Join(o.RefersTo, ", ")), ""})
	}
	var on []string
	for i := range o.Copies {
		c := &o.Copies[i]
		out.Copies = append(out.Copies, v.copy(i, c, t, z))
		if c.Status == Proven {
			on = append(on, cmpOr(c.Drive, "drive without a name"))
		}
	}
	out.ProvenOn = cmpOr(clean(strings.Join(on, ", ")), "no drive")
	missing := int64(0)
	for _, s := range o.Salvaged {
		out.Salvaged = append(out.Salvaged, clean(s.String()))
		missing += s.MissingBytes
	}
	out.Lost = state.Thousands(missing) + " bytes missing"
	for _, s := range o.LeftOut {
		out.LeftOut = append(out.LeftOut, clean(s))
	}
	out.Files = v.files(o, t.mixed, z)
	return out
}

func (v *view) copy(i int, c *Copy, t *totals, z zone) copyView {
	out := copyView{Number: i + 1, Drive: cmpOr(clean(c.Drive), "drive without a name"), Folder: clean(c.Folder), Reason: clean(c.Reason)}
	out.Word, out.Tone = copyWord(c)
	p := t.proofs[i]
	out.Clips = state.Thousands(int64(p.files)) + " of " + state.Thousands(int64(t.files))
	out.ProvenAt = z.span(p.first, p.last)
	return out
}

// files gives the rows of a list one at a time. What goes wrong is kept in v.err
// and ends it, since a template asks for no error.
func (v *view) files(o *Offload, mixed bool, z zone) iter.Seq[fileView] {
	return func(yield func(fileView) bool) {
		if v.err != nil || o.Files == nil {
			return
		}
		for f, err := range o.Files {
			if err != nil {
				v.err = err
				return
			}
			row := fileView{Path: clean(f.Path), Bytes: state.Thousands(f.SizeBytes), Time: z.stamp(f.ModTime), Sum: clean(f.Checksum)}
			if mixed {
				row.Sum = clean(f.Algorithm) + " " + row.Sum
			}
			row.On = numbers(f.ProvenAt)
			if !yield(row) {
				return
			}
		}
	}
}

// numbers lists in which copies a file is proven.
func numbers(proven []time.Time) string {
	if !slices.ContainsFunc(proven, func(t time.Time) bool { return !t.IsZero() }) {
		return "none"
	}
	var b strings.Builder
	for i, t := range proven {
		if t.IsZero() {
			continue
		}
		if b.Len() > 0 {
			b.WriteString(", ")
		}
		b.WriteString(strconv.Itoa(i + 1))
	}
	return b.String()
}

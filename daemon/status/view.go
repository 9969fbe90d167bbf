package status

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"bothy/daemon/state"
)

// maxRecent is how many offloads a person is shown; the rest are in the JSON.
const maxRecent = 12

// view is a Document in words: what page and plain text both show. Every string
// in it has passed clean.
type view struct {
	Box        string
	Phase      string
	AsOf       string
	Machine    string // AsOf for a program
	ClockNote  string
	Power      string // how the box is supplied; empty when it has no battery that tells
	Calls      int    // conditions that need a person
	Cards      []cardView
	Drives     []driveView
	Errand     string // what goes on among drives; empty when nothing does
	Conditions []conditionView
	Offloads   []offloadView
	Older      int // offloads published but not shown
	LeftAlone  []deviceView
	Policy     policyView
	Program    string
}

type cardView struct {
	look
	Label, Facts, Reason string
	Going                goingView
	Copies               []copyView
}

// goingView is how far a running offload is.
type goingView struct {
	Runs  bool
	Bar   int    // percent
	Words string // how much is done, how long it takes, how fast
}

type copyView struct {
	look
	Drive, Progress, Reason, Folder string
	Bar                             int // percent; -1 for no bar
}

type driveView struct {
	look
	Name, Facts, Reason string
}

type conditionView struct {
	look
	Subject, Sentence, Detail, Hint, Since string
	Person                                 bool
}

type offloadView struct {
	look
	Key, Title, Facts, Reason string
	Day                       string // of the report; empty: there is none
	Going                     goingView
	Copies                    []copyView
	RefersTo, LeftOut         []string
	Salvaged                  []string
}

type deviceView struct{ Name, Facts, Sentence string }

type policyView struct {
	Summary string
	Errors  []string
}

func newView(d *Document) *view {
	v := &view{
		Box: clean(d.Box.Name), Phase: phaseSentence(d.Phase), AsOf: stamp(d.Moment),
		Policy:  policyView{Summary: policySummary(d.Policy), Errors: cleanLines(d.Policy.Error)},
		Power:   powerSentence(d.Power),
		Program: facts("bothy "+d.Box.Version, "box "+d.Box.ID, "a release needs "+count(d.Box.CopiesNeeded, "proven copy", "proven copies")),
	}
	if v.Box == "" {
		v.Box = "without a name"
	}
	if !d.Moment.IsZero() {
		v.Machine = d.Moment.UTC().Format(time.RFC3339)
	}
	if !d.ClockTrusted {
		v.ClockNote = "by a clock that is not synchronised"
	}
	offloads := map[string]Offload{}
	for i, o := range d.Offloads {
		offloads[o.ID] = o
		if i < maxRecent {
			v.Offloads = append(v.Offloads, viewOffload(o))
		}
	}
	v.Older = len(d.Offloads) - len(v.Offloads)
	for _, c := range d.Cards {
		v.Cards = append(v.Cards, viewCard(c, offloads))
	}
	for _, drive := range d.Drives {
		v.Drives = append(v.Drives, viewDrive(drive))
	}
	v.Errand = errandSentence(d.Errand)
	for _, c := range d.Conditions {
		if c.NeedsPerson {
			v.Calls++
		}
		v.Conditions = append(v.Conditions, viewCondition(c))
	}
	for _, dev := range d.Devices {
		if dev.Decision == "left-alone" {
			v.LeftAlone = append(v.LeftAlone, viewDevice(dev))
		}
	}
	return v
}

func viewCard(c Card, offloads map[string]Offload) cardView {
	v := cardView{look: cardLook(c), Label: clean(c.Label), Reason: clean(c.Reason)}
	if v.Label == "" {
		v.Label = "without a label"
	}
	v.Facts = facts(named("slot", c.Slot), c.Device, named("rule", c.Rule), known(size, c.SizeBytes))
	if c.Files > 0 {
		v.Facts = facts(v.Facts, count(c.Files, "file", "files")+" of "+size(c.FileBytes)+" together")
	}
	if o, ok := offloads[c.OffloadID]; ok && c.OffloadID != "" {
		v.Going, v.Copies = viewGoing(o), viewCopies(o)
	}
	return v
}

func viewGoing(o Offload) goingView {
	if !o.Running {
		return goingView{}
	}
	v := goingView{Runs: true, Bar: part(o.Done)}
	words := []string{strconv.Itoa(v.Bar) + " % done"}
	switch left := leftWords(o.Left); {
	case v.Bar == 100:
		if slices.ContainsFunc(o.Copies, func(c Copy) bool { return !state.CopyPhase(c.Phase).Final() }) {
			words = append(words, "slower drives still get their copies")
		}
	case left == "":
		words = append(words, "how long it takes is not known yet")
	default:
		words = append(words, left)
	}
	if o.Speed > 0 {
		words = append(words, "the card gives "+size(o.Speed)+" a second")
	}
	v.Words = strings.Join(words, "; ")
	return v
}

func viewCopies(o Offload) []copyView {
	var out []copyView
	for _, c := range o.Copies {
		v := copyView{look: copyLook(c), Drive: clean(c.DriveName), Reason: clean(c.Reason), Folder: clean(c.Folder), Bar: -1}
		if v.Drive == "" {
			v.Drive = "drive without a name"
		}
		switch state.CopyPhase(c.Phase) {
		case state.CopyCopying, state.CopyProving, state.CopyFinishing, state.CopyBehind, state.CopyUnfinished:
			v.Bar = percent(c.ProvenBytes, o.SizeBytes)
			v.Progress = strconv.Itoa(percent(c.WrittenBytes, o.SizeBytes)) + " % written, " + strconv.Itoa(v.Bar) + " % proven"
			if c.Left.Seconds > 0 {
				v.Progress += ", about " + span(c.Left.Seconds) + " left"
			}
		}
		out = append(out, v)
	}
	return out
}

func viewDrive(d Drive) driveView {
	v := driveView{look: driveLook(d), Name: clean(d.Name), Reason: clean(d.Reason)}
	if v.Name == "" {
		v.Name = "drive without a name"
	}
	space := ""
	switch {
	case d.SizeBytes > 0 && d.ID == "" && d.Path == "":
		space = size(d.SizeBytes) // what is free on it was never asked
	case d.SizeBytes > 0:
		space = size(d.FreeBytes) + " free of " + size(d.SizeBytes)
	}
	seen := ""
	if !d.Attached && !d.LastSeenAt.IsZero() {
		seen = "last seen " + stamp(d.LastSeenAt)
	}
	formerly := ""
	if len(d.Formerly) > 0 {
		formerly = "formerly " + strings.Join(d.Formerly, ", ")
	}
	v.Facts = facts(space, roomWords(d), count(d.Copies, "copy", "copies"), d.Device, named("folder", d.Path), d.FSType, seen, healthWords(d), formerly)
	return v
}

// healthWords is what a drive says of itself.
func healthWords(d Drive) string {
	words := ""
	switch d.Health {
	case state.HealthGood:
		words = "says it is well"
	case state.HealthFailing:
		words = "says that it fails"
	}
	if d.Celsius != nil {
		return strings.TrimPrefix(words+", "+strconv.Itoa(*d.Celsius)+" °C", ", ")
	}
	return words
}

// errandSentence says what goes on among drives.
func errandSentence(e *Errand) string {
	if e == nil {
		return ""
	}
	to := strings.Join(e.To, " and ")
	from, of := strings.Join(e.From, " or "), " of card "+labelled(e.CardLabel)+" (offload "+e.OffloadID+")"
	var s string
	switch e.Kind {
	case state.ErrandLook:
		return clean("looking whether " + to + " holds what it held")
	case state.ErrandRecover:
		return clean("reading from " + to + " what other boxes did")
	case state.ErrandHandover:
		s = "filling shuttle " + to + " with what was chosen, from " + from
	case state.ErrandHeal:
		s = "healing the copy on " + to + of + " from " + from
	case state.ErrandPatrol:
		s = "proving the copy on " + to + of + " again"
	default:
		s = "bringing " + to + " what " + from + " has" + of
	}
	s += ": " + strconv.Itoa(part(e.Done)) + " % done"
	if e.Waits {
		s += "; a card goes first"
	}
	return clean(s)
}

func viewCondition(c Condition) conditionView {
	return conditionView{
		look: severityLook(c.Severity), Subject: clean(c.Subject), Sentence: clean(c.Sentence),
		Detail: clean(c.Detail), Hint: clean(c.Hint), Since: stamp(c.Since), Person: c.NeedsPerson,
	}
}

func viewOffload(o Offload) offloadView {
	v := offloadView{look: offloadLook(o), Key: clean(o.ID), Title: clean(o.CardLabel), Reason: clean(o.Reason), Going: viewGoing(o), Copies: viewCopies(o)}
	if ReportDay(o.Day) {
		v.Day = o.Day
	}
	if v.Title == "" {
		v.Title = "without a label"
	}
	ended := ""
	if !o.Ended.IsZero() {
		ended = "ended " + stamp(o.Ended)
	}
	v.Facts = facts("offload "+o.ID, count(o.Files, "file", "files"), size(o.SizeBytes), o.Verify, o.Checksum, named("begun", stamp(o.Started)), ended)
	for _, id := range o.RefersTo {
		v.RefersTo = append(v.RefersTo, clean(id))
	}
	for _, what := range o.LeftOut {
		v.LeftOut = append(v.LeftOut, clean(what))
	}
	for _, s := range o.Salvaged {
		v.Salvaged = append(v.Salvaged, clean(sentenceOf(s)))
	}
	return v
}

func viewDevice(d Device) deviceView {
	name := d.Node
	if name == "" {
		name = d.Name
	}
	return deviceView{Name: clean(name), Facts: facts(named("label", d.Label), d.FSType, known(size, d.SizeBytes)), Sentence: clean(d.Sentence)}
}

func policySummary(p Policy) string {
	switch {
	case p.LoadedAt.IsZero():
		return "no policy is in force; no work is taken"
	case p.Error != "":
		return "an earlier policy, read " + stamp(p.LoadedAt) + ", goes on; the newest is refused"
	}
	return clean(p.Path) + ", read " + stamp(p.LoadedAt)
}

// facts joins what is known, cleaned.
func facts(parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, clean(p))
		}
	}
	return strings.Join(kept, " \u00b7 ")
}

func named(word, s string) string {
	if s == "" {
		return ""
	}
	return word + " " + s
}

func known(print func(int64) string, n int64) string {
	if n <= 0 {
		return ""
	}
	return print(n)
}

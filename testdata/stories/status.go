package stories

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
)

// Status is the part of /v1/status that stories look at.
type Status struct {
	Sequence uint64
	Phase    string
	Healthy  bool
	// ClockTrusted: the box takes its clock for right.
	ClockTrusted bool `json:"clock_trusted"`
	Policy       struct{ Error string }
	Cards        []cardStatus
	Drives       []Drive
	Offloads     []offloadStatus
	Errand       struct {
		Kind string
		Done float64
	}
	Devices    []struct{ Name, Disk, Label, Decision, Rule, Sentence string }
	Conditions []struct{ Code, Subject, Sentence, Detail, Hint string }
}

type cardStatus struct {
	Device, Slot, Label, Phase, Verdict, Reason string
	HoldKind                                    string `json:"hold_kind"`
	OffloadID                                   string `json:"offload_id"`
}

type offloadStatus struct {
	ID, Verdict, Reason string
	CardLabel           string `json:"card_label"`
	Running             bool
	Files               int
	ReadBytes           int64    `json:"read_bytes"`
	RefersTo            []string `json:"refers_to"`
	LeftOut             []string `json:"left_out"`
	Copies              []copyStatus
}

type copyStatus struct {
	DriveName    string `json:"drive_name"`
	Folder       string
	Phase        string
	Reason       string
	FilesProven  int   `json:"files_proven"`
	WrittenBytes int64 `json:"written_bytes"`
}

// Drive is the part of a drive that stories look at.
type Drive struct {
	Name, Device, Reason             string
	Attached, Failing, Full, Refused bool
	InUse                            bool `json:"in_use"`
	Copies                           int
}

func (b *Box) status() (s Status, err error) {
	reply, ok, reason := b.HTTPGet("/v1/status")
	if !ok {
		return s, fmt.Errorf("no status: %s", reason)
	}
	if reply.Status != 200 {
		return s, fmt.Errorf("status %d: %s", reply.Status, reply.Body)
	}
	return s, json.NewDecoder(bytes.NewReader(reply.Body)).Decode(&s)
}

// metric gives the value of a metric without labels; empty when it is not there.
func (b *Box) metric(name string) string {
	reply, ok, _ := b.HTTPGet("/metrics")
	if !ok {
		return ""
	}
	for line := range strings.Lines(string(reply.Body)) {
		if value, found := strings.CutPrefix(line, name+" "); found {
			return strings.TrimSpace(value)
		}
	}
	return ""
}

// Until waits for a state of the box.
func (b *Box) Until(what string, check func(s Status) bool) Status {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), patience)
	defer cancel()
	w := b.witness // who looks on anyway
	if w == nil {
		w = b.Witness(nil)
		defer w.End()
	}
	var last Status
	for {
		s, ok := w.Next(ctx)
		if !ok {
			b.t.Fatalf("waited %v, or until the power went, for: %s\nlast seen: %+v %+v %+v", patience, what, last.Cards, last.Drives, last.Conditions)
		}
		if last = s; check(s) {
			return s
		}
	}
}

// UntilDecided waits until the card with this label has the verdict and nothing
// is in use any more.
func (b *Box) UntilDecided(label, verdict string) Status {
	b.t.Helper()
	return b.Until(label+" has the verdict "+verdict, func(s Status) bool {
		for _, c := range s.Cards {
			if c.Label == label && !s.anyInUse() {
				return c.Phase == "decided" && c.Verdict == verdict
			}
		}
		return false
	})
}

// UntilReason waits for a hold with a reason that contains words.
func (b *Box) UntilReason(label, words string) Status {
	b.t.Helper()
	return b.Until(label+" is held because: "+words, func(s Status) bool {
		for _, c := range s.Cards {
			if c.Label == label {
				return c.Phase == "decided" && c.Verdict == "hold" && strings.Contains(c.Reason, words)
			}
		}
		return false
	})
}

// AttachedDrives counts the drives that are there; the box remembers others.
func (s Status) AttachedDrives() (n int) {
	for _, d := range s.Drives {
		if d.Attached {
			n++
		}
	}
	return n
}

// anyInUse: something is written to or read from a drive, or may be.
func (s Status) anyInUse() bool {
	return slices.ContainsFunc(s.Drives, func(d Drive) bool { return d.InUse })
}

// settled: every card is decided, and no drive is in use.
func (s Status) settled() bool {
	return !s.anyInUse() && !slices.ContainsFunc(s.Cards, func(c cardStatus) bool { return c.Phase != "decided" })
}

// HasCondition reports whether a condition is raised.
func (s Status) HasCondition(code string) bool {
	for _, c := range s.Conditions {
		if c.Code == code {
			return true
		}
	}
	return false
}

package status

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"bothy/daemon/state"
)

// Archive answers for what the box has ever done, from its ledger: drives may be
// unmounted or away. Errors that ErrNoSuch or ErrQuestion are in say what the
// question was wrong in; all others are faults of the ledger.
type Archive interface {
	Days(ctx context.Context, q Question) (DayList, error)
	Files(ctx context.Context, q Question) (FileList, error)
	// Missing is what a drive lacks of what others have.
	Missing(ctx context.Context, drive string, limit int) (MissingList, error)
	Verdicts(ctx context.Context, offloadID string) (VerdictList, error)
}

// Errors of an Archive.
var (
	// ErrNoSuch: the drive or offload that was named is not in the ledger.
	ErrNoSuch = errors.New("not in the ledger")
	// ErrQuestion: the question cannot be understood, or means several things.
	ErrQuestion = errors.New("not to be answered")
)

// MaxEntries bounds every list of an Archive; Limit of a Question is 1 to it.
const MaxEntries = 1000

// Bounds of a Question.
const (
	defaultEntries = 100
	maxQuestion    = 1024 // bytes of one value
	dayFormat      = "2006-01-02"
)

// Question says what is looked for; what is empty asks nothing.
type Question struct {
	Name    string    // glob on a file's name, or on its path where it holds a slash
	Card    string    // glob on the card's label
	Drive   string    // id or name of a drive that has a finished copy
	Offload string    // id
	Since   time.Time // a day at midnight UTC, which stands for that of the box's zone
	Until   time.Time // likewise; the day itself is meant too
	Limit   int
}

// Stored is an offload as the ledger has it.
type Stored struct {
	ID           string       `json:"id"`
	CardLabel    string       `json:"card_label"`
	Folder       string       `json:"folder"`
	Started      time.Time    `json:"started,omitzero"`
	ClockTrusted bool         `json:"clock_trusted"` // when it began
	Verdict      string       `json:"verdict"`
	Reason       string       `json:"reason"`
	Files        int          `json:"files"`
	SizeBytes    int64        `json:"size_bytes"`
	Copies       []StoredCopy `json:"copies"`
}

// StoredCopy is a copy as the ledger has it.
type StoredCopy struct {
	DriveID   string `json:"drive_id"`
	DriveName string `json:"drive_name"`
	Folder    string `json:"folder"`
	Status    string `json:"status"` // open, finishing, proven, unproven, incomplete, failed, lost
}

// Day is what was begun on one day of the box's time zone. Day is empty for what
// was begun by no clock at all.
type Day struct {
	Day          string   `json:"day"`
	ClockTrusted bool     `json:"clock_trusted"` // by every clock that told it
	Files        int      `json:"files"`
	SizeBytes    int64    `json:"size_bytes"`
	Offloads     []Stored `json:"offloads"` // newest first
}

// DayList is the body of /v1/days, newest first. It holds at most as many
// offloads as were asked for; More says that there are others.
type DayList struct {
	Days []Day `json:"days"`
	More bool  `json:"more"`
}

// StoredFile is a file as the card gave it, and where it is.
type StoredFile struct {
	Path      string      `json:"path"` // on the card, and below each copy's folder
	SizeBytes int64       `json:"size_bytes"`
	Modified  time.Time   `json:"modified,omitzero"`
	Algorithm string      `json:"algorithm"`
	Checksum  string      `json:"checksum"` // taken while the card was read
	OffloadID string      `json:"offload_id"`
	CardLabel string      `json:"card_label"`
	Folder    string      `json:"folder"`
	Started   time.Time   `json:"started,omitzero"` // of the offload
	Places    []FilePlace `json:"places"`
}

// FilePlace is a drive that has a copy of a file's offload. Proven is said of
// this very file.
type FilePlace struct {
	StoredCopy
	Proven   bool      `json:"proven"`
	ProvenAt time.Time `json:"proven_at,omitzero"` // the last time
}

// FileList is the body of /v1/files.
type FileList struct {
	Files []StoredFile `json:"files"`
	More  bool         `json:"more"`
}

// MissingList is the body of /v1/drives/{id}/missing, newest first.
type MissingList struct {
	DriveID   string   `json:"drive_id"`
	DriveName string   `json:"drive_name"`
	Offloads  []Stored `json:"offloads"`
	More      bool     `json:"more"`
}

// PastVerdict is what the answer was from a moment on.
type PastVerdict struct {
	At           time.Time `json:"at,omitzero"`
	ClockTrusted bool      `json:"clock_trusted"`
	Verdict      string    `json:"verdict"`
	Reason       string    `json:"reason"`
	Status       string    `json:"status"` // of the offload: open, done, void
}

// VerdictList is the body of /v1/offloads/{id}/verdicts, oldest first.
type VerdictList struct {
	OffloadID string        `json:"offload_id"`
	CardLabel string        `json:"card_label"`
	Verdicts  []PastVerdict `json:"verdicts"`
}

// readQuestion reads the query of a request, of which known are taken. It is as
// strict as readFields: what is not known or given twice is no question.
func readQuestion(values url.Values, known ...string) (q Question, err error) {
	q.Limit = defaultEntries
	for key, list := range values {
		switch {
		case !slices.Contains(known, key):
			return q, fmt.Errorf("%q is not known here; known are %s", brief(key), strings.Join(known, ", "))
		case len(list) != 1:
			return q, fmt.Errorf("%q is given more than once", key)
		case len(list[0]) > maxQuestion:
			return q, fmt.Errorf("%q is longer than %d bytes", key, maxQuestion)
		}
	}
	q.Name, q.Card, q.Drive, q.Offload = values.Get("name"), values.Get("card"), values.Get("drive"), values.Get("offload")
	if q.Offload != "" && !offloadID(q.Offload) {
		return q, errors.New(badOffloadID)
	}
	if q.Since, err = ParseDay(values.Get("since")); err != nil {
		return q, fmt.Errorf(`"since": %w`, err)
	}
	if q.Until, err = ParseDay(values.Get("until")); err != nil {
		return q, fmt.Errorf(`"until": %w`, err)
	}
	if s := values.Get("limit"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			return q, errors.New(`"limit" is not a number`)
		}
		q.Limit = min(max(n, 1), MaxEntries)
	}
	return q, nil
}

// ParseDay reads a day such as 2026-11-25; nothing is no day.
func ParseDay(s string) (time.Time, error) {
	if s == "" {
		return time.Time{}, nil
	}
	day, err := time.Parse(dayFormat, s)
	if err != nil || day.Year() < 1 {
		return time.Time{}, errors.New("a day is written like 2026-11-25")
	}
	return day, nil
}

// values writes q as the query that readQuestion reads.
func (q Question) values() string {
	v := url.Values{}
	for key, s := range map[string]string{"name": q.Name, "card": q.Card, "drive": q.Drive, "offload": q.Offload} {
		if s != "" {
			v.Set(key, s)
		}
	}
	for key, day := range map[string]time.Time{"since": q.Since, "until": q.Until} {
		if !day.IsZero() {
			v.Set(key, day.Format(dayFormat))
		}
	}
	if q.Limit > 0 {
		v.Set("limit", strconv.Itoa(q.Limit))
	}
	return v.Encode()
}

// archiveTime is how long a question may take. The ledger answers in a fraction
// of a second; a glob that begins with a star looks through all names.
const archiveTime = 20 * time.Second

// archive answers from the Archive, with what ask makes of a question.
func (h *handler) archive(known []string, ask func(context.Context, Question) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		q, err := readQuestion(r.URL.Query(), known...)
		if err != nil {
			sendProblem(w, r, http.StatusBadRequest, err.Error())
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), archiveTime)
		defer cancel()
		if answer, err := ask(ctx, q); err != nil {
			h.archiveProblem(w, r, err)
		} else {
			h.sendJSON(w, r, http.StatusOK, answer)
		}
	}
}

// ledgerUnread is told where only the log knows more.
const ledgerUnread = "the ledger cannot be read; the log says why"

func (h *handler) archiveProblem(w http.ResponseWriter, r *http.Request, err error) {
	switch {
	case errors.Is(err, ErrNoSuch):
		sendProblem(w, r, http.StatusNotFound, err.Error())
	case errors.Is(err, ErrQuestion):
		sendProblem(w, r, http.StatusBadRequest, err.Error())
	case errors.Is(err, context.DeadlineExceeded):
		sendProblem(w, r, http.StatusServiceUnavailable, "this takes too long; ask for less")
	default:
		h.Log.ErrorContext(r.Context(), "ledger did not answer", "path", r.URL.Path, "error", err)
		sendProblem(w, r, http.StatusInternalServerError, ledgerUnread)
	}
}

const (
	drivesPrefix   = "/v1/drives/"
	missingSuffix  = "/missing"
	verdictsSuffix = "/verdicts"
)

// findArchive is the routes of an Archive.
func (h *handler) findArchive(path string) (http.HandlerFunc, bool) {
	if h.Archive == nil {
		return nil, false
	}
	switch path {
	case "/find":
		return h.serveFind, true
	case "/v1/days":
		return h.archive([]string{"card", "drive", "since", "until", "limit"}, func(ctx context.Context, q Question) (any, error) {
			return h.Archive.Days(ctx, q)
		}), true
	case "/v1/files":
		return h.archive(fileKeys, func(ctx context.Context, q Question) (any, error) { return h.Archive.Files(ctx, q) }), true
	}
	if drive, ok := between(path, drivesPrefix, missingSuffix); ok {
		return h.archive([]string{"limit"}, func(ctx context.Context, q Question) (any, error) {
			return h.Archive.Missing(ctx, drive, q.Limit)
		}), true
	}
	if id, ok := between(path, offloadsPrefix, verdictsSuffix); ok {
		return h.archive(nil, func(ctx context.Context, _ Question) (any, error) {
			if !offloadID(id) {
				return nil, fmt.Errorf("%s: %w", badOffloadID, ErrQuestion)
			}
			return h.Archive.Verdicts(ctx, id)
		}), true
	}
	return nil, false
}

var fileKeys = []string{"name", "card", "drive", "offload", "since", "until", "limit"}

// between is what stands between a prefix and a suffix: one part of a path.
func between(path, prefix, suffix string) (string, bool) {
	rest, ok := strings.CutPrefix(path, prefix)
	if !ok {
		return "", false
	}
	rest, ok = strings.CutSuffix(rest, suffix)
	return rest, ok && rest != "" && len(rest) <= maxQuestion && !strings.Contains(rest, "/")
}

// Brief bounds a name as documents do.
func Brief(s string) string { return brief(s) }

// NewStored bounds what an offload is called, and passes a release on only when
// it is one.
func NewStored(o Stored) Stored {
	o.ID, o.CardLabel, o.Folder, o.Reason = brief(o.ID), brief(o.CardLabel), long(o.Folder), long(o.Reason)
	o.Started, o.Verdict = instant(o.Started), verdictOf(state.Verdict(o.Verdict), true)
	o.Copies = renderAll(o.Copies, newStoredCopy)
	return o
}

func newStoredCopy(c StoredCopy) StoredCopy {
	return StoredCopy{brief(c.DriveID), brief(c.DriveName), long(c.Folder), brief(c.Status)}
}

// NewStoredFile bounds what a file and its places are called.
func NewStoredFile(f StoredFile) StoredFile {
	f.Path, f.Algorithm, f.Checksum, f.OffloadID = long(f.Path), brief(f.Algorithm), brief(f.Checksum), brief(f.OffloadID)
	f.CardLabel, f.Folder = brief(f.CardLabel), long(f.Folder)
	f.Modified, f.Started = instant(f.Modified), instant(f.Started)
	f.Places = renderAll(f.Places, func(p FilePlace) FilePlace {
		return FilePlace{newStoredCopy(p.StoredCopy), p.Proven, instant(p.ProvenAt)}
	})
	return f
}

// NewPastVerdict bounds a reason, and calls a release only what was one.
func NewPastVerdict(v PastVerdict) PastVerdict {
	v.At, v.Reason, v.Status = instant(v.At), long(v.Reason), brief(v.Status)
	v.Verdict = verdictOf(state.Verdict(v.Verdict), true)
	return v
}

package status

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Actions is what the control socket can make the daemon do. Each is called
// with a context that ends with the request or after actionTime.
type Actions interface {
	// Enrol gives the drive at target (a device or a folder) an identity under
	// name; an empty name leaves the choice to the daemon.
	Enrol(ctx context.Context, target, name string) (driveID string, err error)
	// Reload reads the policy again; the error says why the old one goes on.
	Reload(ctx context.Context) error
	// Recover takes over what a drive, named by device, folder or name, tells of
	// offloads that this box did not make. It waits for its turn.
	Recover(ctx context.Context, drive string) (*Recovered, error)
	// Retire says what would be below the wanted number of copies if a drive, named
	// by id, name, device or folder, left for good; with confirm it retires it.
	Retire(ctx context.Context, drive string, confirm bool) (*Retirement, error)
	// HandOver fills a shuttle, named by device, folder or name, with a selection,
	// each KEY=GLOB; none: with what its rule selects. It waits for its turn. A
	// Refusal says that nothing was touched.
	HandOver(ctx context.Context, drive string, selection []string) (*HandedOver, error)
	// Stop asks the daemon to stop; it need not wait for the end.
	Stop(ctx context.Context) error
}

// Bounds on control requests.
const (
	maxControlBody = 16 << 10 // bytes
	maxTarget      = 4096     // bytes of a device or folder (PATH_MAX of Linux)
	maxDriveName   = 64       // runes
	actionTime     = 60 * time.Second
	recoverTime    = time.Hour // a drive may hold ledgers and manifests of a million files
	handoverTime   = 48 * time.Hour
	maxSelection   = 256 // globs
)

// Recovered is what was taken over from a drive.
type Recovered struct {
	Drive      string   `json:"drive"`
	Snapshots  int      `json:"snapshots"`   // ledgers of other boxes that were read
	ByManifest int      `json:"by_manifest"` // copies of which only their manifests told
	Offloads   int      `json:"offloads"`    // that were not known
	Copies     int      `json:"copies"`      // that were not known; none is proven yet
	Missing    int      `json:"missing"`     // copies that a ledger tells of, and that are not on the drive
	Refused    []string `json:"refused"`     // what could not be read, and why
}

// HandedOver is what a shuttle was filled with.
type HandedOver struct {
	Drive       string   `json:"drive"`
	Selected    string   `json:"selected"`
	Offloads    int      `json:"offloads"`    // of which something was selected
	Files       int      `json:"files"`       // that were selected
	Already     int      `json:"already"`     // of these, in folders that lacked nothing
	Delivered   int      `json:"delivered"`   // brought and proven now
	Missing     int      `json:"missing"`     // things that are not there; 0: all is
	Undelivered []string `json:"undelivered"` // which, and why; at most MaxRefused
}

// MaxRefused bounds Recovered.Refused and HandedOver.Undelivered.
const MaxRefused = 100

// control turns POST requests into actions.
type control struct {
	actions Actions
}

func (c *control) find(path string) http.HandlerFunc {
	switch path {
	case "/v1/enrol":
		return c.act(c.enrol)
	case "/v1/recover":
		return c.actWithin(recoverTime, c.recover)
	case "/v1/retire":
		return c.actWithin(recoverTime, c.retire)
	case "/v1/handover":
		return c.actWithin(handoverTime, c.handOver)
	case "/v1/reload":
		return c.act(func(ctx context.Context, body []byte) (any, error) {
			return plain(ctx, body, c.actions.Reload)
		})
	case "/v1/stop":
		return c.act(func(ctx context.Context, body []byte) (any, error) {
			return plain(ctx, body, c.actions.Stop)
		})
	}
	return nil
}

// Refusal is an error of an action that was refused before anything was touched.
type Refusal struct{ Err error }

func (r Refusal) Error() string { return r.Err.Error() }

// Unwrap gives the reason.
func (r Refusal) Unwrap() error { return r.Err }

// badRequest is a request that cannot be understood; nothing was done.
type badRequest struct{ error }

// act reads a bounded body, runs do and answers: 200 with a document or 204,
// 400 for a request that cannot be understood, 409 when the daemon refuses.
func (c *control) act(do func(ctx context.Context, body []byte) (any, error)) http.HandlerFunc {
	return c.actWithin(actionTime, do)
}

func (c *control) actWithin(limit time.Duration, do func(ctx context.Context, body []byte) (any, error)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxControlBody))
		var big *http.MaxBytesError
		if errors.As(err, &big) {
			sendProblem(w, r, http.StatusRequestEntityTooLarge, fmt.Sprintf("a request holds at most %d bytes", maxControlBody))
			return
		}
		if err != nil {
			sendProblem(w, r, http.StatusBadRequest, "the request ended early")
			return
		}
		ctx, cancel := context.WithTimeout(r.Context(), limit)
		defer cancel()
		answer, err := do(ctx, body)
		var bad badRequest
		switch {
		case errors.As(err, &bad):
			sendProblem(w, r, http.StatusBadRequest, bad.Error())
		case err != nil:
			sendProblem(w, r, http.StatusConflict, err.Error())
		case answer == nil:
			w.WriteHeader(http.StatusNoContent)
		default:
			sendAnswer(w, r, answer)
		}
	}
}

func sendAnswer(w http.ResponseWriter, r *http.Request, answer any) {
	body, err := encode(answer)
	if err != nil {
		sendProblem(w, r, http.StatusInternalServerError, "the answer cannot be rendered")
		return
	}
	send(w, r, http.StatusOK, "application/json", body)
}

// enrolled is the answer to a successful enrolment.
type enrolled struct {
	DriveID string `json:"drive_id"`
}

func (c *control) enrol(ctx context.Context, body []byte) (any, error) {
	target, name, err := readEnrol(body)
	if err != nil {
		return nil, badRequest{err}
	}
	id, err := c.actions.Enrol(ctx, target, name)
	if err != nil {
		return nil, err
	}
	return enrolled{DriveID: id}, nil
}

func (c *control) recover(ctx context.Context, body []byte) (any, error) {
	fields, err := readFields(body, "drive")
	if err == nil {
		err = checkTarget("drive", fields["drive"])
	}
	if err != nil {
		return nil, badRequest{err}
	}
	found, err := c.actions.Recover(ctx, fields["drive"])
	if err != nil {
		return nil, err
	}
	shown := *found
	shown.Drive, shown.Refused = brief(shown.Drive), renderAll(shown.Refused, long)
	return shown, nil
}

// Retirement is what it would mean, or means, that a drive is retired.
type Retirement struct {
	DriveID      string    `json:"drive_id"`
	Drive        string    `json:"drive"`
	Attached     bool      `json:"attached"`
	Before       bool      `json:"retired_before"`
	Retired      bool      `json:"retired"`    // now
	NotMarked    string    `json:"not_marked"` // why the drive itself does not say so; empty when it does, or is away
	CopiesNeeded int       `json:"copies_needed"`
	Copies       int       `json:"copies"` // finished ones on the drive, that count or would
	Files        int       `json:"files"`  // that fewer proven copies would be left of than needed
	SizeBytes    int64     `json:"size_bytes"`
	Below        []Leaving `json:"below"` // the offloads of those files, newest first, at most MaxLeaving
	More         int       `json:"more"`  // offloads that are not listed
}

// Leaving is an offload that would have fewer proven copies than needed.
type Leaving struct {
	OffloadID string    `json:"offload_id"`
	CardLabel string    `json:"card_label"`
	Folder    string    `json:"folder"`
	Started   time.Time `json:"started,omitzero"`
	Files     int       `json:"files"` // below
	SizeBytes int64     `json:"size_bytes"`
	Copies    int       `json:"copies"`   // proven ones on distinct disks that would be left of the file with the fewest
	On        []string  `json:"on"`       // names of the drives with proven copies that would be left
	Unproven  []string  `json:"unproven"` // names of drives with copies that this box has not proven
}

// MaxLeaving bounds Retirement.Below.
const MaxLeaving = 1000

func (c *control) retire(ctx context.Context, body []byte) (any, error) {
	fields, err := readFields(body, "drive", "confirm")
	if err == nil {
		err = checkTarget("drive", fields["drive"])
	}
	if word := fields["confirm"]; err == nil && word != "" && word != "yes" {
		err = errors.New(`"confirm" is "yes" or absent`)
	}
	if err != nil {
		return nil, badRequest{err}
	}
	found, err := c.actions.Retire(ctx, fields["drive"], fields["confirm"] == "yes")
	if err != nil {
		return nil, err
	}
	shown := *found
	shown.Drive, shown.DriveID, shown.NotMarked, shown.Below = brief(shown.Drive), brief(shown.DriveID), long(shown.NotMarked), make([]Leaving, 0, len(found.Below))
	for _, l := range found.Below {
		l.OffloadID, l.CardLabel, l.Folder, l.Started = brief(l.OffloadID), brief(l.CardLabel), long(l.Folder), instant(l.Started)
		l.On, l.Unproven = renderAll(l.On, brief), renderAll(l.Unproven, brief)
		shown.Below = append(shown.Below, l)
	}
	return shown, nil
}

// handOver reads {"drive": "...", "select": "one glob on each line"}.
func (c *control) handOver(ctx context.Context, body []byte) (any, error) {
	fields, err := readFields(body, "drive", "select")
	if err == nil {
		err = checkTarget("drive", fields["drive"])
	}
	var selection []string
	if text := fields["select"]; text != "" && err == nil {
		if selection = strings.Split(text, "\n"); len(selection) > maxSelection {
			err = fmt.Errorf(`"select" holds more than %d globs`, maxSelection)
		}
	}
	if err != nil {
		return nil, badRequest{err}
	}
	done, err := c.actions.HandOver(ctx, fields["drive"], selection)
	var refused Refusal
	if errors.As(err, &refused) {
		return nil, badRequest{err}
	}
	if err != nil {
		return nil, err
	}
	shown := *done
	shown.Drive, shown.Selected, shown.Undelivered = brief(shown.Drive), long(shown.Selected), renderAll(shown.Undelivered, long)
	return shown, nil
}

// checkTarget refuses what can name no device, folder or drive.
func checkTarget(field, target string) error {
	if target == "" {
		return fmt.Errorf("%q is missing: a device or a folder", field)
	}
	if len(target) > maxTarget {
		return fmt.Errorf("%q is longer than %d bytes", field, maxTarget)
	}
	for _, r := range target {
		if unicode.IsControl(r) {
			return fmt.Errorf("%q holds a control character", field)
		}
	}
	return nil
}

// plain runs an action that takes no particulars: the body is empty or {}.
func plain(ctx context.Context, body []byte, do func(context.Context) error) (any, error) {
	if len(bytes.TrimSpace(body)) > 0 {
		if _, err := readFields(body); err != nil {
			return nil, badRequest{err}
		}
	}
	return nil, do(ctx)
}

// readEnrol reads {"device": "...", "name": "..."}.
func readEnrol(body []byte) (target, name string, err error) {
	fields, err := readFields(body, "device", "name")
	if err != nil {
		return "", "", err
	}
	target, name = fields["device"], fields["name"]
	if err := checkTarget("device", target); err != nil {
		return "", "", err
	}
	if utf8.RuneCountInString(name) > maxDriveName {
		return "", "", fmt.Errorf(`"name" is longer than %d characters`, maxDriveName)
	}
	for _, r := range name {
		if !harmless(r) {
			return "", "", errors.New(`"name" holds a character that does not print`)
		}
	}
	return target, name, nil
}

// readFields reads one JSON object whose members are strings, every name one of
// known and given once, and nothing after it. It is stricter than
// encoding/json, which takes names in any case and the last of two.
func readFields(body []byte, known ...string) (map[string]string, error) {
	if !utf8.Valid(body) {
		return nil, errors.New("the request is not UTF-8")
	}
	dec := json.NewDecoder(bytes.NewReader(body))
	if t, err := dec.Token(); err != nil || t != json.Delim('{') {
		return nil, errors.New("the request is not a JSON object")
	}
	fields := map[string]string{}
	for dec.More() {
		key, err := stringToken(dec)
		if err != nil {
			return nil, err
		}
		if _, twice := fields[key]; twice {
			return nil, fmt.Errorf("%q is given twice", brief(key))
		}
		if !slices.Contains(known, key) {
			return nil, fmt.Errorf("%q is not known here", brief(key))
		}
		if fields[key], err = stringToken(dec); err != nil {
			return nil, fmt.Errorf("%q: %w", key, err)
		}
	}
	if _, err := dec.Token(); err != nil {
		return nil, errors.New("the JSON object does not end")
	}
	if _, err := dec.Token(); !errors.Is(err, io.EOF) {
		return nil, errors.New("something follows the JSON object")
	}
	return fields, nil
}

func stringToken(dec *json.Decoder) (string, error) {
	t, err := dec.Token()
	if err != nil {
		return "", errors.New("the request is not sound JSON")
	}
	s, ok := t.(string)
	if !ok {
		return "", errors.New("a string is wanted")
	}
	return s, nil
}

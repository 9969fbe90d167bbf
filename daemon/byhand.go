package daemon

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/pace"
	"bothy/daemon/state"
	"bothy/daemon/volume"
	"bothy/policy"
)

// CopyRequest asks for one offload by hand.
type CopyRequest struct {
	Source   string   // a folder
	To       []string // folders
	Verify   string   // "" means read-back
	Checksum string   // "" means xxh128
	Version  string   // of the program, for the manifests
	Progress func(CopyProgress)
}

// CopyProgress is a look at it.
type CopyProgress struct {
	Files          int
	Bytes          int64
	BytesRead      int64
	Done           float64    // of all copies, 0 to 1, never falling; 1 only when they are proven
	BytesPerSecond int64      // at which the source is read; 0 while it is not, or not known
	Left           state.Left // until all copies are there
	Copies         []CopyStep
}

// CopyStep is a look at one copy.
type CopyStep struct {
	Drive        string // the folder as it was given
	State        state.CopyPhase
	Reason       string
	FilesProven  int
	BytesWritten int64
	BytesProven  int64
	Done         float64
	Left         state.Left
}

// CopyReport is how it ended.
type CopyReport struct {
	Verdict state.Verdict
	Reason  string
	Bytes   int64
	Files   int
	Elapsed time.Duration
	Copies  []CopyEnd
	// LeftOut says of each thing in the source that is in no copy why; at most
	// state.MaxLeftOut and one line that counts the rest.
	LeftOut []string
	// Salvaged are the files that the source gave in part only, bounded.
	Salvaged []state.Salvage
}

// CopyEnd is how one copy ended.
type CopyEnd struct {
	Drive  string // the folder as it was given
	Folder string // absolute; empty when nothing was written
	State  state.CopyPhase
	Reason string
}

// AllProven reports whether every copy that was asked for is proven.
func (r CopyReport) AllProven() bool {
	return len(r.Copies) > 0 && !slices.ContainsFunc(r.Copies, func(c CopyEnd) bool { return c.State != state.CopyProven })
}

// CopyByHand brings one folder to others through the engine that the daemon
// uses. An error that is ErrRefused means that nothing was written. The verdict
// counts physical disks: two folders of one disk are two proven copies and a
// hold.
func CopyByHand(ctx context.Context, r CopyRequest) (CopyReport, error) {
	begun := time.Now()
	h := &byHand{request: r}
	defer h.close()
	if err := h.open(ctx); err != nil {
		return CopyReport{}, err
	}
	h.pace, h.begun = pace.New(pacePlan(&h.job, func(string) pace.Rates { return pace.Rates{} }, 0)), begun
	res := offload.Run(ctx, h.job)
	report := h.report(res)
	report.Elapsed = time.Since(begun)
	if !slices.ContainsFunc(report.Copies, func(c CopyEnd) bool { return c.State != state.CopyRefused }) {
		var why []string
		for _, c := range report.Copies {
			why = append(why, fmt.Sprintf("%s: %s", c.Drive, strings.TrimPrefix(c.Reason, offload.ErrRefused.Error()+": ")))
		}
		return report, fmt.Errorf("%w: %s", ErrRefused, strings.Join(why, "; "))
	}
	return report, context.Cause(ctx)
}

type byHand struct {
	request CopyRequest
	source  *Opened
	targets []*Opened
	paths   []string // absolute, of targets
	job     offload.Job
	pace    *pace.Estimator
	begun   time.Time
	faults  []string
}

func (h *byHand) close() {
	for _, o := range append(h.targets, h.source) {
		if o != nil {
			o.Root.Close()
		}
	}
}

// open looks at everything before the first byte.
func (h *byHand) open(ctx context.Context) error {
	source, err := openNamed("the source", h.request.Source)
	if err != nil {
		return err
	}
	h.source = source.Opened
	if len(h.request.To) == 0 {
		return fmt.Errorf("%w: no folder to copy to was given", ErrRefused)
	}
	for _, to := range h.request.To {
		target, err := openNamed("the destination", to)
		if err != nil {
			return err
		}
		h.targets = append(h.targets, target.Opened)
		if within(target.path, source.path) || within(source.path, target.path) {
			return fmt.Errorf("%w: %s and %s lie within one another", ErrRefused, h.request.Source, to)
		}
		if slices.Contains(h.paths, target.path) {
			return fmt.Errorf("%w: %s is given twice", ErrRefused, to)
		}
		h.paths = append(h.paths, target.path)
	}
	return h.prepare(ctx, filepath.Base(source.path))
}

type named struct {
	*Opened
	path string // absolute, links resolved
}

func openNamed(what, name string) (named, error) {
	refuse := func(err error) (named, error) {
		return named{}, fmt.Errorf("%w: %s %q: %w", ErrRefused, what, name, err)
	}
	abs, err := filepath.Abs(name)
	if err != nil {
		return refuse(err)
	}
	if abs, err = filepath.EvalSymlinks(abs); err != nil {
		return refuse(err)
	}
	info, err := os.Stat(abs)
	if err != nil {
		return refuse(err)
	}
	if !info.IsDir() {
		return refuse(errors.New("is not a folder"))
	}
	o, err := openFolder(abs)
	if err != nil {
		return refuse(err)
	}
	return named{o, abs}, nil
}

func within(inner, outer string) bool {
	rel, err := filepath.Rel(outer, inner)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, "../")
}

// prepare makes the engine's job.
func (h *byHand) prepare(ctx context.Context, name string) error {
	ignore, err := mhl.ParseIgnore(mhl.DefaultIgnore())
	if err != nil {
		return err
	}
	plan, err := offload.NewPlan(ctx, h.source.FS, ignore)
	if err != nil {
		if cause := context.Cause(ctx); cause != nil {
			return cause
		}
		return fmt.Errorf("%w: %w", ErrRefused, err)
	}
	if len(plan.Files) == 0 {
		return fmt.Errorf("%w: %s holds no files", ErrRefused, h.request.Source)
	}
	if n := plan.Held(); n > 0 {
		h.faults = append(h.faults, leftOutSentence(plan, n))
	}
	host, _ := os.Hostname() // a manifest without it is still one
	now, trusted := wallClock()
	h.job = offload.Job{
		Card: offload.Card{FS: h.source.FS}, Plan: plan,
		Checksum: cmpOr(h.request.Checksum, policy.DefaultChecksum), Verify: offload.Level(cmpOr(h.request.Verify, policy.VerifyReadBack)),
		Creator: mhl.Creator{Tool: "Bothy", Version: h.request.Version, Hostname: host}, Now: wallClock, Progress: h.progress,
	}
	if err := h.job.Validate(); err != nil {
		return fmt.Errorf("%w: %w", ErrRefused, err)
	}
	if err := h.readHistory(ctx, plan); err != nil {
		return err
	}
	rule := policy.CardRule{Folder: "{date}/{label}-{time}"}
	want, err := rule.FolderName(policy.FolderFacts{Date: now.Format("2006-01-02"), Time: now.Format("150405"), Label: name, ClockTrusted: trusted})
	if err != nil {
		return err
	}
	folder, err := freeFolder(want, func(name string) bool {
		return !slices.ContainsFunc(h.targets, func(t *Opened) bool { return !nameFree(t.FS, name) })
	})
	if err != nil {
		return err
	}
	for i, t := range h.targets {
		free, _, err := volume.Space(t.Root)
		if err != nil {
			return fmt.Errorf("%w: %w", ErrRefused, err)
		}
		h.job.Drives = append(h.job.Drives, offload.Drive{
			ID: fmt.Sprint(i), Name: h.request.To[i], FS: t.FS, Root: t.Root, Limits: t.Limits, Folder: folder, FreeBytes: free,
		})
	}
	return nil
}

func (h *byHand) readHistory(ctx context.Context, plan *offload.Plan) error {
	if !plan.HasHistory() {
		return nil
	}
	history, err := mhl.OpenIndex(ctx, h.source.Root, nil)
	if err != nil {
		return fmt.Errorf("%w: the source's own manifests: %w", ErrRefused, err)
	}
	h.job.Earlier = earlierHashes(history, plan)
	return nil
}

func (h *byHand) progress(p offload.Progress) {
	if h.request.Progress == nil {
		return
	}
	said := h.pace.Look(paceLook(time.Since(h.begun), p))
	look := CopyProgress{
		Files: len(h.job.Plan.Files), Bytes: h.job.Plan.Bytes, BytesRead: p.BytesRead,
		Done: said.Done, BytesPerSecond: said.BytesPerSecond, Left: state.Left(said.Left),
	}
	for i, c := range p.Copies {
		look.Copies = append(look.Copies, CopyStep{
			Drive: h.request.To[i], State: c.Phase, Reason: c.Reason, FilesProven: c.FilesProven,
			BytesWritten: c.BytesWritten, BytesProven: c.BytesProven, Done: said.Copies[i].Done, Left: state.Left(said.Copies[i].Left),
		})
	}
	h.request.Progress(look)
}

// report says how it ended.
func (h *byHand) report(res offload.Result) CopyReport {
	r := CopyReport{Bytes: h.job.Plan.Bytes, Files: len(h.job.Plan.Files), LeftOut: leftOutSentences(h.job.Plan), Salvaged: res.Salvaged}
	a := offload.Account{Copies: policy.DefaultCopies, Places: make([][]offload.Place, len(h.job.Plan.Files)), Faults: h.faults}
	for name, why := range res.Missing() {
		a.Faults = append(a.Faults, fmt.Sprintf("%q cannot be read: %s", name, why))
	}
	if summary := state.SalvageSummary(res.Salvaged); summary != "" {
		a.Faults = append(a.Faults, summary)
	}
	for _, name := range res.Changed {
		a.Faults = append(a.Faults, fmt.Sprintf("%q gave other bytes when it was read again", name))
	}
	for _, name := range res.HistoryBroken {
		a.Faults = append(a.Faults, fmt.Sprintf("%q does not agree with the source's own manifest", name))
	}
	if h.job.Verify == offload.VerifySize {
		a.Faults = append(a.Faults, "copies that were not read back release nothing")
	}
	slices.Sort(a.Faults)
	var places []offload.Place
	for i, c := range res.Copies {
		end := CopyEnd{Drive: h.request.To[i], State: c.Phase}
		if c.Folder != "" {
			end.Folder = path.Join(h.paths[i], c.Folder)
		}
		if c.Err != nil {
			end.Reason = c.Err.Error()
			a.Outlook = append(a.Outlook, end.Drive+": "+end.Reason)
		}
		if c.Phase == state.CopyProven {
			places = append(places, offload.Place{DriveID: c.DriveID, Disks: h.targets[i].Disks})
		}
		r.Copies = append(r.Copies, end)
	}
	for i := range a.Places {
		a.Places[i] = places
	}
	if res.CardErr != nil {
		a.Faults = append(a.Faults, res.CardErr.Error())
	}
	r.Verdict, _, r.Reason = offload.Judge(a)
	return r
}

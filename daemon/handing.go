package daemon

import (
	"context"
	"errors"
	"io/fs"
	"path"
	"slices"
	"strings"
	"time"

	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
	"bothy/daemon/offload"
	"bothy/daemon/volume"
	"bothy/policy"
)

// handing is one offload on its way to a shuttle.
type handing struct {
	w      ledger.Whereabouts
	files  []ledger.File   // all that the ledger knows
	chosen map[string]bool // of these
	whole  bool            // all are chosen, and the card was read whole
	before ledger.Copy     // what is known to be on the shuttle; zero when nothing is
	proven map[string]bool // what is known to be proven there
	stand  standingFolder  // what is there
	lost   []string        // chosen files that nobody can give, and why
}

// standingFolder is a folder of ours on a shuttle, finished or not.
type standingFolder struct {
	folder     string // its finished name; empty when there is none
	unfinished bool   // and it is called so
	there      map[string]bool
	touched    bool // somebody has put something into it, or changed what is in it
	history    *offload.Plan
	sums       map[string]offload.Checksums // of the history's files
	listed     map[string]bool              // files that the history knows
}

// partly: the folder is one of a chosen part.
func (h *handing) partly() bool {
	return strings.HasPrefix(h.stand.folder, h.w.Folder+offload.PartSuffix)
}

// goesOn: what is in the folder is ours alone, and stays when more is brought.
func (h *handing) goesOn() bool {
	return h.stand.folder != "" && (h.stand.unfinished || !h.stand.touched && h.stand.history != nil && (h.whole || h.partly()))
}

// level: all that is chosen stands there, finished.
func (h *handing) level() bool {
	return h.stand.folder != "" && !h.stand.unfinished && len(h.lacking()) == 0 &&
		(h.before.Status == ledger.CopyHanded || h.before.Status == ledger.CopyProven)
}

// lacking are the chosen files that are not there under a final name.
func (h *handing) lacking() (list []ledger.File) {
	for _, f := range h.files {
		if h.chosen[f.Path] && (h.stand.unfinished || !h.stand.there[f.Path]) {
			list = append(list, f)
		}
	}
	return list
}

func (h *handing) lacks() *offload.Plan {
	p := &offload.Plan{}
	for _, f := range h.lacking() {
		add(p, entryOf(f))
	}
	p.Dirs = foldersOf(p.Files)
	return p
}

func add(p *offload.Plan, e offload.Entry) {
	p.Files = append(p.Files, e)
	p.Bytes += e.SizeBytes
}

func entryOf(f ledger.File) offload.Entry {
	return offload.Entry{Path: f.Path, SizeBytes: f.SizeBytes, ModTime: f.ModTime, InHistory: inHistory(f.Path)}
}

// sumsOf are a file's checksums as taken when the card was read.
func sumsOf(f ledger.File) offload.Checksums {
	return offload.Checksums{Sum: f.Checksum, Sample: f.Sample}
}

// survey finds out what is chosen of an offload, and what of it is on the shuttle.
func (e *errand) survey(ctx context.Context, d *jobDrive, w ledger.Whereabouts) (*handing, error) {
	h := &handing{w: w, chosen: map[string]bool{}, proven: map[string]bool{}}
	var err error
	if h.files, err = e.s.ledger.Files(ctx, w.ID); err != nil {
		e.recorderFailed(err)
		return nil, err
	}
	h.choose(e.piece.selection)
	i := slices.IndexFunc(w.Copies, func(c ledger.Copy) bool { return c.DriveID == d.identity.ID })
	if i < 0 || w.Copies[i].Folder == "" {
		return h, nil
	}
	h.before = w.Copies[i]
	if h.proven, err = e.s.ledger.Proven(ctx, w.ID, d.identity.ID); err != nil {
		e.recorderFailed(err)
		return nil, err
	}
	if h.before.Status == ledger.CopyLost {
		return h, nil // what bears its name is nobody's to go on with
	}
	h.stand, err = ask(ctx, &e.task, d, func(ctx context.Context, o *Opened, step func()) (standingFolder, error) {
		return standsAs(ctx, o, h.before, w.Folder, h.files, h.proven, w.Checksum, step)
	})
	return h, err
}

func (h *handing) choose(s policy.Selection) {
	all := len(h.files) == h.w.Files
	for _, f := range h.files {
		switch {
		case inHistory(f.Path): // it speaks of the whole card, and goes along with that only
		case s.TakesFile(f.Path):
			h.chosen[f.Path] = true
		default:
			all = false
		}
	}
	h.whole = all && len(h.w.Salvaged) == 0
	for _, v := range h.w.Salvaged {
		if v.Path != "" && s.TakesFile(v.Path) {
			h.lost = append(h.lost, v.Path+": it could not be read whole from the card")
		}
	}
}

// standsAs looks for a copy's folder, finished or not, and into it.
func standsAs(ctx context.Context, o *Opened, c ledger.Copy, whole string, files []ledger.File, proven map[string]bool, algorithm string, step func()) (s standingFolder, err error) {
	s.there, s.listed = map[string]bool{}, map[string]bool{}
	folder := c.Folder
	base := strings.TrimSuffix(folder, offload.IncompleteSuffix)
	name := base + offload.UnfinishedSuffix
	s.unfinished = true
	if item, err := o.FS.Lstat(name); !c.Begun() || err != nil || !item.Mode.IsDir() {
		s.unfinished, name = false, folder
		if item, err := o.FS.Lstat(name); errors.Is(err, fs.ErrNotExist) || err == nil && !item.Mode.IsDir() {
			return s, nil
		} else if err != nil {
			return s, err
		}
	}
	step()
	listed, err := offload.NewPlan(ctx, belowFS{o.FS, name}, &mhl.Ignore{})
	if err != nil {
		return s, err
	}
	s.folder = base
	s.touched = name == base+offload.IncompleteSuffix || len(listed.LeftOut) > 0
	var history *mhl.History
	if !s.unfinished || strings.HasPrefix(base, whole+offload.PartSuffix) { // else it may be another drive's, half copied
		history = s.readHistory(ctx, o, name, listed, algorithm, step)
	}
	known := make(map[string]ledger.File, len(files))
	for _, f := range files {
		known[f.Path] = f
	}
	for _, entry := range listed.Files {
		if step(); entry.InHistory {
			continue
		}
		f, ours := known[entry.Path]
		if !ours || !proven[f.Path] || f.SizeBytes != entry.SizeBytes || f.ModTime.Sub(entry.ModTime).Abs() > 2*time.Second {
			s.touched = true
			continue
		}
		s.there[f.Path] = true
	}
	needed := map[string]bool{}
	for _, dir := range foldersOf(listed.Files) {
		needed[dir.Path] = true
	}
	for _, dir := range listed.Dirs {
		s.touched = s.touched || !needed[dir.Path] && (history == nil || !slices.Contains(history.Dirs(), dir.Path))
	}
	return s, nil
}

// readHistory takes the folder's own manifests, when they can be carried on.
func (s *standingFolder) readHistory(ctx context.Context, o *Opened, name string, listed *offload.Plan, algorithm string, step func()) *mhl.History {
	history, err := o.history(ctx, name, step)
	if err != nil || len(history.Generations) == 0 {
		return nil
	}
	plan, sums := &offload.Plan{}, map[string]offload.Checksums{}
	for _, entry := range listed.Files {
		if !entry.InHistory {
			continue
		}
		sum, err := sumOf(ctx, o.FS, path.Join(name, entry.Path), algorithm, step)
		if err != nil {
			return nil
		}
		sample, err := sampleOf(o.FS, path.Join(name, entry.Path))
		if err != nil {
			return nil
		}
		add(plan, entry)
		sums[entry.Path] = offload.Checksums{Sum: sum, Sample: sample}
	}
	for _, file := range history.Files() {
		s.listed[file] = true
	}
	for _, dir := range listed.Dirs { // folders that it records are there again, with their times
		if inHistory(path.Join(dir.Path, "x")) || slices.Contains(history.Dirs(), dir.Path) {
			plan.Dirs = append(plan.Dirs, dir)
		}
	}
	s.history, s.sums = plan, sums
	return history
}

func sampleOf(f offload.FS, name string) (string, error) {
	src, err := f.OpenMedium(name)
	if err != nil {
		return "", err
	}
	defer src.Close()
	return checksum.SampleReaderAt(src, src.Size(), volume.AlignedBuffer(checksum.SampleBlockBytes))
}

// handedBy takes back the proof of what somebody has removed or changed of what a
// shuttle was brought.
func (e *errand) handedBy(ctx context.Context, d *jobDrive, w ledger.Whereabouts) {
	h, err := e.survey(ctx, d, w)
	if err != nil || h.stand.folder == "" || h.stand.unfinished {
		return
	}
	var gone []string
	for name := range h.proven {
		if !h.stand.there[name] && !inHistory(name) {
			gone = append(gone, name)
		}
	}
	if len(gone) > 0 && (d.opened.Medium == nil || d.opened.Medium.Check() == nil) {
		e.recorderFailed(e.s.ledger.RecordUnproven(context.WithoutCancel(ctx), w.ID, d.identity.ID, gone))
	}
}

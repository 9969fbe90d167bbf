package told

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"bothy/daemon"
	"bothy/daemon/checksum"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
)

// shot is the day of which the documents' examples speak.
var shot = time.Date(2026, 11, 25, 14, 31, 0, 0, time.UTC)

// past is what the box of the examples has done before: invented, but for the copies,
// which are there, with their manifests.
type past struct {
	t *testing.T
	l *ledger.Ledger
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// enrol gives a folder its identity, as the program does it.
func (p past) enrol(dir, name string) (id string) {
	p.t.Helper()
	must(p.t, os.MkdirAll(dir, 0o755))
	id, err := daemon.Enrol(p.t.Context(), daemon.EnrolRequest{Target: dir, Name: name})
	must(p.t, err)
	p.remember(id, name)
	return id
}

func (p past) remember(id, name string) {
	p.t.Helper()
	at := ledger.Moment{Wall: shot, Trusted: true}
	must(p.t, p.l.PutDrive(p.t.Context(), ledger.Drive{ID: id, Name: name, SizeBytes: 2e12, FreeBytes: 1e12, FirstSeen: at, LastSeen: at}))
}

// offload invents one of two clips and a picture, proven on all drives: those whose
// value is a folder hold it, the others are away.
func (p past) offload(label, clip, folder string, at time.Time, drives map[string]string) string {
	p.t.Helper()
	ctx := p.t.Context()
	when := ledger.Moment{Wall: at, Trusted: true}
	gen := mhl.Generation{Folder: filepath.Base(folder), Process: mhl.Transfer, Creator: mhl.Creator{Tool: "invented"}, At: at, ClockTrusted: true}
	content := map[string][]byte{}
	var files []ledger.File
	var paths []string
	for n, name := range []string{"DCIM/100SKUAS/" + clip, "DCIM/100SKUAS/PICTURE.JPG"} {
		data := bytes.Repeat([]byte{byte(n + 1), 7}, 40_000)
		h, err := checksum.New(checksum.XXH128)
		must(p.t, err)
		h.Write(data)
		sample, err := checksum.SampleReaderAt(bytes.NewReader(data), int64(len(data)), make([]byte, checksum.SampleBlockBytes))
		must(p.t, err)
		content[name], paths = data, append(paths, name)
		files = append(files, ledger.File{Path: name, SizeBytes: int64(len(data)), ModTime: at, Algorithm: "xxh128", Checksum: h.Sum(), Sample: sample})
		gen.Files = append(gen.Files, mhl.FileHash{Path: name, SizeBytes: int64(len(data)), ModTime: at, Algorithm: "xxh128", Value: h.Sum(), Action: mhl.Original, HashedAt: at})
	}
	o, err := p.l.BeginOffload(ctx, ledger.Offload{CardKey: label, CardLabel: label, Folder: folder, Verify: "read-back", Checksum: "xxh128",
		CopiesWanted: 2, Files: len(files), Bytes: 160_000, Started: when})
	must(p.t, err)
	must(p.t, p.l.RecordFiles(ctx, o.ID, files))
	for id, dir := range drives {
		c := ledger.Copy{OffloadID: o.ID, DriveID: id, Folder: folder, Status: ledger.CopyProven, Updated: when}
		if dir != "" {
			c.ManifestPath, c.ManifestC4 = p.lay(filepath.Join(dir, folder), content, at, gen)
		}
		must(p.t, p.l.RecordProven(ctx, o.ID, id, paths, when))
		must(p.t, p.l.PutCopy(ctx, c))
	}
	must(p.t, p.l.UpdateOffload(ctx, o.ID, "release", "2 files, each proven on 2 drives", ledger.OffloadDone, when))
	return o.ID
}

// lay puts files and their manifest below dir.
func (p past) lay(dir string, content map[string][]byte, at time.Time, gen mhl.Generation) (path, c4 string) {
	p.t.Helper()
	for name, data := range content {
		place := filepath.Join(dir, name)
		must(p.t, os.MkdirAll(filepath.Dir(place), 0o755))
		must(p.t, os.WriteFile(place, data, 0o644))
		must(p.t, os.Chtimes(place, at, at))
	}
	folder, err := os.OpenRoot(dir)
	must(p.t, err)
	defer folder.Close()
	w, err := mhl.Append(folder, gen, nil)
	must(p.t, err)
	return w.Path, w.C4
}

// invent makes the past of the world's box, and returns the id of its first offload.
func (w *world) invent(state string) (offload string) {
	w.t.Helper()
	must(w.t, os.MkdirAll(state, 0o700))
	l, err := ledger.Open(context.Background(), filepath.Join(state, "ledger.db"))
	must(w.t, err)
	defer func() { must(w.t, l.Close()) }()
	p := past{w.t, l}
	one, two := w.path("/mnt/bay-1"), w.path("/mnt/bay-2")
	drives := map[string]string{p.enrol(one, "bay-1"): one, p.enrol(two, "bay-2"): two}
	p.enrol(w.path("/mnt/editor-1"), "editor-1")
	// What bay-7 had when it went away is one day's work.
	now := time.Now().UTC()
	for n, at := range []time.Time{now, now.Add(24 * time.Hour)} { // midnight may pass meanwhile
		p.offload("TERN_00"+string(rune('1'+n)), "TERN0001.MOV", at.Format(time.DateOnly)+"/skerry-2-TERN", at, drives)
	}
	drives["id-of-bay-7"] = ""
	p.remember("id-of-bay-7", "bay-7")
	return p.offload("SKUA_003", "SKUA0042.MOV", "2026-11-25/skerry-2-SKUA_003-143100", shot, drives)
}

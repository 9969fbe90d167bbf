package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"bothy/daemon/checksum"
	"bothy/daemon/identity"
	"bothy/daemon/ledger"
	"bothy/daemon/mhl"
)

// cmdInventCopy puts an invented offload with a proven copy, files and manifest and
// all, on an enrolled folder and into the ledger of a state folder:
// 'invent-copy STATE-DIR DRIVE-DIR'.
func cmdInventCopy(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: invent-copy STATE-DIR DRIVE-DIR")
	}
	state, drive := ts.MkAbs(args[0]), ts.MkAbs(args[1])
	data, err := os.ReadFile(filepath.Join(drive, ".bothy", "drive.toml"))
	ts.Check(err)
	id, err := identity.Parse(data)
	ts.Check(err)
	at := ledger.Moment{Wall: time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC), Trusted: true}
	const folder = "2026-11-25/skerry-2-SKUA_A001"
	gen := mhl.Generation{Folder: filepath.Base(folder), Process: mhl.Transfer, Creator: mhl.Creator{Tool: "invented"}, At: at.Wall, ClockTrusted: true}
	var files []ledger.File
	var paths []string
	for n, name := range []string{"DCIM/100SKUAS/SKUA0001.MOV", "DCIM/100SKUAS/SKUA0002.JPG"} {
		content := bytes.Repeat([]byte{byte(n + 1), 7}, 50_000)
		place := filepath.Join(drive, folder, name)
		ts.Check(os.MkdirAll(filepath.Dir(place), 0o755))
		ts.Check(os.WriteFile(place, content, 0o644))
		ts.Check(os.Chtimes(place, at.Wall, at.Wall))
		h, err := checksum.New(checksum.XXH128)
		ts.Check(err)
		h.Write(content)
		sample, err := checksum.SampleReaderAt(bytes.NewReader(content), int64(len(content)), make([]byte, checksum.SampleBlockBytes))
		ts.Check(err)
		files = append(files, ledger.File{Path: name, SizeBytes: int64(len(content)), ModTime: at.Wall, Algorithm: "xxh128", Checksum: h.Sum(), Sample: sample})
		gen.Files = append(gen.Files, mhl.FileHash{Path: name, SizeBytes: int64(len(content)), ModTime: at.Wall, Algorithm: "xxh128", Value: h.Sum(), Action: mhl.Original, HashedAt: at.Wall})
		paths = append(paths, name)
	}
	root, err := os.OpenRoot(filepath.Join(drive, folder))
	ts.Check(err)
	defer root.Close()
	w, err := mhl.Append(root, gen, nil)
	ts.Check(err)
	ctx := context.Background()
	ts.Check(os.MkdirAll(state, 0o700))
	l, err := ledger.Open(ctx, filepath.Join(state, "ledger.db"))
	ts.Check(err)
	defer func() { ts.Check(l.Close()) }()
	ts.Check(l.PutDrive(ctx, ledger.Drive{ID: id.ID, Name: id.Name, FirstSeen: at, LastSeen: at}))
	o, err := l.BeginOffload(ctx, ledger.Offload{CardLabel: "SKUA_A001", Folder: folder, Verify: "read-back", Checksum: "xxh128", CopiesWanted: 1,
		Files: len(files), Bytes: 200_000, Started: at})
	ts.Check(err)
	ts.Check(l.RecordFiles(ctx, o.ID, files))
	ts.Check(l.RecordProven(ctx, o.ID, id.ID, paths, at))
	ts.Check(l.PutCopy(ctx, ledger.Copy{OffloadID: o.ID, DriveID: id.ID, Folder: folder, Status: ledger.CopyProven, ManifestPath: w.Path, ManifestC4: w.C4, Updated: at}))
	ts.Check(l.UpdateOffload(ctx, o.ID, "release", "2 files, each proven on 1 drive", ledger.OffloadDone, at))
}

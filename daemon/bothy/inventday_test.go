package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"bothy/daemon/ledger"
)

// cmdInvent writes an invented released offload of three files, one with a name
// that hurts, into the ledger of a state folder: 'invent STATE-DIR DAY', with DAY as
// YYYY-MM-DD, at its noon in UTC.
func cmdInvent(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: invent STATE-DIR DAY")
	}
	noon, err := time.Parse(time.DateOnly, args[1])
	ts.Check(err)
	at := ledger.Moment{Wall: noon.Add(12 * time.Hour), Trusted: true}
	ctx := context.Background()
	l, err := ledger.Open(ctx, filepath.Join(ts.MkAbs(args[0]), "ledger.db"))
	ts.Check(err)
	defer func() { ts.Check(l.Close()) }()
	o, err := l.BeginOffload(ctx, ledger.Offload{
		CardLabel: "SKUA_003", Folder: args[1] + "/skerry-2-SKUA_003", Verify: "read-back", Checksum: "xxh128", CopiesWanted: 2, Files: 3, Started: at,
	})
	ts.Check(err)
	var files []ledger.File
	var paths []string
	for i, name := range []string{"=SKUA(1).MOV", "DCIM/SKUA0001.JPG", "DCIM/<b>\u202eGPJ.JPG"} {
		paths = append(paths, name)
		files = append(files, ledger.File{Path: name, SizeBytes: 1_000_000, ModTime: at.Wall.Add(-time.Hour), Algorithm: "xxh128", Checksum: fmt.Sprintf("%032x", i+1)})
	}
	ts.Check(l.RecordFiles(ctx, o.ID, files))
	for _, id := range []string{"drive-a", "drive-b"} {
		ts.Check(l.PutDrive(ctx, ledger.Drive{ID: id, Name: "skerry-" + id, FirstSeen: at, LastSeen: at}))
		ts.Check(l.RecordProven(ctx, o.ID, id, paths, at))
		ts.Check(l.PutCopy(ctx, ledger.Copy{OffloadID: o.ID, DriveID: id, Folder: o.Folder, Status: ledger.CopyProven, Updated: at}))
	}
	ts.Check(l.UpdateOffload(ctx, o.ID, "release", "2 proven copies on 2 drives", ledger.OffloadDone, at))
}

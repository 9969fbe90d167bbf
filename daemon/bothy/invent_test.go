package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"bothy/daemon/ledger"
)

// cmdInventLedger puts an invented past of a box below DIR and the box's id into
// $BOX: 'invent-ledger DIR'. Two drives, both away: bay-7 has all of two cards,
// bay-8 one of them; and a second bay-8.
func cmdInventLedger(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: invent-ledger DIR")
	}
	dir := ts.MkAbs(args[0])
	ts.Check(os.MkdirAll(dir, 0o700))
	ctx := context.Background()
	l, err := ledger.Open(ctx, filepath.Join(dir, "ledger.db"))
	ts.Check(err)
	defer func() { ts.Check(l.Close()) }()
	at := func(hour, second int) ledger.Moment {
		return ledger.Moment{Wall: time.Date(2026, 11, 25, hour, 0, second, 0, time.UTC), Trusted: second != 13}
	}
	for id, name := range map[string]string{"id-7": "bay-7", "id-8": "bay-8", "id-9": "bay-8"} {
		ts.Check(l.PutDrive(ctx, ledger.Drive{ID: id, Name: name, DiskKey: id, SizeBytes: 2e12, FreeBytes: 1e12, FirstSeen: at(7, 0), LastSeen: at(7, 0)}))
	}
	offload := func(label string, hour int, drives []string, paths ...string) {
		o, err := l.BeginOffload(ctx, ledger.Offload{CardKey: label, CardLabel: label, Folder: "2026-11-25/" + label, Verify: "read-back", Checksum: "xxh128",
			CopiesWanted: 2, Files: len(paths), Bytes: int64(len(paths)) * 1e9, Started: at(hour, 0)})
		ts.Check(err)
		var files []ledger.File
		for n, path := range paths {
			files = append(files, ledger.File{Path: path, SizeBytes: 1e9, ModTime: at(6, n).Wall, Algorithm: "xxh128", Checksum: fmt.Sprintf("%032x", n)})
		}
		ts.Check(l.RecordFiles(ctx, o.ID, files))
		ts.Check(l.UpdateOffload(ctx, o.ID, "hold", "is being copied", ledger.OffloadOpen, at(hour, 1)))
		for n, id := range drives {
			ts.Check(l.RecordProven(ctx, o.ID, id, paths, at(hour, 30+n)))
			ts.Check(l.PutCopy(ctx, ledger.Copy{OffloadID: o.ID, DriveID: id, Folder: o.Folder, Status: ledger.CopyProven, Updated: at(hour, 30)}))
		}
		verdict, reason := "hold", "1 proven copy stands; needs 1 more drive"
		if len(drives) == 2 {
			verdict, reason = "release", "2 proven copies stand"
		}
		ts.Check(l.UpdateOffload(ctx, o.ID, verdict, reason, ledger.OffloadDone, at(hour, 40)))
	}
	offload("SKUA_A001", 9, []string{"id-7", "id-8"}, "DCIM/100SKUAS/SKUA0001.MOV", "DCIM/100SKUAS/SKUA0002.MOV", "notes\x1b[2J.txt")
	offload("TERN_B001", 20, []string{"id-7"}, "DCIM/100TERNS/TERN0001.MOV")
	ts.Setenv("BOX", l.BoxID())
}

package daemon

import (
	"fmt"
	"path/filepath"
	"testing"

	"bothy/daemon/ledger"
)

// A drive that came back and lacks nothing is known to be level from the ledger: by
// its copies, not by its files. The figure is what planning costs then; what is left
// is to look for two names in each copy's folder.
func BenchmarkPlan_levelDrive(b *testing.B) {
	const offloads, files = 300, 334 // 100,200 files
	ctx := b.Context()
	l, err := ledger.Open(ctx, filepath.Join(b.TempDir(), "ledger.db"))
	if err != nil {
		b.Fatal(err)
	}
	defer l.Close()
	at := ledger.Moment{Wall: shotAt, Trusted: true}
	var drives []attachedDrive
	for n := range 2 {
		id := fmt.Sprintf("drive-%d", n)
		if err := l.PutDrive(ctx, ledger.Drive{ID: id, Name: id, FirstSeen: at, LastSeen: at}); err != nil {
			b.Fatal(err)
		}
		drives = append(drives, attachedDrive{id: id, token: id, looked: true})
	}
	for n := range offloads {
		o, err := l.BeginOffload(ctx, ledger.Offload{CardKey: fmt.Sprint("card-", n), Folder: fmt.Sprintf("2026-11-25/%d", n), Files: files, Started: at,
			Verify: "read-back", Checksum: "xxh128", CopiesWanted: 2})
		if err != nil {
			b.Fatal(err)
		}
		list, names := make([]ledger.File, files), make([]string, files)
		for i := range list {
			names[i] = fmt.Sprintf("DCIM/100SKUAS/SKUA%04d.JPG", i)
			list[i] = ledger.File{Path: names[i], SizeBytes: 1000, ModTime: shotAt, Algorithm: "xxh128", Checksum: fmt.Sprintf("%032x", n*files+i)}
		}
		if err := l.RecordFiles(ctx, o.ID, list); err != nil {
			b.Fatal(err)
		}
		for _, d := range drives {
			if err := l.RecordProven(ctx, o.ID, d.id, names, at); err != nil {
				b.Fatal(err)
			}
			if err := l.PutCopy(ctx, ledger.Copy{OffloadID: o.ID, DriveID: d.id, Folder: o.Folder, Status: ledger.CopyProven, Updated: at}); err != nil {
				b.Fatal(err)
			}
		}
	}
	for b.Loop() {
		whole, err := l.Whereabouts(ctx)
		if err != nil {
			b.Fatal(err)
		}
		c := coverage{ledger: l, ctx: ctx, cards: provenCards(whole), known: map[string]bool{}}
		p := (&errandPlanner{list: whole, drives: drives, covered: c.covered, at: at}).plan()
		if p.next != nil || len(p.behind) > 0 || len(whole) != offloads {
			b.Fatalf("%+v", p)
		}
	}
}

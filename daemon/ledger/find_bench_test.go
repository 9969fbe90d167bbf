package ledger

import (
	"context"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// Of the invented survey that is looked through: a million files of 1,000
// offloads of 200 cards, each on two of three drives, but the newest on one.
const (
	benchOffloads = 1000
	benchFiles    = 1000
	benchCards    = 200
	benchNames    = 10_000 // a camera's numbers begin again
	benchLacking  = 20
)

func benchLedger(b *testing.B) *Ledger {
	b.Helper()
	ctx := b.Context()
	l, err := Open(ctx, filepath.Join(b.TempDir(), "ledger.db"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { l.Close() })
	check := func(err error) {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
	}
	// No power is cut here while it is filled.
	_, err = l.write.ExecContext(ctx, "PRAGMA synchronous = OFF")
	check(err)
	for n := range 3 {
		check(l.PutDrive(ctx, drive(n)))
	}
	for i := range benchOffloads {
		o := offload(fmt.Sprintf("card-%d", i%benchCards), benchFiles)
		o.CardLabel, o.Folder = fmt.Sprintf("SKUA_%03d", i%benchCards), fmt.Sprintf("2026-11-25/skua-%d", i)
		o.Started.Wall = time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Hour)
		o, err := l.BeginOffload(ctx, o)
		check(err)
		list := make([]File, benchFiles)
		for k := range list {
			n := i*benchFiles + k
			list[k] = file(n)
			list[k].Path = fmt.Sprintf("DCIM/%dSKUAS/SKUA%04d.MOV", 100+k/500, n%benchNames)
		}
		check(l.RecordFiles(ctx, o.ID, list))
		for n := range 3 {
			if n == i%3 || n == 2 && i >= benchOffloads-benchLacking {
				continue
			}
			check(l.RecordProven(ctx, o.ID, drive(n).ID, paths(list), at(i%60)))
			check(l.PutCopy(ctx, Copy{OffloadID: o.ID, DriveID: drive(n).ID, Folder: o.Folder, Status: CopyProven, Updated: at(1)}))
		}
		check(l.UpdateOffload(ctx, o.ID, "release", "2 proven copies stand", OffloadDone, at(2)))
	}
	return l
}

// BenchmarkFind asks a ledger of a million files what people ask.
func BenchmarkFind(b *testing.B) {
	l := benchLedger(b)
	find := func(q FileQuery, limit int) func(context.Context) (int, error) {
		return func(ctx context.Context) (int, error) {
			q.Limit = limit
			list, _, err := l.FindFiles(ctx, q)
			return len(list), err
		}
	}
	offloads := func(q OffloadQuery) func(context.Context) (int, error) {
		return func(ctx context.Context) (int, error) {
			list, _, err := l.FindOffloads(ctx, q)
			return len(list), err
		}
	}
	missing := func(n, limit int) func(context.Context) (int, error) {
		return func(ctx context.Context) (int, error) {
			list, _, err := l.Missing(ctx, drive(n).ID, limit)
			return len(list), err
		}
	}
	for _, q := range []struct {
		name string
		ask  func(context.Context) (int, error)
	}{
		{"exact name", find(FileQuery{Name: "SKUA0042.MOV"}, 100)},
		{"prefix, 100 shown", find(FileQuery{Name: "skua004*"}, 100)},
		{"prefix, 1000 shown", find(FileQuery{Name: "skua004*"}, 1000)},
		{"prefix of everything", find(FileQuery{Name: "SKUA*"}, 100)},
		{"prefix and card", find(FileQuery{OffloadQuery{Card: "skua_007"}, "SKUA*"}, 100)},
		{"prefix and drive", find(FileQuery{OffloadQuery{DriveID: "drive-1"}, "SKUA00*"}, 100)},
		{"path", find(FileQuery{Name: "DCIM/101SKUAS/SKUA06*"}, 100)},
		{"infix, few", find(FileQuery{Name: "*A0042*"}, 200)},
		{"infix, none", find(FileQuery{Name: "*puffin*"}, 100)},
		{"infix, many", find(FileQuery{Name: "*A9*"}, 100)},
		{"infix, everywhere", find(FileQuery{Name: "*MOV*"}, 100)},
		{"prefix and infix", find(FileQuery{Name: "SKUA*0042*"}, 100)},
		{"infix since a day", find(FileQuery{OffloadQuery{Since: time.Date(2026, 1, 2, 0, 0, 0, 0, time.UTC)}, "*A0042*"}, 100)},
		{"infix within a card", find(FileQuery{OffloadQuery{Card: "SKUA_007"}, "*A0042*"}, 100)},
		{"files of an offload", find(FileQuery{OffloadQuery: OffloadQuery{ID: l.BoxID() + "-7"}}, 100)},
		{"offloads of 14 days", offloads(OffloadQuery{Since: time.Date(2026, 1, 28, 0, 0, 0, 0, time.UTC)})},
		{"100 offloads", offloads(OffloadQuery{Limit: 100})},
		{"1000 offloads", offloads(OffloadQuery{Limit: 1000})},
		{"missing, few", missing(2, 10)},
		{"missing, 100 of 333", missing(0, 100)},
	} {
		b.Run(q.name, func(b *testing.B) {
			found := 0
			before := cpu(b)
			for b.Loop() {
				n, err := q.ask(b.Context())
				if err != nil {
					b.Fatal(err)
				}
				found = n
			}
			b.ReportMetric((cpu(b)-before).Seconds()*1000/float64(b.N), "cpu-ms/op")
			b.ReportMetric(float64(b.Elapsed().Microseconds())/1000/float64(b.N), "ms/op")
			b.ReportMetric(float64(found), "found")
		})
	}
}

// cpu is the processor time that this process has had, which does not grow with
// what else the machine does.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

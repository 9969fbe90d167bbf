package mhl

import (
	"context"
	"fmt"
	"os"
	"path"
	"runtime"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/checksum"
)

// bigCard is an invented card of n stills, a hundred in each folder.
func bigCard(n int) Generation {
	g := Generation{Folder: "skua-A003_20261125T1431Z", Process: Transfer, At: noon, ClockTrusted: true,
		Creator: Creator{Tool: "bothy", Version: "test", Hostname: "skerry-2"}}
	for i := range n {
		if i%100 == 0 {
			g.Dirs = append(g.Dirs, path.Dir(still(i).Path))
		}
		g.Files = append(g.Files, still(i))
	}
	return g
}

// still is one of its files.
func still(i int) FileHash {
	return FileHash{Path: fmt.Sprintf("DCIM/%05dSKUA/SKUA%06d.JPG", i/100, i),
		SizeBytes: int64(i), ModTime: noon.Add(time.Duration(i) * time.Second),
		Algorithm: checksum.XXH128, Value: fmt.Sprintf("%032x", uint64(i)*0x9e3779b97f4a7c15), Action: Original, HashedAt: noon}
}

// liveBytes is what the heap holds and can't let go of.
func liveBytes() int64 {
	var m runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}

// weighing weighs the heap while a manifest is written: at its first write, at
// every fiftieth and when it is flushed.
type weighing struct {
	writes int
	most   int64
}

func (w *weighing) Do(step Step, change func() error) error {
	switch step.Op {
	case OpWrite:
		if w.writes++; w.writes%50 == 1 {
			w.most = max(w.most, liveBytes())
		}
	case OpSync:
		w.most = max(w.most, liveBytes())
	}
	return change()
}

// cpu is what the whole process has used so far.
func cpu(b *testing.B) time.Duration {
	b.Helper()
	var used syscall.Rusage
	must(b, syscall.Getrusage(syscall.RUSAGE_SELF, &used))
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

func benchSizes(b *testing.B, run func(b *testing.B, n int)) {
	for _, n := range []int{1_000, 10_000, 100_000} {
		b.Run(fmt.Sprint(n), func(b *testing.B) { run(b, n) })
	}
}

func benchRoot(b *testing.B) *os.Root {
	b.Helper()
	root, err := os.OpenRoot(b.TempDir())
	must(b, err)
	b.Cleanup(func() { root.Close() })
	return root
}

func BenchmarkAppend(b *testing.B) {
	benchSizes(b, func(b *testing.B, n int) {
		g := bigCard(n)
		b.ReportAllocs()
		used := cpu(b)
		for b.Loop() {
			_, err := Append(benchRoot(b), g, nil)
			must(b, err)
		}
		b.ReportMetric(float64((cpu(b)-used).Milliseconds())/float64(b.N), "cpu-ms/op")
		before, w := liveBytes(), &weighing{}
		_, err := Append(benchRoot(b), g, w)
		must(b, err)
		b.ReportMetric(float64(w.most-before)/float64(n), "live-B/file")
		runtime.KeepAlive(g)
	})
}

func BenchmarkOpen(b *testing.B) { benchOpen(b, Open) }
func BenchmarkOpenIndex(b *testing.B) {
	benchOpen(b, func(root *os.Root) (*History, error) { return OpenIndex(context.Background(), root, nil) })
}

func benchOpen(b *testing.B, open func(*os.Root) (*History, error)) {
	benchSizes(b, func(b *testing.B, n int) {
		root := benchRoot(b)
		_, err := Append(root, bigCard(n), nil)
		must(b, err)
		before := liveBytes()
		b.ReportAllocs()
		used := cpu(b)
		var h *History
		for b.Loop() {
			h, err = open(root)
			must(b, err)
		}
		b.ReportMetric(float64((cpu(b)-used).Milliseconds())/float64(b.N), "cpu-ms/op")
		b.ReportMetric(float64(liveBytes()-before)/float64(n), "live-B/file")
		runtime.KeepAlive(h)
	})
}

// BenchmarkAppendAgain adds a generation to a history of as many files.
func BenchmarkAppendAgain(b *testing.B) {
	benchSizes(b, func(b *testing.B, n int) {
		g := bigCard(n)
		root := benchRoot(b)
		_, err := Append(root, g, nil)
		must(b, err)
		first, err := root.ReadFile(path.Join(FolderName, ChainName))
		must(b, err)
		b.ReportAllocs()
		var w weighing
		var most int64
		for b.Loop() {
			before := liveBytes()
			w = weighing{}
			written, err := Append(root, g, &w)
			must(b, err)
			most = max(most, w.most-before)
			must(b, root.WriteFile(path.Join(FolderName, ChainName), first, 0o644))
			must(b, root.Remove(written.Path))
		}
		b.ReportMetric(float64(most)/float64(n), "live-B/file")
		runtime.KeepAlive(g)
	})
}

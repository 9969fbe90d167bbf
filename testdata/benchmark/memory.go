package main

import (
	"context"
	"fmt"
	"os"
	"time"

	"golang.org/x/sys/unix"
)

// memoryTarget is what the daemon may have resident at the most, in MiB.
const memoryTarget = 96

func measureMemory(ctx context.Context, b *bench, res *result) error {
	long := recipe{sparse: b.share(20<<30, 0.1)}
	many := recipe{seed: 3, small: int(b.share(100_000, 1))}
	wide := footage(b.share(2000*mib, 0.25))
	fast := speed{}
	jobs := []struct {
		name string
		wish wish
	}{
		{fmt.Sprintf("one file of %.1f GiB, 2 drives", float64(long.sparse)/(1<<30)), wish{cards: []recipe{long}, drives: []speed{fast, fast}}},
		{fmt.Sprintf("%d files under 4 KiB, 2 drives", many.small), wish{cards: []recipe{many}, drives: []speed{fast, fast}}},
		{fmt.Sprintf("%d MiB, 4 drives", wide.bytes()/mib), wish{cards: []recipe{wide}, drives: []speed{fast, fast, fast, fast}}},
	}
	res.size("disks", "loop devices without throttles; what is written takes real room on the disk below, of which enough is free")
	for _, job := range jobs {
		if err := roomFor(job.wish.cards[0].bytes() * int64(len(job.wish.drives)+1)); err != nil {
			return err
		}
		err := withRig(ctx, job.wish, func(r *rig) error { return memoryOf(ctx, res, job.name, r) })
		if err != nil {
			return fmt.Errorf("%s: %w", job.name, err)
		}
	}
	res.note("peak: VmHWM of the daemon's process, which holds this benchmark's code too. Cached and Dirty are the whole machine's, others' work included, and how far they rose above what they were when the card came")
	return nil
}

// memoryOf is taken once: a peak is not a matter of luck.
func memoryOf(ctx context.Context, res *result, name string, r *rig) error {
	var kernel kernelMemory
	stop := func() error { return nil }
	run, err := daemonRun(ctx, r, r.drives, boxOptions{
		gap: seldomLook, begun: func() { stop = kernel.watch(ctx) },
		ended: func() { _ = stop() }, // its error is kept, and returned below
	})
	if serr := stop(); err == nil {
		err = serr
	}
	if err != nil {
		return err
	}
	res.add("peak, "+name, "MiB", []float64{float64(run.peakKB) / 1024})
	res.Figures = append(res.Figures,
		judged("peak, "+name, float64(run.peakKB)/1024, "MiB", memoryTarget),
		figure{Name: "growth of Cached, " + name, Value: kernel.cached, Unit: "MiB"},
		figure{Name: "growth of Dirty, " + name, Value: kernel.dirty, Unit: "MiB"})
	return nil
}

// roomFor refuses what would fill the disk below.
func roomFor(bytes int64) error {
	var s unix.Statfs_t
	if err := unix.Statfs(tempDir(), &s); err != nil {
		return fmt.Errorf("look for room at %s: %w", tempDir(), err)
	}
	const spare = 8 << 30
	if free := int64(s.Bavail) * s.Bsize; free < bytes+spare {
		return fmt.Errorf("%s has %d GiB free, and this takes %d and %d to spare; use a smaller --scale", tempDir(), free>>30, bytes>>30, int64(spare)>>30)
	}
	return nil
}

// kernelMemory is how far the kernel's own use of memory rose, in MiB.
type kernelMemory struct{ cached, dirty float64 }

// watch looks at it until stop is called; stop may be called again.
func (k *kernelMemory) watch(ctx context.Context) (stop func() error) {
	ctx, cancel := context.WithCancel(ctx)
	var failed error
	done := make(chan struct{})
	go func() {
		defer close(done)
		tick := time.NewTicker(100 * time.Millisecond)
		defer tick.Stop()
		cached, dirty, err := readMeminfo()
		for err == nil {
			select {
			case <-tick.C:
			case <-ctx.Done():
				return
			}
			var c, d float64
			c, d, err = readMeminfo()
			k.cached, k.dirty = max(k.cached, c-cached), max(k.dirty, d-dirty)
		}
		failed = err
	}()
	return func() error {
		cancel()
		<-done
		return failed
	}
}

// readMeminfo gives Cached and Dirty in MiB.
func readMeminfo() (cached, dirty float64, err error) {
	text, err := os.ReadFile("/proc/meminfo")
	if err != nil {
		return 0, 0, fmt.Errorf("read the kernel's memory: %w", err)
	}
	c, err := fieldKB(string(text), "Cached")
	if err != nil {
		return 0, 0, err
	}
	d, err := fieldKB(string(text), "Dirty")
	return float64(c) / 1024, float64(d) / 1024, err
}

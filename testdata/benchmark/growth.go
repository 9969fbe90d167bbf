package main

import (
	"context"
	"fmt"
	"strings"
)

// growthRow is one point of a curve.
type growthRow struct {
	Curve string  `json:"curve"` // what grows: bytes, files or drives
	X     float64 `json:"x"`     // MiB, files or drives
	Time  series  `json:"time"`  // s
	Peak  series  `json:"peak"`  // MiB
}

// Curves, in the order in which they are shown.
const (
	curveBytes  = "bytes"
	curveFiles  = "files"
	curveDrives = "drives"
)

func measureGrowth(ctx context.Context, b *bench, res *result) error {
	bytes, files, wide := b.share(20*mib, 0.5), b.share(100, 0.5), footage(b.share(400*mib, 0.5))
	res.size("bytes", "%d MiB in 8 clips, then 10 and 100 times as much; 2 drives", bytes/mib)
	res.size("files", "%d files under 4 KiB, then 10 and 100 times as many; 2 drives", files)
	res.size("drives", "1, 2, 4 and 8; %d MiB in 8 clips", wide.bytes()/mib)
	for _, times := range []int64{1, 10, 100} {
		if err := b.growthPoint(ctx, res, curveBytes, float64(bytes*times)/mib, footage(bytes*times), 2); err != nil {
			return err
		}
	}
	for _, times := range []int64{1, 10, 100} {
		rec := recipe{seed: 5, small: int(files * times)}
		if err := b.growthPoint(ctx, res, curveFiles, float64(rec.small), rec, 2); err != nil {
			return err
		}
	}
	for _, drives := range []int{1, 2, 4, 8} {
		if err := b.growthPoint(ctx, res, curveDrives, float64(drives), wide, drives); err != nil {
			return err
		}
	}
	res.note("'bothy copy' on loop devices without throttles: all of them share one disk and the processor")
	return nil
}

func (b *bench) growthPoint(ctx context.Context, res *result, curve string, x float64, rec recipe, drives int) error {
	err := withRig(ctx, wish{cards: []recipe{rec}, drives: make([]speed, drives)}, func(r *rig) error {
		var took []usage
		for range b.runs {
			u, err := b.bothyCopy(ctx, r)
			if err != nil {
				return err
			}
			took = append(took, u)
		}
		var peaks []float64
		for _, u := range took {
			peaks = append(peaks, float64(u.PeakKB)/1024)
		}
		res.Rows = append(res.Rows, growthRow{curve, x, newSeries("time", "s", seconds(took)), newSeries("peak", "MiB", peaks)})
		return nil
	})
	if err != nil {
		return fmt.Errorf("%s, %g: %w", curve, x, err)
	}
	return nil
}

// growthUnit says what a curve's X counts.
func growthUnit(curve string) string {
	if curve == curveBytes {
		return "MiB"
	}
	return curve
}

// growthTable is the rows as Markdown.
func growthTable(rows []growthRow) string {
	var t strings.Builder
	t.WriteString("| what grows | how much | time (s), median | least to most | peak memory (MiB), median |\n|---|---:|---:|---:|---:|\n")
	for _, r := range rows {
		fmt.Fprintf(&t, "| %s | %g %s | %.2f | %.2f to %.2f | %.1f |\n", r.Curve, r.X, growthUnit(r.Curve), r.Time.Median, r.Time.Min, r.Time.Max, r.Peak.Median)
	}
	return t.String()
}

// growthDocument is the table with what it needs to be understood alone.
func growthDocument(m machine, rows []growthRow) string {
	return fmt.Sprintf(`# How 'bothy copy' grows

Made by testdata/bench on %s: %s, %d cores, %s, tree %s.
Loop devices without throttles; all of them share one disk and the processor. Every copy was proven.

%s`, m.Date, m.Kernel, m.Cores, m.Go, m.Tree, growthTable(rows))
}

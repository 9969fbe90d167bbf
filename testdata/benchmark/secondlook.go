package main

import (
	"context"
	"fmt"
)

func measureSecondLook(ctx context.Context, b *bench, res *result) error {
	cards := []struct {
		name   string
		recipe recipe
	}{
		{"clips", footage(b.share(2000*mib, 0.25))},
		{"stills", recipe{seed: 2, stills: int(b.share(20_000, 0.025))}},
	}
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	for _, c := range cards {
		res.size(c.name, "%d files, %d MiB, read at %d MiB/s", c.recipe.files(), c.recipe.bytes()/mib, cardSpeed.read)
		w := wish{cards: []recipe{c.recipe}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}
		err := withRig(ctx, w, func(r *rig) error { return secondLookAt(ctx, b, res, c.name, r) })
		if err != nil {
			return fmt.Errorf("%s: %w", c.name, err)
		}
	}
	res.note("counted at the daemon's file system: the time from opening the first to closing the last file of a drive of which nothing but samples of up to %d bytes was read; of the drive where that took longest; as a share of the time until all was proven", sampleBytes)
	return nil
}

func secondLookAt(ctx context.Context, b *bench, res *result, name string, r *rig) error {
	var busy, share []float64
	for range b.runs {
		run, err := daemonRun(ctx, r, r.drives, boxOptions{gap: closeLook, trace: true})
		if err != nil {
			return err
		}
		longest := 0.0
		for _, l := range run.looks {
			longest = max(longest, l.Busy.Seconds())
			if l.Files < r.cards[0].content.files {
				res.note("%s: %d of %d files were looked at on %s", name, l.Files, r.cards[0].content.files, l.Disk)
			}
		}
		if len(run.looks) == 0 {
			res.note("%s: no second look was seen", name)
		}
		busy, share = append(busy, longest), append(share, 100*longest/run.done.Seconds())
	}
	res.add("second look, "+name, "s", busy)
	res.Figures = append(res.Figures, figure{Name: "share of the second look, " + name, Value: median(share), Unit: "%"})
	return nil
}

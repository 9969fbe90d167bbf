package main

import (
	"context"
	"time"
)

func measureSlow(ctx context.Context, b *bench, res *result) error {
	rec := footage(b.share(2000*mib, 0.2))
	res.size("card", "%d MiB in %d clips, read at %d MiB/s", rec.bytes()/mib, rec.clips, cardSpeed.read)
	res.size("drives", "2 with %d MiB/s written, %d read; 1 with %d written, %d read; copies = 2", driveSpeed.write, driveSpeed.read, slowSpeed.write, slowSpeed.read)
	return withRig(ctx, wish{cards: []recipe{rec}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed, slowSpeed}}, func(r *rig) error {
		var third []usage
		times, err := b.inTurn([]contender{
			{"release, without the slow drive", func() (usage, error) {
				run, err := daemonRun(ctx, r, r.drives[:2], boxOptions{gap: closeLook})
				return usage{Wall: run.released}, err
			}},
			{"release, with the slow drive", func() (usage, error) {
				run, err := daemonRun(ctx, r, r.drives, boxOptions{gap: closeLook})
				third = append(third, usage{Wall: run.done})
				return usage{Wall: run.released}, err
			}},
		})
		if err != nil {
			return err
		}
		without, with := res.add(times[0].name, "s", seconds(times[0].took)), res.add(times[1].name, "s", seconds(times[1].took))
		slow := res.add("third copy proven", "s", seconds(third))
		at := time.Duration(float64(rec.bytes()) / float64(slowSpeed.write*mib) * float64(time.Second))
		res.note("writing alone takes the slow drive %.1f s; its copy was proven after %.1f s", at.Seconds(), slow.Median)
		return res.ratio("release with the slow drive to without", with, without, 1.03)
	})
}

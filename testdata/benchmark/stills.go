package main

import "context"

// cpOnce is the least anybody would do: one copy, flushed, unproven.
const cpOnce = `cp -a "$1/DCIM" "$3/"
sync -f "$3"
`

func measureStills(ctx context.Context, b *bench, res *result) error {
	rec := recipe{seed: 2, stills: int(b.share(20_000, 0.1)), sidecars: int(b.share(5_000, 0.1))}
	res.size("card", "%d stills of 0.2 to 2 MB and %d sidecars under 4 KiB, %.0f MiB, read at %d MiB/s", rec.stills, rec.sidecars, float64(rec.bytes())/mib, cardSpeed.read)
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	return withRig(ctx, wish{cards: []recipe{rec}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}, func(r *rig) error {
		times, err := b.inTurn([]contender{
			{"cp -a and sync -f, to one drive", func() (usage, error) { return publicTool(ctx, r, 1, cpOnce) }},
			{"bothy copy, to two drives", func() (usage, error) { return b.bothyCopy(ctx, r) }},
		})
		if err != nil {
			return err
		}
		cp, ours := res.add(times[0].name, "s", seconds(times[0].took)), res.add(times[1].name, "s", seconds(times[1].took))
		return res.ratio("two proven copies to one unproven", ours, cp, 1.15)
	})
}

package main

import "context"

// cpThenSum is what two proven copies take at the least with public tools.
const cpThenSum = `cp -a "$1/DCIM" "$3/"
cp -a "$1/DCIM" "$4/"
sync -f "$3"
sync -f "$4"
echo 3 >/proc/sys/vm/drop_caches
for at in "$1" "$3" "$4"; do
	cd "$at"
	find DCIM -type f | sort | while IFS= read -r f; do xxhsum -H128 "$f"; done >"$2/sums${at##*/}"
done
cmp "$2/sums${1##*/}" "$2/sums${3##*/}"
cmp "$2/sums${1##*/}" "$2/sums${4##*/}"
`

// otherChecksums may cost processor time, but no time on the clock.
var otherChecksums = []string{"md5", "sha1", "c4"}

func measureCPU(ctx context.Context, b *bench, res *result) error {
	rec := footage(b.share(2000*mib, 0.2))
	res.size("card", "%d MiB in %d clips, read at %d MiB/s", rec.bytes()/mib, rec.clips, cardSpeed.read)
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	return withRig(ctx, wish{cards: []recipe{rec}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}, func(r *rig) error {
		all := []contender{
			{"reading the card once (the limit)", func() (usage, error) { return readLimit(ctx, r) }},
			{"bothy copy", func() (usage, error) { return b.bothyCopy(ctx, r) }},
			{"cp twice, xxhsum three times", func() (usage, error) { return publicTool(ctx, r, 2, cpThenSum) }},
		}
		for _, sum := range otherChecksums {
			all = append(all, contender{"bothy copy --checksum " + sum, func() (usage, error) { return b.bothyCopy(ctx, r, "--checksum", sum) }})
		}
		times, err := b.inTurn(all)
		if err != nil {
			return err
		}
		ours := res.add(times[1].name+", user and system", "s/GiB", perGiB(times[1].took, rec.bytes()))
		theirs := res.add(times[2].name+", user and system", "s/GiB", perGiB(times[2].took, rec.bytes()))
		if err := res.ratio("processor time, bothy copy to public tools", ours, theirs, 0.6); err != nil {
			return err
		}
		limit := res.add(times[0].name, "s", seconds(times[0].took))
		for _, t := range times[3:] {
			res.add(t.name+", user and system", "s/GiB", perGiB(t.took, rec.bytes()))
			if err := res.ratio(t.name+" to the limit", res.add(t.name, "s", seconds(t.took)), limit, 1.05); err != nil {
				return err
			}
		}
		res.note("what the kernel's own threads take (writing back, loop devices) is charged to nobody and in none of these")
		return nil
	})
}

package main

import (
	"context"
	"fmt"
)

// Public tools, as scripts: $1 is the card, $2 a scratch folder, $3 and $4 the
// drives. Like the daemon's own copies, theirs are read back from the medium.
const (
	cpAndDiff = `cp -a "$1/DCIM" "$3/"
cp -a "$1/DCIM" "$4/"
sync -f "$3"
sync -f "$4"
echo 3 >/proc/sys/vm/drop_caches
diff -r "$1/DCIM" "$3/DCIM"
diff -r "$1/DCIM" "$4/DCIM"
`
	// The card is read once; both drives are written, and later read, at once.
	teeAndSum = `: >"$2/tee.sums"
cd "$1"
find DCIM -type f | sort | while IFS= read -r f; do
	mkdir -p "$3/${f%/*}" "$4/${f%/*}"
	sum=$(tee "$3/$f" "$4/$f" <"$f" | xxhsum -H128 -)
	echo "${sum%% *}  $f" >>"$2/tee.sums"
done
sync -f "$3" & one=$!
sync -f "$4" & two=$!
wait $one
wait $two
echo 3 >/proc/sys/vm/drop_caches
(cd "$3" && xxhsum --check --quiet --strict "$2/tee.sums") & one=$!
(cd "$4" && xxhsum --check --quiet --strict "$2/tee.sums") & two=$!
wait $one
wait $two
`
)

// footage is a card of eight clips.
func footage(bytes int64) recipe {
	const clips = 8
	return recipe{seed: 1, clips: clips, clipBytes: max(1, bytes/clips)}
}

func measureLimit(ctx context.Context, b *bench, res *result) error {
	rec := footage(b.share(2000*mib, 1))
	res.size("card", "%d MiB in %d clips, read at %d MiB/s", rec.bytes()/mib, rec.clips, cardSpeed.read)
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	return withRig(ctx, wish{cards: []recipe{rec}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}, func(r *rig) error {
		times, err := b.inTurn([]contender{
			{"reading the card once (the limit)", func() (usage, error) { return readLimit(ctx, r) }},
			{"bothy copy", func() (usage, error) { return b.bothyCopy(ctx, r) }},
			{"cp twice, sync, diff -r twice", func() (usage, error) { return publicTool(ctx, r, 2, cpAndDiff) }},
			{"tee with xxhsum, both read back at once", func() (usage, error) { return publicTool(ctx, r, 2, teeAndSum) }},
		})
		if err != nil {
			return err
		}
		var s []series
		for _, t := range times {
			s = append(s, res.add(t.name, "s", seconds(t.took)))
		}
		if err := res.ratio("bothy copy to the limit", s[1], s[0], 1.05); err != nil {
			return err
		}
		for _, other := range s[2:] {
			if err := res.ratio(other.Name+" to the limit", other, s[0], 0); err != nil {
				return err
			}
		}
		return nil
	})
}

// contender is one of several things that are timed in turn.
type contender struct {
	name string
	run  func() (usage, error)
}

type timed struct {
	name string
	took []usage
}

// inTurn has each contender go once, then each again, so that what changes on
// the machine meanwhile touches all of them.
func (b *bench) inTurn(all []contender) ([]timed, error) {
	times := make([]timed, len(all))
	for run := range b.runs {
		for i, c := range all {
			u, err := c.run()
			if err != nil {
				return nil, fmt.Errorf("%s: %w", c.name, err)
			}
			fmt.Fprintf(b.log, "  run %d of %d: %s: %.2f s\n", run+1, b.runs, c.name, u.Wall.Seconds())
			times[i].name = c.name
			times[i].took = append(times[i].took, u)
		}
	}
	return times, nil
}

package main

import (
	"context"
	"errors"
	"fmt"

	"bothy/policy"
)

// twoAtOnce lets the daemon take two cards at a time.
const twoAtOnce = "parallel = 2\n"

// Limits of the hardware for two cards at once: reading both, and writing to
// one drive, or reading from it, what both hold.
const (
	readBoth = `jobs=()
for card in "$1" "$2"; do
	(for f in "$card"/DCIM/*/*; do dd if="$f" of=/dev/null iflag=direct bs=4M status=none; done) &
	jobs+=($!)
done
for j in "${jobs[@]}"; do wait "$j"; done
`
	writeBoth = `dd if=/dev/zero of="$1/both" oflag=direct bs=1M count="$2" status=none`
	backBoth  = `dd if="$1/both" of=/dev/null iflag=direct bs=1M status=none`
)

func measureParallel(ctx context.Context, b *bench, res *result) error {
	if _, err := policy.Parse("policy.toml", []byte(policyText(twoAtOnce))); err != nil {
		return fmt.Errorf("%w: this tree copies one card at a time: %w", errLeftOut, err)
	}
	one := footage(b.share(2000*mib, 0.25))
	two := one
	two.seed++
	res.size("cards", "2 of %d MiB in %d clips, read at %d MiB/s each", one.bytes()/mib, one.clips, cardSpeed.read)
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	w := wish{cards: []recipe{one, two}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}
	return withRig(ctx, w, func(r *rig) error {
		count := fmt.Sprint((one.bytes() + two.bytes()) / mib)
		limit := func(text string, args ...string) func() (usage, error) {
			return func() (usage, error) {
				if err := errors.Join(r.mount(ctx), forget()); err != nil {
					return usage{}, err
				}
				return script(ctx, text, args...)
			}
		}
		times, err := b.inTurn([]contender{
			{"both cards released", func() (usage, error) {
				run, err := daemonRun(ctx, r, r.drives, boxOptions{gap: closeLook, extra: twoAtOnce})
				return usage{Wall: run.released}, err
			}},
			{"reading both cards at once", limit(readBoth, r.cards[0].point, r.cards[1].point)},
			{"writing what both hold to one drive", limit(writeBoth, r.drives[0].point, count)},
			{"reading that back", limit(backBoth, r.drives[0].point)},
		})
		if err != nil {
			return err
		}
		var s []series
		for _, t := range times {
			s = append(s, res.add(t.name, "s", seconds(t.took)))
		}
		largest := s[1]
		for _, l := range s[2:] {
			if l.Median > largest.Median {
				largest = l
			}
		}
		return res.ratio("both released to the largest limit ("+largest.Name+")", s[0], largest, 1.1)
	})
}

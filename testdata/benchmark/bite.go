package main

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
)

// errToothless: a throttle does not hold a disk to its speed, so nothing that
// is measured on it would mean anything.
var errToothless = errors.New("a throttle does not bite")

// biteSeconds is how long each direction of a disk is tried. The kernel gives
// the first tenth of a second away.
const biteSeconds = 2.5

// tolerance is how far from its speed a disk may be.
const tolerance = 0.05

// burst is how far above its speed a disk may be in a single try: what the
// kernel gives away at first weighs more when it was idle for long.
const burst = 0.25

// tries is how often a disk that was off is tried again: the machine may just
// have been busy.
const tries = 5

// checkBite makes sure that a throttled disk is as fast as it should be, both
// ways, past the page cache.
func (d *disk) checkBite(ctx context.Context) error {
	if d.speed.read > 0 {
		err := d.tryBite(ctx, "read", d.speed.read, func(count int) []string {
			return []string{"if=" + d.node, "of=/dev/null", "iflag=direct,count_bytes", "bs=2M", fmt.Sprintf("count=%dM", count)}
		})
		if err != nil {
			return err
		}
	}
	if d.speed.write == 0 {
		return nil
	}
	path := filepath.Join(d.point, "bite")
	err := d.tryBite(ctx, "write", d.speed.write, func(count int) []string {
		return []string{"if=/dev/zero", "of=" + path, "oflag=direct", "iflag=count_bytes", "bs=2M", fmt.Sprintf("count=%dM", count)}
	})
	if rerr := os.Remove(path); err == nil && rerr != nil {
		err = fmt.Errorf("remove %s: %w", path, rerr)
	}
	return err
}

func (d *disk) tryBite(ctx context.Context, way string, want int, args func(count int) []string) error {
	count := int(math.Ceil(float64(want) * biteSeconds))
	var speeds []float64
	for range tries {
		begun := ticks()
		if _, err := tool(ctx, "dd", args(count)...); err != nil {
			return err
		}
		speeds = append(speeds, float64(count)/(ticks()-begun).Seconds())
		err := judgeBite(d.label+", "+way, float64(want), speeds)
		if err == nil || len(speeds) == tries || !errors.Is(err, errOff) {
			return err
		}
	}
	return nil
}

// errOff: another try may go better.
var errOff = errors.New("maybe since the machine is busy or slow")

// judgeBite looks at the speeds, in MiB/s, that a disk showed in turn. One must
// be as it should, and none may be what no throttle would let through.
func judgeBite(what string, want float64, speeds []float64) error {
	near, fair := math.Inf(1), false
	for _, s := range speeds {
		if s > want*(1+burst) {
			return fmt.Errorf("%w: %s gives %.1f MiB/s and should give %.0f", errToothless, what, s, want)
		}
		fair = fair || math.Abs(s-want) <= tolerance*want
		if math.Abs(s-want) < math.Abs(near-want) {
			near = s
		}
	}
	if !fair {
		return fmt.Errorf("%w, %w: %s gives %.1f MiB/s at its nearest and should give %.0f", errToothless, errOff, what, near, want)
	}
	return nil
}

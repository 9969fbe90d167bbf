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

// tries is how often a disk that was too slow is tried again: the machine may
// just have been busy. One that was too fast has no second chance.
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
		if err == nil || !errors.Is(err, errTooSlow) || len(speeds) == tries {
			return err
		}
	}
	return nil
}

// errTooSlow: this machine cannot give what a throttle allows.
var errTooSlow = errors.New("the machine is too slow or too busy")

// judgeBite looks at the speeds, in MiB/s, that a disk showed. None may be above
// what its throttle allows, and the best must come up to it.
func judgeBite(what string, want float64, speeds []float64) error {
	best := 0.0
	for _, s := range speeds {
		best = max(best, s)
	}
	switch {
	case best > want*(1+tolerance):
		return fmt.Errorf("%w: %s gives %.1f MiB/s and should give %.0f", errToothless, what, best, want)
	case best < want*(1-tolerance):
		return fmt.Errorf("%w: %s: %w: it gives %.1f MiB/s at the most and should give %.0f", errToothless, what, errTooSlow, best, want)
	}
	return nil
}

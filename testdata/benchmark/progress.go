package main

import (
	"context"
	"errors"
	"math"
	"time"
)

// shown is what one status said of how far an offload was.
type shown struct {
	at   time.Duration
	done float64
	left time.Duration // 0: not known yet
}

func measureProgress(ctx context.Context, b *bench, res *result) error {
	rec := footage(b.share(2000*mib, 1))
	res.size("card", "%d MiB in %d clips, read at %d MiB/s", rec.bytes()/mib, rec.clips, cardSpeed.read)
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	return withRig(ctx, wish{cards: []recipe{rec}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}, func(r *rig) error {
		var history []shown
		var released time.Duration
		_, err := daemonRun(ctx, r, r.drives, boxOptions{gap: closeLook, seen: func(at time.Duration, now *status) {
			if released > 0 {
				return
			}
			if c, there := now.card(r.cards[0].label); there && c.Verdict == "release" {
				released = at
			}
			for _, o := range now.Offloads {
				if o.Running {
					history = append(history, shown{at, o.Done, time.Duration(o.Left.Seconds) * time.Second})
				}
			}
		}})
		if err != nil {
			return err
		}
		if len(history) == 0 {
			return errors.New("the daemon showed no running offload")
		}
		res.addProgress(history, released)
		return nil
	})
}

// addProgress holds what was shown against what came.
func (r *result) addProgress(history []shown, released time.Duration) {
	back := 0
	for i, now := range history[1:] {
		if now.done < history[i].done {
			back++
		}
	}
	r.Figures = append(r.Figures, judged("times that shown progress went back", float64(back), "times", 0))
	begun, worst, unknown := history[0].at, 0.0, 0
	for tenth := 1; tenth <= 9; tenth++ {
		now := lastBefore(history, begun+(released-begun)*time.Duration(tenth)/10)
		real := released - now.at
		if now.left <= 0 {
			unknown++
			r.note("at %d %% of the time: progress %.0f %%, time left not known, really %.1f s", tenth*10, now.done*100, real.Seconds())
			continue
		}
		off := now.left.Seconds()/real.Seconds() - 1
		// Whole seconds are shown; what that takes is no error of the estimate.
		worst = max(worst, (math.Abs(now.left.Seconds()-real.Seconds())-0.5)/real.Seconds())
		r.note("at %d %% of the time: progress %.0f %%, time left %.1f s, really %.1f s (%+.0f %%)", tenth*10, now.done*100, now.left.Seconds(), real.Seconds(), off*100)
	}
	r.Figures = append(r.Figures,
		judged("time left, furthest from the truth", worst*100, "%", 10),
		figure{Name: "tenths at which no time left was known", Value: float64(unknown), Unit: "of 9"})
}

// lastBefore is what was to be seen at a moment.
func lastBefore(history []shown, at time.Duration) shown {
	now := history[0]
	for _, s := range history {
		if s.at > at {
			break
		}
		now = s
	}
	return now
}

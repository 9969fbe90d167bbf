package daemon

import (
	"context"
	"time"

	"bothy/daemon/health"
	"bothy/daemon/state"
)

// healthEvery is how often a drive that stays is asked how it is.
const healthEvery = 6 * time.Hour

// askHealth asks a drive how it is, on a goroutine of its own: it may take long,
// and nobody waits for it.
func (s *supervisor) askHealth(d *drive) {
	if s.cfg.Health == nil || d.asking || d.dev.Disk == "" {
		return
	}
	d.asking, d.askedAt = true, time.Now()
	node := "/dev/" + d.dev.Disk
	s.work.Go(func() {
		// A program that is stuck in the kernel cannot be killed.
		r, err := patiently(s.life, 2*health.Limit, func(ctx context.Context) (health.Reading, error) {
			return s.cfg.Health.Read(ctx, node)
		}, func(health.Reading) {})
		s.post(func() {
			d.asking = false
			if !d.gone {
				s.healthTold(d, r, err)
			}
		})
	})
}

// askHealthAgain asks, when nothing else is to be done, the drive that was not
// asked for the longest.
func (s *supervisor) askHealthAgain() {
	if s.cfg.Health == nil || len(s.running) > 0 || s.errands.running != nil {
		return
	}
	var next *drive
	for _, d := range s.drives {
		if d.usable() && time.Since(d.askedAt) >= healthEvery && (next == nil || d.askedAt.Before(next.askedAt)) {
			next = d
		}
	}
	if next != nil {
		s.askHealth(next)
	}
}

// healthTold takes in what a drive has said. One that said nothing, or sleeps, is
// what it was: unknown, or as it has said before.
func (s *supervisor) healthTold(d *drive, r health.Reading, err error) {
	if err != nil {
		s.cfg.Log.Debug("drive was not asked how it is", "drive", d.subject(), "err", err)
		return
	}
	if r.HasCelsius {
		d.health.HasCelsius, d.health.Celsius = true, r.Celsius
	}
	if !r.Known() {
		return
	}
	r.HasCelsius, r.Celsius = d.health.HasCelsius, d.health.Celsius
	d.health = r
	if trouble := r.Trouble(); trouble != "" {
		s.raise(state.DriveUnwell, d.subject(), trouble)
	} else {
		s.clear(state.DriveUnwell, d.subject())
	}
}

// healthShown is what is shown of how a drive is.
func (d *drive) healthShown() state.Health {
	h := state.Health{HasCelsius: d.health.HasCelsius, Celsius: d.health.Celsius}
	switch {
	case d.health.Trouble() != "":
		h.Word = state.HealthFailing
	case d.health.Known():
		h.Word = state.HealthGood
	}
	return h
}

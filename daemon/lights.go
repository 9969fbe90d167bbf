package daemon

import (
	"context"
	"maps"
	"slices"

	"bothy/daemon/light"
	"bothy/daemon/state"
	"bothy/policy"
)

// driveLights shows every State on the LEDs of the policy until ctx ends, and
// then puts them out: no light means that nobody is home.
func (s *supervisor) driveLights(ctx context.Context) {
	w := light.NewWriter(s.cfg.LEDRoot)
	defer func() {
		if err := w.Close(); err != nil {
			s.cfg.Log.Warn("lights could not be put out", "err", err)
		}
	}()
	failing := map[string]string{}
	for {
		st, changed := s.publisher.Current()
		failing = s.lightsFailed(failing, w.Apply(light.Looks(st, lampsOf(st.Lamps))))
		select {
		case <-changed:
		case <-ctx.Done():
			return
		}
	}
}

// lightsFailed raises and clears the condition of each LED as it changes.
func (s *supervisor) lightsFailed(before map[string]string, errs map[string]error) map[string]string {
	now := map[string]string{}
	for led, err := range errs {
		if err != nil {
			now[led] = err.Error()
		}
	}
	if maps.Equal(before, now) {
		return now
	}
	s.post(func() {
		for _, led := range slices.Sorted(maps.Keys(now)) {
			if before[led] != now[led] {
				s.counters.LightFailures++
				s.raise(state.LightUnreachable, led, now[led])
			}
		}
		for led := range before {
			if now[led] == "" {
				s.clear(state.LightUnreachable, led)
			}
		}
	})
	return now
}

// lamps are those that a State is shown on: none, when this life of the daemon ends.
func (s *supervisor) lamps() []state.Lamp {
	if s.vigil.over {
		return nil
	}
	return lampsToShow(s.policy)
}

// lampsToShow are the policy's light rules.
func lampsToShow(p *policy.Policy) []state.Lamp {
	if p == nil {
		return nil
	}
	var lamps []state.Lamp
	for _, r := range p.Lights {
		lamps = append(lamps, state.Lamp{Shows: r.Shows, Slots: r.Slot, LED: r.LED, Colour: r.Colour})
	}
	return lamps
}

func lampsOf(list []state.Lamp) []light.Lamp {
	var lamps []light.Lamp
	for _, l := range list {
		lamps = append(lamps, light.Lamp{Shows: l.Shows, Slot: l.Slots, LED: l.LED, Colour: light.Colour(l.Colour)})
	}
	return lamps
}

// Package supply tells how the box is supplied: how full its battery is, and
// whether anything feeds or charges it. It reads the kernel's power-supply class
// (Documentation/ABI/testing/sysfs-class-power in the kernel's source).
//
// It guarantees that whatever a driver says, a reading is either plausible or not
// known: what is out of range, too long, or no number tells nothing, batteries of
// other things (a mouse's) and empty places for batteries do not count, and how
// much is read is bounded.
//
// It will not decide what follows from a reading, and it writes nothing.
package supply

import "fmt"

// ClassFolder is where the kernel shows its supplies.
const ClassFolder = "/sys/class/power_supply"

// Reading is how the box is supplied at one moment. The zero value says that
// nothing is known.
type Reading struct {
	HasBattery bool // of its own, or may have
	HasCharge  bool
	Percent    int // of the charge, 0 to 100, rounded down

	HasExternal bool
	External    bool // it is fed, and no battery empties meanwhile

	// Note says why the charge is not known; empty when it is.
	Note string
	// Doubtful: there may be a battery, and it could not be read. The next time it
	// may tell.
	Doubtful bool
}

// source is one entry of the class, as it says of itself.
type source struct {
	name    string
	battery bool
	online  string // of what feeds from outside: "0", "1" (or "2", programmable)
	status  string // of a battery, in the kernel's words
	percent int    // of a battery; -1 when it does not tell
	now     int64  // of a battery; in µWh of energy, or in µAh of charge
	full    int64  // likewise; 0 when it does not tell
	energy  bool   // these are energy: only that can be summed up
	unread  error  // the first attribute that is there, cannot be read, and would matter
}

// sum makes one reading of all sources. Where one could not be read that might feed
// the box nothing is known, unless another feeds it.
func sum(sources []source) Reading {
	var r Reading
	r.HasExternal, r.External = external(sources)
	var batteries []source
	silent, unread := "", error(nil)
	for _, s := range sources {
		switch {
		case s.unread != nil:
			unread = s.unread
		case s.battery && (s.percent >= 0 || s.full > 0):
			batteries = append(batteries, s)
		case s.battery:
			silent = s.name
		}
	}
	switch {
	case unread != nil && !(r.External && len(batteries) > 0):
		r.HasBattery, r.Note, r.Doubtful, r.HasExternal = true, unread.Error(), true, r.External
	case len(batteries) > 0:
		r.HasBattery, r.HasCharge, r.Percent = true, true, percentOf(batteries)
	case silent != "":
		r.HasBattery = true
		r.Note = fmt.Sprintf("the battery %.40q does not tell how full it is", silent)
	default:
		r.Note = "the kernel knows of no battery of the box"
	}
	return r
}

// external asks all sources whether anything comes from outside. A battery that fills
// says so for sure. One that empties says the contrary, whatever is plugged in: a panel
// in the evening gives less than the box takes. Failing both, what feeds the box is
// asked. "Not charging" tells nothing: some say it on mains, others when nothing is there.
func external(sources []source) (known, is bool) {
	empties := false
	for _, s := range sources {
		switch {
		case s.battery && s.status == "Charging":
			return true, true
		case s.battery && s.status == "Discharging":
			empties = true
		case s.battery && s.status == "Full", !s.battery && (s.online == "1" || s.online == "2"):
			known, is = true, true
		case !s.battery && s.online == "0":
			known = true
		}
	}
	return known || empties, is && !empties
}

// percentOf is the charge of all batteries together. Of one it is the kernel's own
// word, if it gives one. Several are weighted by what they can hold where all of them
// tell; else the emptiest counts: it may be the one that the box runs on.
func percentOf(batteries []source) int {
	if len(batteries) == 1 && batteries[0].percent >= 0 {
		return batteries[0].percent
	}
	lowest, now, full, weighted := 100, 0.0, 0.0, true
	for _, b := range batteries {
		p := b.percent
		if p < 0 {
			p = portion(float64(b.now), float64(b.full))
		}
		lowest = min(lowest, p)
		now, full = now+float64(min(b.now, b.full)), full+float64(b.full)
		weighted = weighted && b.full > 0 && b.energy
	}
	if weighted {
		return portion(now, full)
	}
	return lowest
}

// portion is in percent, rounded down. A gauge may say a little more than full.
func portion(now, full float64) int { return int(100 * min(now/full, 1)) }

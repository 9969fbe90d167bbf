// Package light turns the box's State into light signals and drives LEDs with
// them.
//
// Looks and Signals are pure: State in, signals out. The meaning is in the
// pattern; colour repeats it for those who can see colour:
//
//	shows  off        steady             slow                    fast
//	card   no card    release (green)    working (yellow)        hold (red: fault, yellow: needs a drive)
//	drive  none       may be pulled (g)  in use (yellow)         full, failing or refused (red)
//	box    no power   watching (green)   starting, stopping (y)  needs a person (red)
//
// In doubt a card's light says hold: steady is shown only for a verdict that is
// release, of a card that nothing more is done with.
//
// Writer drives the LED class of Linux through sysfs with whatever works, down
// to switching the LED itself. It reports an LED that cannot be driven and goes
// on with the others. It touches no LED but those it is told to, leaves one alone
// that shows the right thing already, and does not put an LED back to what it
// showed before this program came.
package light

import "time"

// Signal is a light's pattern in time.
type Signal string

// The patterns. The more urgent, the faster.
const (
	Off    Signal = "off"
	Steady Signal = "steady"
	Slow   Signal = "slow" // 0.5 Hz
	Fast   Signal = "fast" // 2 Hz
)

// Half the period of a flashing signal: so long it is on, and so long off.
//
// 0.5 Hz and 2 Hz lie inside the bands that IEC 60073 gives for slow (0.4-0.8 Hz)
// and normal (1.4-2.8 Hz) flashing; the bands are from memory, the standard itself
// was not read. Neither flashes more than three times in any second, the limit of
// WCAG 2.3.1 (https://www.w3.org/TR/WCAG22/#three-flashes-or-below-threshold).
const (
	slowHalf = 1000 * time.Millisecond
	fastHalf = 250 * time.Millisecond
)

// half returns the half period of a flashing signal, 0 for one that does not flash.
func (s Signal) half() time.Duration {
	switch s {
	case Slow:
		return slowHalf
	case Fast:
		return fastHalf
	}
	return 0
}

// Colour is the colour of a light, or of a meaning. What they mean follows IEC
// 60073: red danger, yellow abnormal, green safe (known second-hand; ISO 22324
// agrees).
type Colour string

// The colours; NoColour is a light whose colour does not matter.
const (
	NoColour Colour = ""
	Green    Colour = "green"
	Yellow   Colour = "yellow"
	Red      Colour = "red"
)

// Look is what one LED shows. The colour is that of the lamp or, for a lamp
// without, that of the meaning; an LED of several colours takes it on.
type Look struct {
	Signal Signal
	Colour Colour
}

// Values of Lamp.Shows.
const (
	ShowsCard  = "card"
	ShowsDrive = "drive"
	ShowsBox   = "box"
)

// Lamp says what one LED is there to show.
type Lamp struct {
	Shows string // ShowsCard, ShowsDrive or ShowsBox; anything else shows nothing: off
	// Slot restricts the lamp to what is in a slot that one of these globs
	// matches; empty: all slots. Syntax of path.Match, and [!a] is as good as
	// [^a]. A bad glob matches nothing, and so does every glob an unknown slot.
	Slot   []string
	LED    string // name under /sys/class/leds
	Colour Colour // of the LED; NoColour when it has several or it does not matter
}

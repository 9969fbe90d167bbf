package light

import (
	"path"
	"slices"
	"strings"

	"bothy/daemon/state"
)

// Signals returns the pattern of every LED that a lamp names.
func Signals(s *state.State, lamps []Lamp) map[string]Signal {
	signals := make(map[string]Signal, len(lamps))
	for led, look := range Looks(s, lamps) {
		signals[led] = look.Signal
	}
	return signals
}

// Looks returns what every LED that a lamp names is to show.
//
// Lamps that show the same thing (equal Shows and Slot) share it out by colour:
// those of the meaning's colour show it and those of another colour stay off; a
// lamp without colour always shows it. Where that would leave the meaning unshown,
// the first of the lamps shows it whatever its colour. An LED that several lamps
// name shows the most urgent.
//
// No State is a box that is not there yet: everything off.
func Looks(s *state.State, lamps []Lamp) map[string]Look {
	looks := make(map[string]Look, len(lamps))
	for i, lamp := range lamps {
		look := Look{Signal: Off}
		if s != nil {
			look = lamp.look(meaningOf(s, lamp), lamps[:i], lamps[i+1:])
		}
		if old, ok := looks[lamp.LED]; !ok || urgency(look.Signal) > urgency(old.Signal) {
			looks[lamp.LED] = look
		}
	}
	return looks
}

// look decides what a lamp shows of a meaning that it may share with others.
func (l Lamp) look(meaning Look, before, after []Lamp) Look {
	shown := Look{Signal: meaning.Signal, Colour: l.Colour}
	if l.Colour == NoColour {
		shown.Colour = meaning.Colour
	}
	if meaning.Signal == Off {
		return Look{Signal: Off}
	}
	if l.Colour == NoColour || l.Colour == meaning.Colour {
		return shown
	}
	first := true
	for _, other := range before {
		if l.sharesWith(other) {
			first = false
		}
	}
	if !first || slices.ContainsFunc(slices.Concat(before, after), func(other Lamp) bool {
		return l.sharesWith(other) && (other.Colour == NoColour || other.Colour == meaning.Colour)
	}) {
		return Look{Signal: Off}
	}
	return shown
}

func (l Lamp) sharesWith(other Lamp) bool {
	return l.Shows == other.Shows && slices.Equal(l.Slot, other.Slot)
}

func urgency(s Signal) int { return slices.Index([]Signal{Off, Steady, Slow, Fast}, s) }

// meaningOf is the worst of everything that the lamp is about.
func meaningOf(s *state.State, l Lamp) Look {
	worst := nothing
	note := func(m meaning) {
		if m.rank > worst.rank {
			worst = m
		}
	}
	switch l.Shows {
	case ShowsCard:
		for _, c := range s.Cards {
			if l.covers(c.Slot) {
				note(ofCard(c))
			}
		}
	case ShowsDrive:
		for _, d := range s.Drives {
			if d.Attached && l.covers(d.Slot) {
				note(ofDrive(d))
			}
		}
	case ShowsBox:
		note(ofBox(s))
	}
	return worst.look
}

// meaning is one cell of the table, ranked by what must not be overlooked.
type meaning struct {
	rank int
	look Look
}

var (
	nothing   = meaning{0, Look{Off, NoColour}}
	safe      = meaning{1, Look{Steady, Green}}
	busy      = meaning{2, Look{Slow, Yellow}}
	wanting   = meaning{3, Look{Fast, Yellow}}
	dangerous = meaning{4, Look{Fast, Red}}
)

func ofCard(c state.Card) meaning {
	switch c.Phase {
	case state.CardLooking, state.CardQueued, state.CardWorking:
		return busy
	case state.CardDecided:
		switch {
		case c.Verdict == state.Release && c.HoldKind == state.NoHold:
			return safe
		case c.Verdict == state.Hold && c.HoldKind == state.NeedsDrive:
			return wanting
		}
	}
	return dangerous // a hold by fault, or something unheard of
}

func ofDrive(d state.Drive) meaning {
	switch {
	case d.Failing || d.Full || d.Refused:
		return dangerous
	case d.InUse:
		return busy
	}
	return safe
}

func ofBox(s *state.State) meaning {
	noPolicy := s.Policy.Error != "" && s.Policy.LoadedAt.IsZero()
	if noPolicy || slices.ContainsFunc(s.Conditions, func(c state.Condition) bool { return c.Kind().NeedsPerson }) {
		return dangerous
	}
	if s.Phase == state.Watching {
		return safe
	}
	return busy
}

// covers reports whether the lamp is about what is in slot.
func (l Lamp) covers(slot string) bool {
	if len(l.Slot) == 0 {
		return true
	}
	return slot != "" && slices.ContainsFunc(l.Slot, func(glob string) bool {
		ok, err := path.Match(strings.ReplaceAll(glob, "[!", "[^"), slot)
		return ok && err == nil
	})
}

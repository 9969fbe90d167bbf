package light

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"bothy/daemon/state"
)

// The cards, drives and slots in these tests are invented.

func card(phase state.CardPhase, verdict state.Verdict, kind state.HoldKind) state.Card {
	return state.Card{Slot: "usb-0:1.1", Phase: phase, Verdict: verdict, HoldKind: kind}
}

var (
	looking   = card(state.CardLooking, state.Hold, state.NoHold)
	queued    = card(state.CardQueued, state.Hold, state.NoHold)
	working   = card(state.CardWorking, state.Hold, state.NoHold)
	released  = card(state.CardDecided, state.Release, state.NoHold)
	needsMore = card(state.CardDecided, state.Hold, state.NeedsDrive)
	faulty    = card(state.CardDecided, state.Hold, state.HoldByFault)
)

func watching(s state.State) *state.State {
	s.Phase = state.Watching
	return &s
}

// Every row and column of the design's table of lights, and what comes between.
func TestLooks_table(t *testing.T) {
	t.Parallel()
	cards := func(c ...state.Card) *state.State { return watching(state.State{Cards: c}) }
	drives := func(d ...state.Drive) *state.State { return watching(state.State{Drives: d}) }
	raised := func(codes ...state.Code) *state.State {
		s := watching(state.State{})
		for _, c := range codes {
			s.Conditions = append(s.Conditions, state.Condition{Code: c})
		}
		return s
	}
	policy := func(p state.Policy) *state.State { return watching(state.State{Policy: p}) }
	loaded := time.Date(2026, 11, 25, 9, 0, 0, 0, time.UTC)
	for _, test := range []struct {
		name  string
		shows string
		state *state.State
		want  Look
	}{
		{"no card", ShowsCard, cards(), Look{Off, NoColour}},
		{"card released", ShowsCard, cards(released), Look{Steady, Green}},
		{"card being looked at", ShowsCard, cards(looking), Look{Slow, Yellow}},
		{"card waiting", ShowsCard, cards(queued), Look{Slow, Yellow}},
		{"card working", ShowsCard, cards(working), Look{Slow, Yellow}},
		{"card held by a fault", ShowsCard, cards(faulty), Look{Fast, Red}},
		{"card needs a drive", ShowsCard, cards(needsMore), Look{Fast, Yellow}},
		{"hold without a kind", ShowsCard, cards(card(state.CardDecided, state.Hold, state.NoHold)), Look{Fast, Red}},
		{"release with a hold's kind", ShowsCard, cards(card(state.CardDecided, state.Release, state.NeedsDrive)), Look{Fast, Red}},
		{"release that is not decided", ShowsCard, cards(card(state.CardWorking, state.Release, state.NoHold)), Look{Slow, Yellow}},
		{"no verdict", ShowsCard, cards(card(state.CardDecided, "", state.NoHold)), Look{Fast, Red}},
		{"unheard-of phase", ShowsCard, cards(card("dreaming", state.Release, state.NoHold)), Look{Fast, Red}},
		{"unheard-of verdict", ShowsCard, cards(card(state.CardDecided, "perhaps", state.NoHold)), Look{Fast, Red}},

		{"worst: fault over all", ShowsCard, cards(released, needsMore, faulty, working), Look{Fast, Red}},
		{"worst: needs a drive over working", ShowsCard, cards(working, needsMore, released), Look{Fast, Yellow}},
		{"worst: working over release", ShowsCard, cards(released, queued), Look{Slow, Yellow}},

		{"no drive", ShowsDrive, drives(), Look{Off, NoColour}},
		{"drive not attached", ShowsDrive, drives(state.Drive{Failing: true, InUse: true}), Look{Off, NoColour}},
		{"drive idle", ShowsDrive, drives(state.Drive{Attached: true}), Look{Steady, Green}},
		{"drive in use", ShowsDrive, drives(state.Drive{Attached: true, InUse: true}), Look{Slow, Yellow}},
		{"drive full", ShowsDrive, drives(state.Drive{Attached: true, Full: true}), Look{Fast, Red}},
		{"drive failing", ShowsDrive, drives(state.Drive{Attached: true, Failing: true, InUse: true}), Look{Fast, Red}},
		{"drive refused", ShowsDrive, drives(state.Drive{Attached: true, Refused: true}), Look{Fast, Red}},
		{"worst of three drives", ShowsDrive, drives(state.Drive{Attached: true}, state.Drive{Attached: true, InUse: true},
			state.Drive{Failing: true}), Look{Slow, Yellow}},

		{"box starting", ShowsBox, &state.State{Phase: state.Starting}, Look{Slow, Yellow}},
		{"box watching", ShowsBox, watching(state.State{}), Look{Steady, Green}},
		{"box stopping", ShowsBox, &state.State{Phase: state.Stopping}, Look{Slow, Yellow}},
		{"box in an unheard-of phase", ShowsBox, &state.State{}, Look{Slow, Yellow}},
		{"a condition that needs nobody", ShowsBox, raised(state.ClockUntrusted, state.DriveFull), Look{Steady, Green}},
		{"a condition that needs a person", ShowsBox, raised(state.ClockUntrusted, state.StateUnwritable), Look{Fast, Red}},
		{"an unheard-of condition", ShowsBox, raised("sea-level"), Look{Fast, Red}},
		{"no policy", ShowsBox, policy(state.Policy{Error: "policy.toml:3:1: what"}), Look{Fast, Red}},
		{"a broken new policy", ShowsBox, policy(state.Policy{Error: "policy.toml:3:1: what", LoadedAt: loaded}), Look{Steady, Green}},
		{"no State", ShowsBox, nil, Look{Off, NoColour}},
		{"a lamp for nothing known", "weather", cards(released), Look{Off, NoColour}},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			lamps := []Lamp{{Shows: test.shows, LED: "a"}}
			if diff := cmp.Diff(map[string]Look{"a": test.want}, Looks(test.state, lamps)); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
			if diff := cmp.Diff(map[string]Signal{"a": test.want.Signal}, Signals(test.state, lamps)); diff != "" {
				t.Errorf("signals (-want +got):\n%s", diff)
			}
			// A single lamp carries the pattern whatever its colour.
			for _, colour := range []Colour{Red, Yellow, Green} {
				lamps[0].Colour = colour
				if got := Signals(test.state, lamps)["a"]; got != test.want.Signal {
					t.Errorf("a %s lamp alone is %s, want %s", colour, got, test.want.Signal)
				}
			}
		})
	}
}

func TestLooks_coloursShareAMeaning(t *testing.T) {
	t.Parallel()
	lamp := func(led string, colour Colour) Lamp { return Lamp{Shows: ShowsCard, LED: led, Colour: colour} }
	for _, test := range []struct {
		name  string
		lamps []Lamp
		card  state.Card
		want  map[string]Signal
	}{
		{"the one of its colour", []Lamp{lamp("g", Green), lamp("y", Yellow), lamp("r", Red)}, faulty,
			map[string]Signal{"g": Off, "y": Off, "r": Fast}},
		{"two of its colour", []Lamp{lamp("g1", Green), lamp("r", Red), lamp("g2", Green)}, released,
			map[string]Signal{"g1": Steady, "r": Off, "g2": Steady}},
		{"none of its colour: the first", []Lamp{lamp("g", Green), lamp("r", Red)}, working,
			map[string]Signal{"g": Slow, "r": Off}},
		{"none of its colour: not two of the first's", []Lamp{lamp("r1", Red), lamp("r2", Red)}, working,
			map[string]Signal{"r1": Slow, "r2": Off}},
		{"none of its colour, but one without", []Lamp{lamp("g", Green), lamp("any", NoColour)}, working,
			map[string]Signal{"g": Off, "any": Slow}},
		{"one without colour shows always", []Lamp{lamp("any", NoColour), lamp("g", Green)}, released,
			map[string]Signal{"g": Steady, "any": Steady}},
		{"another slot is another thing", []Lamp{{Shows: ShowsCard, LED: "here", Slot: []string{"usb-*"}, Colour: Green}, lamp("r", Red)}, faulty,
			map[string]Signal{"here": Fast, "r": Fast}},
		{"one LED named twice shows the worse", []Lamp{lamp("one", NoColour), {Shows: ShowsBox, LED: "one"}}, faulty,
			map[string]Signal{"one": Fast}},
	} {
		got := Signals(watching(state.State{Cards: []state.Card{test.card}}), test.lamps)
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", test.name, diff)
		}
	}
}

func TestLooks_slots(t *testing.T) {
	t.Parallel()
	here, there, nowhere := released, faulty, working
	here.Slot, there.Slot, nowhere.Slot = "pci-0000:00:14.0-usb-0:1.1", "pci-0000:00:14.0-usb-0:1.2", ""
	s := watching(state.State{Cards: []state.Card{here, there, nowhere}})
	for _, test := range []struct {
		name  string
		globs []string
		want  Signal
	}{
		{"all", nil, Fast},
		{"one", []string{"*-usb-0:1.1"}, Steady},
		{"another", []string{"*:1.2"}, Fast},
		{"either", []string{"none", "*:1.[12]"}, Fast},
		{"not that one", []string{"*:1.[!2]"}, Steady},
		{"none", []string{"platform-*"}, Off},
		{"any, but a known one", []string{"*"}, Fast},
		{"a bad glob", []string{"[", "\\", "a[", "*[!"}, Off},
		{"a bad one beside a good one", []string{"[", "*:1.1"}, Steady},
		{"the empty glob", []string{""}, Off},
	} {
		if got := Signals(s, []Lamp{{Shows: ShowsCard, LED: "a", Slot: test.globs}})["a"]; got != test.want {
			t.Errorf("%s: %s, want %s", test.name, got, test.want)
		}
	}
	onlyNowhere := watching(state.State{Cards: []state.Card{nowhere}})
	if got := Signals(onlyNowhere, []Lamp{{Shows: ShowsCard, LED: "a", Slot: []string{"*"}}})["a"]; got != Off {
		t.Errorf("a card in an unknown slot: %s, want off", got)
	}
}

// Bands of IEC 60073 (from memory) and the limit of WCAG 2.3.1.
func TestSignals_flashAsStandardsAsk(t *testing.T) {
	t.Parallel()
	for _, test := range []struct {
		signal    Signal
		low, high float64 // Hz
	}{{Slow, 0.4, 0.8}, {Fast, 1.4, 2.8}} {
		hertz := 1 / (2 * test.signal.half()).Seconds()
		if hertz < test.low || hertz > test.high || hertz > 3 {
			t.Errorf("%s flashes at %g Hz, want %g to %g and at most 3", test.signal, hertz, test.low, test.high)
		}
	}
}

func FuzzLooks(f *testing.F) {
	f.Add("*-usb-*", "pci-usb-0", "green", true)
	f.Add("[!", "", "", false)
	f.Fuzz(func(t *testing.T, glob, slot, colour string, attached bool) {
		s := watching(state.State{Cards: []state.Card{{Slot: slot, Phase: state.CardPhase(colour)}},
			Drives: []state.Drive{{Slot: slot, Attached: attached}}})
		lamps := []Lamp{{Shows: ShowsCard, Slot: []string{glob}, LED: "a", Colour: Colour(colour)}, {Shows: ShowsDrive, Slot: []string{glob}, LED: "b"}}
		for led, signal := range Signals(s, lamps) {
			if led == "a" && signal == Steady {
				t.Errorf("a card that nobody released shows %s", signal)
			}
		}
	})
}

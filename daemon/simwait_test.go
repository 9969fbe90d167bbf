package daemon

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"bothy/daemon/state"
)

// until waits for a State and returns it.
func (m *sim) until(what string, ok func(*state.State) bool) *state.State {
	m.t.Helper()
	late := time.After(patience)
	for {
		m.mu.Lock()
		st, changed := m.current, m.changed
		m.mu.Unlock()
		if st != nil && ok(st) {
			return st
		}
		select {
		case <-changed:
		case err := <-m.ended:
			m.t.Fatalf("the daemon ended before: %s: %v", what, err)
		case <-late:
			m.t.Fatalf("never came: %s\n%s", what, picture(st))
		}
	}
}

func picture(st *state.State) string {
	if st == nil {
		return "nothing was published"
	}
	var b strings.Builder
	for _, d := range st.Devices {
		fmt.Fprintf(&b, "device %s: %s: %s\n", d.Name, d.Decision, d.Sentence)
	}
	for _, c := range st.Cards {
		fmt.Fprintf(&b, "card %s %q: %s %s %s: %s\n", c.Device, c.Label, c.Phase, c.Verdict, c.HoldKind, c.Reason)
	}
	for _, d := range st.Drives {
		fmt.Fprintf(&b, "drive %+v\n", d)
	}
	for _, o := range st.Offloads {
		fmt.Fprintf(&b, "offload %+v\n", o)
	}
	for _, c := range st.Conditions {
		fmt.Fprintf(&b, "condition %s %q: %s\n", c.Code, c.Subject, c.Detail)
	}
	return b.String()
}

func cardOf(st *state.State, name string) (state.Card, bool) {
	i := slices.IndexFunc(st.Cards, func(c state.Card) bool { return c.Device == name })
	if i < 0 {
		return state.Card{}, false
	}
	return st.Cards[i], true
}

// untilIdle waits until nothing is mounted any more.
func (m *sim) untilIdle() *state.State {
	m.t.Helper()
	return m.until("nothing in use", func(st *state.State) bool { return idle(st) })
}

func idle(st *state.State) bool {
	return !slices.ContainsFunc(st.Drives, func(d state.Drive) bool { return d.InUse }) &&
		!slices.ContainsFunc(st.Cards, func(c state.Card) bool { return c.Phase != state.CardDecided })
}

// untilReleased waits until a card is released and all work is done.
func (m *sim) untilReleased(c *simMedium) state.Card {
	m.t.Helper()
	st := m.until(c.label+" is released", func(st *state.State) bool {
		card, ok := cardOf(st, c.name)
		return ok && card.Phase == state.CardDecided && card.Verdict == state.Release && idle(st)
	})
	card, _ := cardOf(st, c.name)
	return card
}

// untilSaidReleased waits until a card is released, whatever else goes on.
func (m *sim) untilSaidReleased(c *simMedium) *state.State {
	m.t.Helper()
	return m.until(c.label+" is released", func(st *state.State) bool {
		card, ok := cardOf(st, c.name)
		return ok && card.Verdict == state.Release && card.Phase == state.CardDecided
	})
}

// untilHeld waits until a card is decided as held for a reason that holds all
// the words.
func (m *sim) untilHeld(c *simMedium, kind state.HoldKind, words ...string) state.Card {
	m.t.Helper()
	st := m.until(fmt.Sprintf("%s is held: %q", c.label, words), func(st *state.State) bool {
		card, ok := cardOf(st, c.name)
		if !ok || card.Phase != state.CardDecided || card.Verdict != state.Hold || card.HoldKind != kind || !idle(st) {
			return false
		}
		return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(card.Reason, w) })
	})
	card, _ := cardOf(st, c.name)
	return card
}

// untilCondition waits until one is raised, of any subject.
func (m *sim) untilCondition(code state.Code) state.Condition {
	m.t.Helper()
	st := m.until("condition "+string(code), func(st *state.State) bool { return raised(st, code) })
	return st.Conditions[slices.IndexFunc(st.Conditions, func(c state.Condition) bool { return c.Code == code })]
}

func raised(st *state.State, code state.Code) bool {
	return slices.ContainsFunc(st.Conditions, func(c state.Condition) bool { return c.Code == code })
}

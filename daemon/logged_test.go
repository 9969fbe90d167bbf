package daemon

import (
	"errors"
	"io"
	"log/slog"
	"sync/atomic"
	"testing"

	"bothy/daemon/state"
)

// brokenPipe is a journal that can go away.
type brokenPipe struct{ gone *atomic.Bool }

func (p brokenPipe) Write(b []byte) (int, error) {
	if p.gone.Load() {
		return 0, errors.New("broken pipe")
	}
	return io.Discard.Write(b)
}

// A log that cannot be written is said by the other windows; copying goes on.
func TestSupervisor_journalMissing(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	var gone atomic.Bool
	m.cfg.Log = slog.New(slog.NewTextHandler(brokenPipe{&gone}, nil))
	m.start()
	m.until("it watches", func(st *state.State) bool { return st.Phase == state.Watching })
	gone.Store(true)
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	m.plug(card, a)
	m.untilCondition(state.JournalUnreachable)
	m.untilReleased(card)
	gone.Store(false) // what is logged next gets through
	m.pull(card)
	m.plug(card)
	m.until("the journal is back", func(st *state.State) bool { return !raised(st, state.JournalUnreachable) })
}

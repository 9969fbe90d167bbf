package daemon

import (
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"bothy/daemon/offload"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/policy"
)

const brokenPolicy = "[box]\ncopies = 0\ncolour = \"red\"\n"

func TestSupervisor_brokenPolicyAtStart(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.writePolicy(brokenPolicy)
	m.start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	m.plug(card, a)
	st := m.until("the devices are seen", func(st *state.State) bool { return len(st.Devices) == 2 && st.Phase == state.Watching })
	for _, d := range st.Devices {
		if d.Decision != "left-alone" || !strings.Contains(d.Sentence, "no policy") {
			t.Errorf("%s: %s: %s", d.Name, d.Decision, d.Sentence)
		}
	}
	if !raised(st, state.PolicyBroken) || len(st.Cards)+len(st.Drives) > 0 {
		t.Errorf("work is taken without a policy:\n%s", picture(st))
	}
	page := httptest.NewRecorder()
	status.Handler(status.Config{States: &m.s.publisher}).ServeHTTP(page, httptest.NewRequest("GET", "/", nil))
	if !strings.Contains(page.Body.String(), "policy.toml:3:1") {
		t.Errorf("the page does not say where the policy is broken:\n%s", page.Body)
	}
	// Mended and read again, it takes the card.
	m.writePolicy(m.policy)
	m.reload <- struct{}{}
	m.untilReleased(card)
	if st := m.untilIdle(); raised(st, state.PolicyBroken) || st.Policy.Error != "" {
		t.Errorf("the error stays: %+v %s", st.Conditions, st.Policy.Error)
	}
}

// A box that was just installed has a policy without rules: it copies nothing,
// says so in other words than of a mistake, and goes on once there are rules.
// A file that was emptied while rules are in force takes none of them away.
func TestSupervisor_policyWithoutRules(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.writePolicy("# to be written\n[box]\ncopies = 2\n")
	m.start()
	card := m.card("sda", "SKUA_1", 3)
	m.plug(card, m.drive("sdb"))
	st := m.until("the devices are seen", func(st *state.State) bool { return len(st.Devices) == 2 && st.Phase == state.Watching })
	if !raised(st, state.PolicyEmpty) || raised(st, state.PolicyBroken) || len(st.Cards)+len(st.Drives) > 0 {
		t.Errorf("without rules:\n%s", picture(st))
	}
	if line := statusLine(st); !strings.Contains(line, "no rules yet") {
		t.Errorf("the status line is %q", line)
	}
	m.writePolicy(brokenPolicy)
	m.reload <- struct{}{}
	m.until("a mistake is called one", func(st *state.State) bool {
		return raised(st, state.PolicyBroken) && !raised(st, state.PolicyEmpty)
	})
	m.writePolicy("")
	m.reload <- struct{}{}
	m.until("and an empty file is none", func(st *state.State) bool {
		return raised(st, state.PolicyEmpty) && !raised(st, state.PolicyBroken)
	})
	m.writePolicy(m.policy)
	m.reload <- struct{}{}
	m.untilReleased(card)
	if st := m.untilIdle(); raised(st, state.PolicyEmpty) || st.Policy.Error != "" {
		t.Errorf("the condition stays: %+v %s", st.Conditions, st.Policy.Error)
	}
	m.writePolicy("")
	m.reload <- struct{}{}
	st = m.until("the rules stay in force", func(st *state.State) bool { return raised(st, state.PolicyStale) })
	if raised(st, state.PolicyEmpty) || len(st.Cards) != 1 {
		t.Errorf("a file that was emptied took the rules away:\n%s", picture(st))
	}
}

func TestSupervisor_brokenPolicyAtReload(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	m.until("it watches", func(st *state.State) bool { return st.Phase == state.Watching })
	m.writePolicy(brokenPolicy)
	m.reload <- struct{}{}
	st := m.until("it says so", func(st *state.State) bool { return raised(st, state.PolicyStale) })
	if st.Counters.PolicyReloadFails != 1 || !strings.Contains(st.Policy.Error, "policy.toml:3:1") || raised(st, state.PolicyBroken) {
		t.Errorf("policy: %+v", st.Policy)
	}
	card := m.card("sda", "SKUA_1", 3)
	m.plug(card, m.drive("sdb"))
	m.untilReleased(card) // the last good one goes on
}

// A card is released while a slower drive still gets its copy. Rules that ask for
// more take that back at once, and not when the slow drive is done.
func TestSupervisor_stricterRulesAfterAnEarlyRelease(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	reached, goOn := b.blocked("create", ".unfinished")
	m.plug(a, b)
	m.plug(card)
	<-reached
	m.until("it is released", func(st *state.State) bool {
		c, ok := cardOf(st, card.name)
		return ok && c.Verdict == state.Release
	})
	m.writePolicy(strings.Replace(m.policy, "copies = 1", "copies = 3", 1))
	m.reload <- struct{}{}
	m.until("the release is taken back", func(st *state.State) bool {
		c, ok := cardOf(st, card.name)
		return ok && c.Verdict == state.Hold && len(b.finished()) == 0
	})
	goOn()
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	if len(a.finished()) != 1 || len(b.finished()) != 1 {
		t.Errorf("copies %v and %v", a.finished(), b.finished())
	}
}

// What a job has found by rules that are not in force any more releases no card,
// also when the box is just stopping: its last light stays on for a while.
func TestSupervisor_endsByRulesInForce(t *testing.T) {
	t.Parallel()
	on := func(disks ...string) (b basis) {
		b = basis{nil}
		for _, d := range disks {
			b[0] = append(b[0], offload.Place{DriveID: d, Disks: []string{d}})
		}
		return b
	}
	for _, phase := range []state.Phase{state.Watching, state.Stopping} {
		s := stillSupervisor(Config{})
		s.life, s.phase = t.Context(), phase
		s.policy = &policy.Policy{Box: policy.Box{Copies: 3}}
		c := &card{rule: &policy.CardRule{}, copies: 2, phase: state.CardWorking, verdict: state.Hold}
		s.cards = []*card{c}
		c.job = &job{task: task{s: s, cancel: func(error) {}, lane: s.traffic.join(nil, false)}, card: c, policy: &policy.Policy{}}
		s.ended(c.job, outcome{verdict: state.Release, reason: "4 files, each proven on 2 drives", basis: on("sda", "sdb")})
		if c.verdict != state.Hold || c.job != nil {
			t.Errorf("%v: the card is on %s: %s", phase, c.verdict, c.reason)
		}
		// By the same rules the release stands.
		c.copies = 3
		c.job = &job{task: task{s: s, cancel: func(error) {}, lane: s.traffic.join(nil, false)}, card: c, policy: s.policy}
		s.ended(c.job, outcome{verdict: state.Release, reason: "4 files, each proven on 3 drives", basis: on("sda", "sdb", "sdc")})
		if c.verdict != state.Release {
			t.Errorf("%v: the card is on %s: %s", phase, c.verdict, c.reason)
		}
	}
}

// A policy that is read again answers anew for the cards that are in.
func TestSupervisor_reloadJudgesAnew(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	m.plug(card, a)
	m.untilReleased(card)
	m.writePolicy(strings.Replace(m.policy, "copies = 1", "copies = 2", 1))
	m.reload <- struct{}{}
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.writePolicy(m.policy)
	m.reload <- struct{}{}
	m.untilReleased(card)
	if len(a.finished()) != 1 {
		t.Errorf("copies: %v, want the one", a.finished())
	}
	m.writePolicy(strings.Replace(m.policy, "SKUA*", "OTHER*", 1))
	m.reload <- struct{}{}
	m.until("the card is left alone", func(st *state.State) bool { return len(st.Cards) == 0 && st.Devices[0].Decision == "left-alone" })
}

// A card rule that changes in the middle of a copy has the card judged anew by it.
func TestSupervisor_cardRuleInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 4), m.drive("sdb"), m.drive("sdc")
	reached, goOn := card.blocked("read", "SKUA0002")
	m.plug(card, a, b)
	<-reached
	m.writePolicy(strings.Replace(m.policy, "[[card]]", "[[card]]\nverify = \"read-back-twice\"", 1))
	m.reload <- struct{}{}
	m.until("the policy is read", func(st *state.State) bool { return st.Counters.PolicyReloads == 1 })
	goOn()
	m.until("it is judged by the new rule", func(st *state.State) bool {
		c, ok := cardOf(st, card.name)
		if !ok || c.Phase != state.CardDecided || !idle(st) {
			return false
		}
		by := ""
		if err := m.s.asked(t.Context(), func(told func(error)) { by = m.s.cards[0].by.Verify; told(nil) }); err != nil {
			t.Error(err)
		}
		return by == policy.VerifyReadBackTwice
	})
}

// A policy that arrives in the middle of a copy decides about its end.
func TestSupervisor_reloadInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1).start()
	card, a := m.card("sda", "SKUA_1", 3), m.drive("sdb")
	reached, goOn := make(chan struct{}), make(chan struct{})
	card.on(blockOnce("read", "SKUA0002", reached, goOn))
	m.plug(card, a)
	<-reached
	m.writePolicy(strings.Replace(m.policy, "copies = 1", "copies = 2", 1))
	m.reload <- struct{}{}
	m.until("it is read", func(st *state.State) bool { return st.Box.Copies == 2 })
	close(goOn) // from here on the oracle wants two
	m.untilHeld(card, state.NeedsDrive, "needs 1 more drive")
	m.plug(m.drive("sdc"))
	m.untilReleased(card)
}

func TestSupervisor_damagedLedger(t *testing.T) {
	t.Parallel()
	m, card, a, b := copied(t, 3)
	m.stop()
	path := filepath.Join(m.cfg.StateDir, "ledger.db")
	data, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	for i := range data {
		data[i] ^= 0x5a
	}
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	m.pullSilently(a, b)
	m.start()
	m.untilCondition(state.LedgerReplaced)
	m.untilHeld(card, state.NeedsDrive, "needs 2 more drives") // never a release from nothing
	m.plug(a, b)
	m.untilReleased(card)
	if len(a.finished()) != 2 {
		t.Errorf("copies: %v, want the old one and a new one", a.finished())
	}
	if aside, err := filepath.Glob(path + ".damaged-*"); err != nil || len(aside) == 0 {
		t.Errorf("the damaged ledger was not kept: %v %v", aside, err)
	}
}

// pullSilently takes media out while no daemon lives.
func (m *sim) pullSilently(media ...*simMedium) {
	m.alter(func() {
		m.plugged = slices.DeleteFunc(m.plugged, func(d *simMedium) bool { return slices.Contains(media, d) })
	})
}

func TestSupervisor_ledgerThatFails(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	m.until("it watches", func(st *state.State) bool { return st.Phase == state.Watching })
	m.s.ledger.Close()
	card, a, b := m.card("sda", "SKUA_1", 3), m.drive("sdb"), m.drive("sdc")
	m.plug(card, a, b)
	m.untilReleased(card) // the copies are proven on the drives, ledger or not
	m.untilCondition(state.LedgerFailing)
	// Without a ledger nothing is remembered: the card is copied anew.
	m.pull(card)
	m.plug(card)
	m.untilReleased(card)
	if len(a.finished()) != 2 {
		t.Errorf("copies: %v, want two", a.finished())
	}
}

func TestSupervisor_ledgerThatFailsInMidCopy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2).start()
	card, a, b := m.card("sda", "SKUA_1", 5), m.drive("sdb"), m.drive("sdc")
	reached, goOn := make(chan struct{}), make(chan struct{})
	card.on(blockOnce("read", "SKUA0003", reached, goOn))
	m.plug(card, a, b)
	<-reached
	m.s.ledger.Close()
	close(goOn)
	m.untilReleased(card)
	m.untilCondition(state.LedgerFailing)
	if len(a.finished()) != 1 || len(b.finished()) != 1 {
		t.Errorf("copies: %v %v", a.finished(), b.finished())
	}
	// The next life finds a sound ledger that never heard of the proofs.
	m.stop()
	m.start()
	m.untilReleased(card)
}

func TestSupervisor_tellsSystemd(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.cfg.Watchdog = 30 * time.Millisecond
	m.start()
	card := m.card("sda", "SKUA_1", 2)
	m.plug(card, m.drive("sdb"))
	m.untilReleased(card)
	m.until("the watchdog is fed", func(*state.State) bool { return m.told("WATCHDOG=1") >= 3 })
	if n := m.told("READY=1"); n != 1 {
		t.Errorf("READY=1 was said %d times", n)
	}
	m.stop()
	m.mu.Lock()
	defer m.mu.Unlock()
	if last := m.notified[len(m.notified)-1]; last != "STOPPING=1" && !slices.Contains(m.notified, "STOPPING=1") {
		t.Errorf("the last that was said: %s", last)
	}
}

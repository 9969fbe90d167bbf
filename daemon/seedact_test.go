package daemon

import (
	"fmt"
	"math/rand/v2"
	"time"
)

// seedStep is one thing that happens to the box, and when.
type seedStep struct {
	what string
	i, j int // of cards, or drives
	op   string
	nth  int           // call of that sort, from the step before
	wait time.Duration // with no op
}

var steps = []string{
	"card", "card", "card", "card", "card out", "card out", "swap", "swap", "swap", "again", "again", "refill", "refill", "refill",
	"drive", "drive", "drive out", "drive out", "drive again", "hub", "fill", "faults", "faults", "heal", "reload", "reload", "broken policy",
	"stop", "stop", "kill", "kill", "power", "power", "clock", "battery", "battery", "battery", "rest", "rest", "rest",
}

// moments at which something happens, and after how many calls at most.
var moments = []struct {
	op   string
	most int
}{
	{"read", 25}, {"read", 60}, {"write", 60}, {"write", 20}, {"sync", 25}, {"rename", 3}, {"rename", 8}, {"create", 30}, {"readback", 60},
	{"mount", 6}, {"let go", 5}, {"list", 6}, {"lstat", 40}, {"state", 12}, {"state", 40}, {"any", 400}, {"touch", 12}, {"", 0}, {"", 0},
}

func makeScript(r *rand.Rand, cards, drives int) (script []seedStep) {
	script = append(script, seedStep{what: "all drives"}, seedStep{what: "card", i: r.IntN(cards)})
	if chance(r, 25) {
		script = script[1:]
	}
	for range 3 + r.IntN(11) {
		s := seedStep{what: oneOf(r, steps...), i: r.IntN(12), j: r.IntN(12)}
		m := oneOf(r, moments...)
		if s.op = m.op; s.op != "" {
			s.nth = 1 + r.IntN(m.most)
		} else {
			s.wait = oneOf(r, 0, 100*time.Millisecond, 2*time.Second, 20*time.Second)
		}
		script = append(script, s)
	}
	return script
}

// trigger waits for the moment of a step.
type trigger struct {
	step  seedStep
	left  int
	fired chan struct{}
}

// happens counts a call, and does what is due at it, on the caller's goroutine.
func (w *seedWorld) happens(op string, at *stay) {
	w.mu.Lock()
	t := w.trigger
	if t == nil || t.step.op != op && t.step.op != "any" {
		w.mu.Unlock()
		return
	}
	if t.left--; t.left > 0 {
		w.mu.Unlock()
		return
	}
	w.trigger = nil
	where := ""
	if at != nil {
		where = " at " + at.name
	}
	w.logLocked("-- at %s %d%s", t.step.op, t.step.nth, where)
	w.mu.Unlock()
	w.act(t.step)
	close(t.fired)
}

// follow takes the script's steps, one after the other.
func (w *seedWorld) follow() {
	w.begin(w.newState())
	for _, s := range w.script {
		if w.off() {
			w.turnOn(s)
		}
		if s.op == "" {
			time.Sleep(s.wait)
			w.act(s)
			continue
		}
		t := &trigger{step: s, left: s.nth, fired: make(chan struct{})}
		w.mu.Lock()
		w.trigger = t
		w.mu.Unlock()
		select {
		case <-t.fired:
		case <-time.After(30 * time.Second): // it does not come to that
			w.mu.Lock()
			late := w.trigger == t
			w.trigger = nil
			w.mu.Unlock()
			if !late {
				<-t.fired
				continue
			}
			w.act(s)
		}
	}
}

func (w *seedWorld) off() bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.life == nil
}

// turnOn begins the next life, now or after the next step.
func (w *seedWorld) turnOn(s seedStep) {
	last := w.started[len(w.started)-1]
	if s.op == "" && s.wait > 0 && s.what != "stop" && s.what != "kill" && s.what != "power" {
		w.act(s) // while the box is off
	}
	w.awaitEnd(last)
	w.begin(last.left)
}

// awaitEnd waits for a life that was stopped in peace.
func (w *seedWorld) awaitEnd(l *seedLife) {
	if l.killed {
		return
	}
	select {
	case <-l.over:
		if l.err != nil {
			w.foul("life %d ended with: %v", l.n, l.err)
		}
	case <-time.After(10 * time.Minute):
		w.foul("life %d does not end when it is told to", l.n)
	}
	w.exit(l)
	l.left = l.dir
}

// act does one step. It never waits.
func (w *seedWorld) act(s seedStep) {
	w.mu.Lock()
	w.actions++
	l := w.life
	c, d := w.cards[s.i%len(w.cards)], w.drives[s.i%len(w.drives)]
	other := w.cards[s.j%len(w.cards)]
	slot := fmt.Sprintf("mmcblk%d", s.j%2)
	busy := l != nil && l.busy()
	r := rand.New(rand.NewPCG(w.seed, uint64(w.actions)))
	switch s.what {
	case "all drives":
		for _, d := range w.drives {
			w.driveInLocked(d)
		}
	case "card":
		w.outLocked(c.at)
		w.cardInLocked(c, slot)
	case "card out":
		if c.at == nil {
			w.cardInLocked(c, slot)
		} else {
			w.outLocked(c.at)
		}
	case "swap":
		if c.at == nil {
			w.cardInLocked(c, slot)
		}
		w.swapLocked(c, other)
	case "again":
		w.againLocked(c, slot)
	case "refill":
		if st := c.at; st != nil {
			slot = st.slot
			w.outLocked(st)
		}
		w.refill(c, r, oneOf(r, c.fill, c.fill, nil))
		w.sawLocked("a card was refilled")
		w.logLocked("card %d is filled anew", c.n)
		w.cardInLocked(c, slot)
	case "drive":
		w.driveInLocked(d)
	case "drive out":
		w.outLocked(d.at)
	case "drive again":
		w.outLocked(d.at)
		w.driveInLocked(d)
	case "hub":
		w.logLocked("the hub goes")
		for _, d := range w.drives {
			w.outLocked(d.at)
		}
		for _, c := range w.cards {
			w.outLocked(c.at)
		}
	default:
		w.actOnBoxLocked(s, l, d, r, busy)
		w.mu.Unlock()
		w.end(s, l, busy)
		return
	}
	w.mu.Unlock()
}

func (w *seedWorld) againLocked(c *seedCard, slot string) {
	if st := c.at; st != nil {
		slot = st.slot
		w.outLocked(st)
		w.sawLocked("the same card came again at once")
	}
	w.cardInLocked(c, slot)
}

func (w *seedWorld) actOnBoxLocked(s seedStep, l *seedLife, d *seedDrive, r *rand.Rand, busy bool) {
	switch s.what {
	case "fill":
		w.logLocked("drive %d is full now", d.n)
		d.faults.Store(&faults{fullAt: max(1, d.store.used+int64(r.IntN(60_000)))})
	case "faults":
		w.logLocked("drive %d begins to fail", d.n)
		d.faults.Store(makeFaults(r))
	case "heal":
		d.faults.Store(nil)
	case "reload", "broken policy":
		text := "[box]\ncopies = 0\n"
		if s.what == "reload" {
			p := makePolicy(r)
			p.folder = w.policy.folder
			w.policy = p
			text = p.text()
		}
		w.writePolicy(text)
		w.logLocked("%s: %d copies, %s, %s", s.what, w.policy.copies, w.policy.verify, w.policy.checksum)
		w.sawLocked("the policy was read again")
		if busy {
			w.sawLocked("the policy was read again in mid-copy")
		}
		if l != nil {
			select {
			case l.reload <- struct{}{}:
			default:
			}
		}
	case "battery":
		w.supplyLocked(makeSupply(r))
		if l != nil {
			l.tellSupply()
		}
		if l != nil && busy && w.supply.Percent < 5 && !w.supply.External {
			w.sawLocked("the battery was nearly empty in mid-copy")
		}
	case "clock":
		w.trusted = chance(r, 50)
		w.offset += oneOf(r, -48*time.Hour, -time.Hour, time.Hour, 24*time.Hour, 24*365*time.Hour)
		w.logLocked("the clock jumps to %s, trusted %v", time.Now().UTC().Add(w.offset).Format(time.DateTime), w.trusted)
		w.sawLocked("the clock jumped")
	}
}

// end is about the life itself.
func (w *seedWorld) end(s seedStep, l *seedLife, busy bool) {
	if l == nil {
		return
	}
	mid := map[bool]string{true: " in mid-copy"}[busy]
	switch s.what {
	case "stop":
		w.mu.Lock()
		if w.life == l {
			w.life = nil
		}
		w.logLocked("life %d is told to stop%s", l.n, mid)
		w.sawLocked("a stop" + mid)
		w.mu.Unlock()
		l.cancel()
	case "kill", "power":
		power := s.what == "power"
		w.logf("life %d is killed%s; power goes: %v", l.n, mid, power)
		w.saw(map[bool]string{true: "a power cut", false: "a kill"}[power] + mid)
		l.killed = true
		l.left = w.kill(l, power)
	}
}

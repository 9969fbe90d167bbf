package stories

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"bothy/testdata/oracle"
	"bothy/testdata/testbed"
)

// Said is one claim of the box's, when it was first seen.
type Said struct {
	Window string // status, light, page, metrics
	Card   string // label; "" for a window that does not say which
	Drive  string // name of the drive, when the claim is about a copy
	When   string // for people
	// Entries counts what was in each watched write log just after the claim had
	// been seen: the claim was made no later than that.
	Entries map[string]int
}

// Copy tells a claim that a copy is proven from one that a card is released.
func (s Said) Copy() bool { return s.Drive != "" }

// claim is what was said as the oracle takes it: of a copy on a drive, or of a
// release.
func (s Said) claim() oracle.Claim {
	c := oracle.Claim{Card: s.Card, Released: true, When: s.Window + ", " + s.When}
	if s.Copy() {
		c.When = "copy on " + s.Drive + " proven: " + c.When
	}
	return c
}

// claimsOf are the claims of those things said that somebody wants.
func claimsOf(said []Said, wanted func(Said) bool) (list []oracle.Claim) {
	for _, s := range said {
		if wanted(s) {
			list = append(list, s.claim())
		}
	}
	return list
}

func aRelease(s Said) bool { return !s.Copy() }

// Witness looks at the windows of a running box and remembers what they
// claimed, until the power goes. It knows nothing of what is true.
type Witness struct {
	probe testbed.Probe
	logs  map[string]*testbed.LogWatch
	stop  context.CancelFunc
	ended chan struct{}

	mu      sync.Mutex // guards what follows
	said    []Said
	seen    map[string]bool
	differs []string // how windows contradicted each other
	last    Status
	tag     string        // ETag of last
	asked   int           // how often the status was asked for
	came    int           // the newest of these questions that was answered
	news    chan struct{} // closed when the next one is
}

// Witness begins to look at the box. Logs are those of its disks, by id.
func (b *Box) Witness(logs map[string]*testbed.LogWatch) *Witness {
	ctx, cancel := context.WithCancel(context.Background())
	w := &Witness{probe: b.Probe(), logs: logs, stop: cancel, ended: make(chan struct{}), seen: map[string]bool{}, news: make(chan struct{})}
	go w.watch(ctx)
	return w
}

// End stops looking and waits until that is over.
func (w *Witness) End() {
	w.stop()
	<-w.ended
}

// Said is what was claimed so far, in order.
func (w *Witness) Said() []Said {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.said)
}

// Disagreements are the cases in which two windows contradicted each other while
// the box's state stood still.
func (w *Witness) Disagreements() []string {
	w.mu.Lock()
	defer w.mu.Unlock()
	return slices.Clone(w.differs)
}

// Last is the newest status seen.
func (w *Witness) Last() Status {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.last
}

// Next waits for a status that was asked for after this call. ok is false when there
// is none: the power went, or the time is up.
func (w *Witness) Next(ctx context.Context) (s Status, ok bool) {
	w.mu.Lock()
	before := w.asked
	for w.came <= before {
		news := w.news
		w.mu.Unlock()
		select {
		case <-news:
		case <-w.ended:
			return s, false
		case <-ctx.Done():
			return s, false
		}
		w.mu.Lock()
	}
	defer w.mu.Unlock()
	return w.last, true
}

// view is what one round saw.
type view struct {
	first, then Status
	light       string // "" when it was not asked
	page, meter int    // cards released, by page and by metrics; -1 when not asked
}

func (w *Witness) watch(ctx context.Context) {
	defer close(w.ended)
	tick := time.NewTicker(100 * time.Millisecond)
	defer tick.Stop()
	var before view
	before.page = -1
	doubt := ""
	for round := 0; ; round++ {
		select {
		case <-ctx.Done():
			return
		case <-w.probe.Gone():
			return
		case <-tick.C:
		}
		v, ok := w.look(ctx, before, doubt != "" || round%32 == 0)
		if !ok {
			continue
		}
		now := w.compare(v)
		if now != "" && now == doubt {
			w.mu.Lock()
			w.differs = append(w.differs, now)
			w.mu.Unlock()
		}
		doubt = now
		w.claims(v, before)
		before = v
	}
}

// look asks the windows. The costly ones are asked when something has changed.
func (w *Witness) look(ctx context.Context, before view, whole bool) (v view, ok bool) {
	v.page, v.meter = -1, -1
	var light []string
	if v.first, light, ok = w.status(ctx, lightFiles...); !ok {
		return v, false
	}
	v.then = v.first
	v.light = lightOf(light)
	if whole || v.first.verdicts() != before.first.verdicts() || v.light != before.light {
		if reply, err := w.probe.Get(ctx, "/"); err == nil && reply.Status == 200 {
			v.page = strings.Count(string(reply.Body), "take it out, reuse it")
		}
		if reply, err := w.probe.Get(ctx, "/metrics"); err == nil && reply.Status == 200 {
			v.meter = meter(string(reply.Body))
		}
		v.then, _, ok = w.status(ctx)
	}
	return v, ok
}

// status asks for the status, and for the beginnings of files right after it.
func (w *Witness) status(ctx context.Context, files ...string) (s Status, texts []string, ok bool) {
	w.mu.Lock()
	w.asked++
	asked := w.asked
	s, known := w.last, w.tag
	w.mu.Unlock()
	reply, texts, err := w.probe.Look(ctx, "/v1/status", known, files...)
	switch {
	case err != nil:
		return s, nil, false
	case reply.Status == http.StatusNotModified && known != "":
	case reply.Status == http.StatusOK:
		s = Status{}
		if json.Unmarshal(reply.Body, &s) != nil {
			return s, nil, false
		}
	default:
		return s, nil, false
	}
	w.mu.Lock()
	w.last, w.tag = s, reply.Header.Get("ETag")
	w.came = asked
	close(w.news)
	w.news = make(chan struct{})
	w.mu.Unlock()
	return s, texts, true
}

// lightFiles say how the card's light shines.
var lightFiles = []string{"/sys/class/leds/" + cardLED + "/trigger", "/sys/class/leds/" + cardLED + "/brightness"}

// lightOf is the pattern of the card's light, as far as a release goes: "steady"
// or something else; "" when it cannot be read.
func lightOf(texts []string) string {
	if len(texts) != len(lightFiles) || slices.Contains(texts, "") {
		return ""
	}
	switch trigger, bright := texts[0], texts[1]; {
	case strings.Contains(trigger, "[none]") && bright != "0":
		return "steady"
	case strings.Contains(trigger, "[none]"):
		return "dark"
	}
	return "blinking"
}

var metered = regexp.MustCompile(`(?m)^bothy_slot_cards\{[^}]*verdict="release"[^}]*\} ([0-9]+)$`)

// meter adds up the cards that the metrics call released.
func meter(text string) (n int) {
	for _, m := range metered.FindAllStringSubmatch(text, -1) {
		k, _ := strconv.Atoi(m[1])
		n += k
	}
	return n
}

// verdicts is what a status says of the cards, to see whether that changes.
func (s Status) verdicts() string {
	var text strings.Builder
	for _, c := range s.Cards {
		fmt.Fprintf(&text, "%s %s %s %s;", c.Device, c.Label, c.Phase, c.Verdict)
	}
	return text.String()
}

func (s Status) released() (n int) {
	for _, c := range s.Cards {
		if c.Phase == "decided" && c.Verdict == "release" {
			n++
		}
	}
	return n
}

// compare says how the windows contradict each other; nothing when they do not,
// or when the state moved on meanwhile.
func (w *Witness) compare(v view) string {
	if v.page < 0 || v.meter < 0 || v.first.Sequence != v.then.Sequence {
		return ""
	}
	n := v.first.released()
	steady := n > 0 && n == len(v.first.Cards)
	if v.page != n || v.meter != n || v.light != "" && (v.light == "steady") != steady {
		return fmt.Sprintf("the status releases %d of %d cards, the page %d, the metrics %d, the light is %s",
			n, len(v.first.Cards), v.page, v.meter, v.light)
	}
	return ""
}

// claims notes what is claimed for the first time. A light that was steady
// before these cards were there may be late to change: it counts as a claim
// about them when the status agrees, or when it stays so.
func (w *Witness) claims(v, before view) {
	entries := map[string]int{}
	for id, log := range w.logs {
		entries[id] = log.Entries()
	}
	when := fmt.Sprintf("state %d", v.first.Sequence)
	stayed := v.light == "steady" && before.light == "steady" && sameCards(v.first, before.first)
	for _, c := range v.first.Cards {
		released := c.Phase == "decided" && c.Verdict == "release"
		if released {
			w.note(Said{Window: "status", Card: c.Label, When: when, Entries: entries})
			if v.page > 0 && v.page == v.first.released() {
				w.note(Said{Window: "page", Card: c.Label, When: when, Entries: entries})
			}
			if v.meter > 0 && v.meter == v.first.released() {
				w.note(Said{Window: "metrics", Card: c.Label, When: when, Entries: entries})
			}
		}
		if v.light == "steady" && (released || stayed) {
			w.note(Said{Window: "light", Card: c.Label, When: when, Entries: entries})
		}
	}
	for _, o := range v.first.Offloads {
		for _, c := range o.Copies {
			if c.Phase == "proven" {
				w.note(Said{Window: "status", Card: o.CardLabel, Drive: c.DriveName, When: when, Entries: entries})
			}
		}
	}
}

func sameCards(a, b Status) bool {
	key := func(s Status) []string {
		var list []string
		for _, c := range s.Cards {
			list = append(list, c.Device+" "+c.Label)
		}
		return list
	}
	return slices.Equal(key(a), key(b))
}

func (w *Witness) note(s Said) {
	w.mu.Lock()
	defer w.mu.Unlock()
	key := s.Window + "\x00" + s.Card + "\x00" + s.Drive
	if !w.seen[key] {
		w.seen[key] = true
		s.Entries = maps.Clone(s.Entries)
		w.said = append(w.said, s)
	}
}

package fleet

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"regexp"
	"strconv"
	"sync"
	"sync/atomic"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
)

// link is a TCP connection's way from a box to the shore, which can be cut.
type link struct {
	to         string
	listener   net.Listener
	up, down   atomic.Int64 // bytes that were carried to the shore, and back
	attempts   atomic.Int64 // connections that were refused
	mu         sync.Mutex
	cut        bool              // guarded by mu
	open       map[net.Conn]bool // guarded by mu
	forwarders sync.WaitGroup    // every goroutine
}

func newLink(t *testing.T, to string) *link {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	k := &link{to: to, listener: l, open: map[net.Conn]bool{}}
	k.forwarders.Go(k.serve)
	t.Cleanup(func() {
		l.Close()
		k.set(true)
		k.forwarders.Wait()
	})
	return k
}

func (k *link) serve() {
	for {
		c, err := k.listener.Accept()
		if err != nil {
			return
		}
		k.forwarders.Go(func() { k.carry(c) })
	}
}

// set cuts the link, in the middle of whatever it carries, or mends it.
func (k *link) set(cut bool) {
	k.mu.Lock()
	defer k.mu.Unlock()
	k.cut = cut
	for c := range k.open {
		if cut {
			c.Close()
		}
	}
}

// keep notes a connection; it is false, and the connection closed, while the link is
// cut.
func (k *link) keep(c net.Conn) bool {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.cut {
		c.Close()
		return false
	}
	k.open[c] = true
	return true
}

func (k *link) drop(c net.Conn) {
	k.mu.Lock()
	defer k.mu.Unlock()
	delete(k.open, c)
	c.Close()
}

func (k *link) carry(c net.Conn) {
	if !k.keep(c) {
		k.attempts.Add(1)
		return
	}
	defer k.drop(c)
	shore, err := net.Dial("tcp", k.to)
	if err != nil || !k.keep(shore) {
		return
	}
	defer k.drop(shore)
	k.forwarders.Go(func() {
		io.Copy(io.MultiWriter(c, counter{&k.down}), shore) // until either side is gone
		c.Close()
	})
	io.Copy(io.MultiWriter(shore, counter{&k.up}), c)
}

type counter struct{ n *atomic.Int64 }

func (c counter) Write(p []byte) (int, error) {
	c.n.Add(int64(len(p)))
	return len(p), nil
}

// A box sends to the shore over a link that is cut and comes back, with the shipped
// settings of both: nothing that was measured meanwhile is lost. What it should be is
// told by a second server, to which the same agent has a way that is never cut.
func TestLink_cutAndBack(t *testing.T) {
	t.Parallel()
	judges.Need(t, "prometheus")
	b := newBox(t, "skerry-1", 2)
	shore, witness, agent := newPrometheus(t), newPrometheus(t), newPrometheus(t)
	for _, p := range []*prometheus{shore, witness} {
		p.targets(b)
		hurried(t, p)
		p.put("prometheus.yml", "shore.yml", "127.0.0.1:9090", p.address)
		p.start("shore.default")
	}
	road := newLink(t, shore.address)
	sends := func(to string) string { return "url: http://" + to + "/api/v1/write" }
	agent.put("prometheus.yml", "box.yml",
		"scrape_interval: 60s", "scrape_interval: 1s",
		"127.0.0.1:9810", b.Listen,
		// One scrape, one message, as it is with a scrape a minute.
		"batch_send_deadline: 10s", "batch_send_deadline: 100ms",
		sends("shore.example.net:9090"), sends(road.listener.Addr().String()),
		"\nremote_write:", "\nremote_write:\n  - "+sends(witness.address))
	agent.start("box.default")

	const word = `count_over_time(bothy_build_info{box="skerry-1"}[1h])`
	for _, p := range []*prometheus{shore, witness} {
		p.reaches(word, 3)
	}
	t.Run("bytes", func(t *testing.T) { measureLink(t, road, shore, word) })

	road.set(true)
	// The agent has noticed, and the shore hears no more.
	until(t, "it is refused", func() error { return enough(road.attempts.Load(), 1) })
	before, err := shore.number(word)
	if err != nil {
		t.Fatal(err)
	}
	seen, err := witness.number(word)
	if err != nil {
		t.Fatal(err)
	}
	witness.reaches(word, seen+12)
	if during, err := shore.number(word); err != nil || during != before {
		t.Fatalf("the link is cut, and the shore has %g words and then %g: %v", before, during, err)
	}
	road.set(false)
	shore.reaches(word, seen+14)

	const everything = `{box="skerry-1",job="bothy"}`
	at, err := shore.number(`max(timestamp(bothy_build_info{box="skerry-1"}))`)
	if err != nil {
		t.Fatal(err)
	}
	at-- // a message in pieces is under way still
	witness.reaches(`max(timestamp(bothy_build_info{box="skerry-1"}))`, at)
	here, there := samples(t, shore, everything, at), samples(t, witness, everything, at)
	if diff := cmp.Diff(there, here); diff != "" {
		t.Errorf("what the box measured, and what the shore has (-want +got):\n%s", diff)
	}
	if n := len(here); n < 100 {
		t.Errorf("%d series were compared", n)
	}
}

func enough(got, least int64) error {
	if got < least {
		return fmt.Errorf("%d of %d", got, least)
	}
	return nil
}

// samples are all values of all series in the hour before a moment.
func samples(t *testing.T, p *prometheus, selector string, at float64) map[string][]string {
	t.Helper()
	list, err := p.ask(selector+"[1h]", at)
	if err != nil {
		t.Fatal(err)
	}
	all := map[string][]string{}
	for _, s := range list {
		name, err := json.Marshal(s.Metric)
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range s.Values {
			all[string(name)] = append(all[string(name)], string(bytes.Join([][]byte{v[0], v[1]}, []byte(" "))))
		}
	}
	return all
}

// measureLink says what a scrape of a box takes on the link, and holds the guide to
// it, within a third: that is what a box with more drives or cards may differ.
func measureLink(t *testing.T, road *link, shore *prometheus, word string) {
	first, err := shore.number(word)
	if err != nil {
		t.Fatal(err)
	}
	up, down := road.up.Load(), road.down.Load()
	last := 0.0
	until(t, "ten more scrapes", func() error {
		if last, err = shore.number(word); err == nil && last < first+10 {
			err = errors.New("not yet")
		}
		return err
	})
	scrapes := last - first
	up, down = road.up.Load()-up, road.down.Load()-down
	hourly := float64(up+down) / scrapes * 60 / 1000
	t.Logf("%g scrapes: %.0f bytes each to the shore, %.0f back; with one a minute %.0f kB an hour", scrapes, float64(up)/scrapes, float64(down)/scrapes, hourly)
	guide, err := os.ReadFile(shipped + "README.md")
	if err != nil {
		t.Fatal(err)
	}
	m := regexp.MustCompile(`about \*\*(\d+) kB an hour\*\*`).FindSubmatch(guide)
	if m == nil {
		t.Fatal("the guide does not say what a link must carry")
	}
	said, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		t.Fatal(err)
	}
	if hourly > said*4/3 || hourly < said*2/3 {
		t.Errorf("the guide says %g kB an hour, %.0f were measured", said, hourly)
	}
}

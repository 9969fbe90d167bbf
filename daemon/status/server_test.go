package status

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"bothy/daemon/state"
)

// pipes is a listener whose connections have no buffer at all: a client that
// does not read stalls the server at its first byte. Inside a synctest bubble
// its deadlines run on the bubble's clock, and the bubble fails if a goroutine
// of the server is left behind.
type pipes struct {
	conns  chan net.Conn
	closed chan struct{}
}

func newPipes() *pipes { return &pipes{make(chan net.Conn), make(chan struct{})} }

func (p *pipes) Accept() (net.Conn, error) {
	select {
	case c := <-p.conns:
		return c, nil
	case <-p.closed:
		return nil, net.ErrClosed
	}
}
func (p *pipes) Close() error   { close(p.closed); return nil }
func (p *pipes) Addr() net.Addr { return &net.UnixAddr{Name: "pipe", Net: "unix"} }

// dial connects and sends a request; the answer is the caller's to read.
func (p *pipes) dial(t *testing.T, request string) net.Conn {
	t.Helper()
	client, server := net.Pipe()
	p.conns <- server
	if _, err := io.WriteString(client, request); err != nil {
		t.Errorf("send request: %v", err)
	}
	return client
}

const followRequest = "GET /v1/events HTTP/1.1\r\nHost: box\r\n\r\n"

// run starts Run in the bubble; stop ends it and returns what Run returned.
func run(t *testing.T, c Config) (stop func() error) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Run(ctx, c) }()
	return func() error { cancel(); return <-ended }
}

// events reads events off a connection and reports each id until the stream ends.
func events(t *testing.T, c net.Conn) <-chan string {
	ids := make(chan string, 10_000)
	go func() {
		defer close(ids)
		defer c.Close()
		resp, err := http.ReadResponse(bufio.NewReader(c), nil)
		if err != nil || resp.StatusCode != http.StatusOK {
			t.Errorf("follow: %v %v", resp, err)
			return
		}
		defer resp.Body.Close()
		lines := bufio.NewScanner(resp.Body)
		for lines.Scan() {
			if id, ok := strings.CutPrefix(lines.Text(), "id: "); ok {
				ids <- id
			}
		}
	}()
	return ids
}

func TestEvents_conflatedAndLasting(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var p state.Publisher
		l := newPipes()
		stop := run(t, Config{Listener: l, States: &p})
		ids := events(t, l.dial(t, followRequest))
		const span = 5 * time.Minute // far beyond every time limit of the server
		tick := time.NewTicker(50 * time.Millisecond)
		defer tick.Stop()
		for range span / (50 * time.Millisecond) {
			p.Publish(&state.State{Phase: state.Watching})
			<-tick.C
		}
		quiet := time.NewTimer(2 * time.Minute) // only heartbeats
		<-quiet.C
		p.Publish(&state.State{Phase: state.Stopping})
		synctest.Wait()
		s, _ := p.Current()
		if err := stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
		var last string
		count := 0
		for id := range ids {
			last = id
			count++
		}
		if most := int(span/eventGap) + 3; count > most || count < most/2 {
			t.Errorf("%d events, at most %d wanted", count, most)
		}
		if last != fmt.Sprint(s.Sequence) {
			t.Errorf("last event is of state %s, the newest is %d", last, s.Sequence)
		}
	})
}

func TestFollow_beats(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		var p state.Publisher
		enough := errors.New("enough")
		emitted, beats := 0, 0
		err := follow(t.Context(), &p, func(*state.State) error { emitted++; return nil }, func() error {
			if beats++; beats == 4 {
				return enough
			}
			return nil
		})
		if !errors.Is(err, enough) || emitted != 1 {
			t.Errorf("%d events, %d beats, %v", emitted, beats, err)
		}
	})
}

// A follower that never reads costs one place, for a bounded time, and nothing else.
func TestEvents_stalledFollower(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		p := publisher(&state.State{Phase: state.Watching})
		l := newPipes()
		stop := run(t, Config{Listener: l, States: p, MaxListeners: 1})
		stalled := l.dial(t, followRequest)
		defer stalled.Close()
		synctest.Wait()
		for range 10_000 { // must not block: nobody advances the clock meanwhile
			p.Publish(&state.State{Phase: state.Watching})
		}
		second := l.dial(t, followRequest)
		resp, err := http.ReadResponse(bufio.NewReader(second), nil)
		if err != nil || resp.StatusCode != http.StatusServiceUnavailable {
			t.Fatalf("second follower: %v %v", resp, err)
		}
		_, _ = io.Copy(io.Discard, resp.Body)
		_ = second.Close()
		other := l.dial(t, "GET /healthz HTTP/1.1\r\nHost: box\r\nConnection: close\r\n\r\n")
		if resp, err := http.ReadResponse(bufio.NewReader(other), nil); err != nil || resp.StatusCode != http.StatusOK {
			t.Errorf("a request beside the stalled follower: %v %v", resp, err)
		}
		_ = other.Close()
		given := time.NewTimer(eventGiveUp + time.Second)
		<-given.C
		ids := events(t, l.dial(t, followRequest))
		if id := <-ids; id != "10001" {
			t.Errorf("after the stalled one was dropped: event of state %q", id)
		}
		if err := stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
		for range ids { // ends because Run ended it
		}
	})
}

// Stopping is not held up by one who never reads, and leaves no goroutine.
func TestRun_stopsBesideStalledClients(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := newPipes()
		stop := run(t, Config{Listener: l, States: publisher(sampleState())})
		var clients []net.Conn
		for _, request := range []string{followRequest, "GET / HTTP/1.1\r\nHost: box\r\n\r\n", "GET /v1/sta"} {
			c := l.dial(t, request)
			defer c.Close()
			clients = append(clients, c)
		}
		synctest.Wait()
		began := time.Now() // of the bubble's clock
		if err := stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
		if took := time.Since(began); took > shutdownTime+time.Second {
			t.Errorf("stopping took %v", took)
		}
		for i, c := range clients {
			if n, err := c.Read(make([]byte, 1)); err == nil {
				t.Errorf("client %d is still served after the end: %d bytes", i, n)
			}
		}
	})
}

func TestRun_boundsConnections(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := newPipes()
		stop := run(t, Config{Listener: l, States: publisher(sampleState()), MaxConnections: 1})
		idle := l.dial(t, "GET /v1/sta")
		client, server := net.Pipe()
		defer client.Close()
		select {
		case l.conns <- server:
			t.Error("a second connection was accepted beside the first")
		case <-time.After(headerTimeout - time.Second):
		}
		select { // the first one's time for a header, and for reading the complaint, is over
		case l.conns <- server:
		case <-time.After(writeTimeout + 2*time.Second):
			t.Error("the first connection's place was not given back")
		}
		_ = idle.Close()
		if err := stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}

func TestRun_refusesLargeHeaders(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		l := newPipes()
		stop := run(t, Config{Listener: l, States: publisher(sampleState())})
		client, server := net.Pipe()
		defer client.Close()
		l.conns <- server
		go func() { // ends when the server closes
			_, _ = io.WriteString(client, "GET / HTTP/1.1\r\nHost: box\r\nX: "+strings.Repeat("x", 10*maxHeaderBytes))
		}()
		resp, err := http.ReadResponse(bufio.NewReader(client), nil)
		if err != nil || resp.StatusCode != http.StatusRequestHeaderFieldsTooLarge {
			t.Errorf("%v %v", resp, err)
		}
		_ = client.Close()
		if err := stop(); err != nil {
			t.Errorf("Run: %v", err)
		}
	})
}

func TestRun_addressInUse(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	err = Run(t.Context(), Config{Address: l.Addr().String(), States: publisher(sampleState())})
	if err == nil || !strings.Contains(err.Error(), "open status address") {
		t.Errorf("Run on an address in use: %v", err)
	}
}

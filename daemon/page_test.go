package daemon

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"bothy/daemon/state"
	"bothy/daemon/status"
)

// freePort takes an address of this machine's and gives it back with what holds it.
func freePort(t testing.TB) (string, net.Listener) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { l.Close() })
	return l.Addr().String(), l
}

func (m *sim) pageAt(address string) bool {
	r, err := http.NewRequest(http.MethodGet, "http://"+address+"/", nil)
	if err != nil {
		m.t.Fatal(err)
	}
	r.SetBasicAuth("shore", "guillemot") // whether it is asked for or not
	resp, err := (&http.Client{Timeout: patience}).Do(r)
	if err != nil {
		return false
	}
	resp.Body.Close()
	return resp.StatusCode == http.StatusOK
}

// waitFor asks again and again what no State tells.
func (m *sim) waitFor(what string, ok func() bool) {
	m.t.Helper()
	again := time.NewTicker(5 * time.Millisecond)
	defer again.Stop()
	for late := time.After(patience); !ok(); {
		select {
		case <-again.C:
		case <-late:
			m.t.Fatalf("in vain: %s", what)
		}
	}
}

func (m *sim) servedAt(address, web string) {
	m.t.Helper()
	text := strings.Replace(m.policy, `listen = "off"`, fmt.Sprintf("listen = %q\n%s", address, web), 1)
	m.writePolicy(text)
	if m.s != nil {
		m.reload <- struct{}{}
	}
}

func unreachable(subject string) func(*state.State) bool {
	return func(st *state.State) bool {
		for _, c := range st.Conditions {
			if c.Code == state.StatusUnreachable && c.Subject == subject {
				return true
			}
		}
		return false
	}
}

// oneUser is a web file with the password "guillemot".
const oneUser = "basic_auth_users: { shore: $2a$04$d0/q/Ut12luVfdErV./J6eoKWGEYNXWSkcJ9mI/bhWQDPfREWVqCy }\n"

// givenSocket has the page served on a socket as the service manager passes one.
func (m *sim) givenSocket() (address string) {
	m.t.Helper()
	address, held := freePort(m.t)
	file, err := held.(*net.TCPListener).File()
	if err != nil {
		m.t.Fatal(err)
	}
	m.t.Cleanup(func() { file.Close() })
	held.Close() // the file stays open, and the socket with it
	m.cfg.PageListener = func() (net.Listener, error) { return net.FileListener(file) }
	return address
}

// An address that is taken, or not there yet, is tried until it can be had.
func TestPage_untilItCanBeServed(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.Listen = ""
	address, holder := freePort(t)
	m.servedAt(address, "")
	m.start()
	subject := "the status page at " + address
	m.until("it is said that there is no page", unreachable(subject))
	holder.Close()
	m.until("the page is served", func(st *state.State) bool { return !unreachable(subject)(st) })
	if !m.pageAt(address) {
		t.Error("there is no page")
	}
}

// The page goes where the newest policy says, and nowhere else.
func TestPage_followsThePolicy(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.Listen = ""
	first, one := freePort(t)
	second, two := freePort(t)
	one.Close()
	m.servedAt(first, "")
	m.start()
	m.until("the box watches", func(st *state.State) bool { return st.Phase == state.Watching })
	m.waitFor("the first page", func() bool { return m.pageAt(first) })
	m.servedAt(second, "")
	m.until("the second address is taken", unreachable("the status page at "+second))
	two.Close()
	m.waitFor("the second page", func() bool { return m.pageAt(second) })
	if m.pageAt(first) {
		t.Error("the page is still served at the first address")
	}
	web := filepath.Join(m.base, "web.yml")
	m.servedAt(second, fmt.Sprintf("web_config = %q", web))
	m.until("without its web file it is not served", unreachable("the status page at "+second))
	if m.pageAt(second) {
		t.Error("the page is served without the protection that is asked for")
	}
	if err := os.WriteFile(web, []byte(oneUser), 0o600); err != nil {
		t.Fatal(err)
	}
	m.until("it is served with it", func(st *state.State) bool { return !unreachable("the status page at " + second)(st) })
	m.writePolicy(m.policy) // off
	m.reload <- struct{}{}
	m.waitFor("no page", func() bool { return !m.pageAt(second) })
	m.until("none is missed", func(st *state.State) bool { return !raised(st, state.StatusUnreachable) })
}

// The service manager's socket goes before the policy's address, and outlives a fault.
func TestPage_onAGivenSocket(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.Listen = ""
	address := m.givenSocket()
	other, free := freePort(t)
	free.Close()
	web := filepath.Join(m.base, "web.yml")
	m.servedAt(other, fmt.Sprintf("web_config = %q", web))
	m.start()
	m.until("without its web file it is not served", func(st *state.State) bool { return raised(st, state.StatusUnreachable) })
	if err := os.WriteFile(web, []byte(oneUser), 0o600); err != nil {
		t.Fatal(err)
	}
	m.until("it is served with it", func(st *state.State) bool { return !raised(st, state.StatusUnreachable) })
	m.waitFor("the page", func() bool { return m.pageAt(address) })
	if m.pageAt(other) {
		t.Error("the policy's address is served beside the socket")
	}
}

// A password that the policy asks for holds although it has no rules yet, and however it
// is broken afterwards.
func TestPage_passwordWithoutRules(t *testing.T) {
	t.Parallel()
	m := newSim(t, 2)
	m.cfg.Listen = ""
	address, held := freePort(t)
	held.Close()
	m.cfg.Listen = address
	m.writePolicy("[box]\ncopies = 99\n")
	m.start()
	m.waitFor("the page without a password, for this machine alone", func() bool { return m.pageAt(address) })
	for _, text := range []string{"[status]\nweb_config = \"/nonexistent/web.yml\"\n", "[box]\ncopies = 98\n"} {
		m.writePolicy(text)
		before := m.until("it runs", func(*state.State) bool { return true }).Counters.PolicyReloads
		m.reload <- struct{}{}
		m.until("it is read", func(st *state.State) bool { return st.Counters.PolicyReloads > before })
		m.untilCondition(state.StatusUnreachable)
		m.waitFor("no page", func() bool { return !m.pageAt(address) })
	}
}

// Whether the page was to ask for a password is not known while the policy is broken: it
// is shown to this machine alone then, and to nobody on a socket that is given.
func TestPage_brokenPolicy(t *testing.T) {
	t.Parallel()
	for name, tc := range map[string]struct {
		text   string
		served bool
	}{
		"broken":                       {"[box]\ncopies = 99\n", false},
		"without rules":                {"[status]\nlisten = \"127.0.0.1:1\"\n", true},
		"without rules, with password": {"[status]\nweb_config = \"/nonexistent/web.yml\"\n", false},
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			m := newSim(t, 2)
			m.cfg.Listen = ""
			address := m.givenSocket()
			m.writePolicy(tc.text)
			m.start()
			if !tc.served {
				c := m.untilCondition(state.StatusUnreachable)
				t.Logf("%s: %s", c.Subject, c.Detail)
				m.servedAt(address, "")
			}
			m.waitFor("the page", func() bool { return m.pageAt(address) })
			m.until("none is missed", func(st *state.State) bool { return !raised(st, state.StatusUnreachable) })
		})
	}
	for listen, want := range map[string]bool{
		"127.0.0.1:9810": true, "127.9.9.9:0": true, "[::1]:80": true, "localhost:80": true, ":9810": false, "0.0.0.0:80": false,
		"192.0.2.1:80": false, "skerry-2:80": false, "[::]:80": false, "the service manager's socket": false,
	} {
		if thisMachineOnly(listen) != want {
			t.Errorf("%s: for this machine only: %t, want %t", listen, !want, want)
		}
	}
}

// The control socket of a life that is not quite over is waited for: the box works without
// it meanwhile, says so, and has it as soon as it is free.
func TestControl_hadAsSoonAsItIsFree(t *testing.T) {
	t.Parallel()
	m := newSim(t, 1)
	m.cfg.SocketPath = filepath.Join(m.base, "control.sock")
	before, end := context.WithCancel(t.Context())
	open, over := make(chan struct{}), make(chan error, 1)
	var states state.Publisher
	states.Publish(&state.State{})
	go func() {
		over <- status.Serve(before, status.Control{
			Config: status.Config{States: &states, Opened: func() { close(open) }}, Path: m.cfg.SocketPath,
		})
	}()
	<-open
	m.start()
	card := m.card("sda", "SKUA_1", 2)
	m.plug(card, m.drive("sdb"))
	m.untilReleased(card)
	m.untilCondition(state.StatusUnreachable)
	end()
	if err := <-over; err != nil {
		t.Fatal(err)
	}
	m.until("the socket is had", func(st *state.State) bool { return !raised(st, state.StatusUnreachable) })
	client, err := status.Dial(m.cfg.SocketPath)
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	if _, err := client.Status(t.Context()); err != nil {
		t.Errorf("the daemon does not answer on it: %v", err)
	}
}

package status

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"bothy/daemon/state"

	"github.com/google/go-cmp/cmp"
)

// recorder is a daemon that does as it is told and notes what that was.
type recorder struct {
	calls chan string
	err   error
}

func (r *recorder) Enrol(_ context.Context, target, name string) (string, error) {
	r.calls <- "enrol " + target + " as " + name
	return "d-9", r.err
}
func (r *recorder) Reload(context.Context) error { r.calls <- "reload"; return r.err }
func (r *recorder) Stop(context.Context) error   { r.calls <- "stop"; return r.err }

func newRecorder(err error) *recorder { return &recorder{make(chan string, 100), err} }

// socketPath is short enough for a socket, unlike t.TempDir of a long test name.
func socketPath(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "b")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := os.RemoveAll(dir); err != nil {
			t.Error(err)
		}
	})
	return filepath.Join(dir, "run", "s")
}

// serving runs Serve and returns once it answers; stop ends it.
func serving(t *testing.T, c Control) (stop func() error) {
	t.Helper()
	if c.States == nil {
		c.States = publisher(sampleState())
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- Serve(ctx, c) }()
	for {
		client, err := Dial(c.Path)
		if err == nil {
			client.Close()
			return func() error { cancel(); return <-ended }
		}
		select {
		case err := <-ended:
			t.Fatalf("Serve: %v", err)
		case <-time.After(time.Millisecond): // not there yet
		}
	}
}

func dial(t *testing.T, path string) *Client {
	t.Helper()
	c, err := Dial(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(c.Close)
	return c
}

func TestClient_everything(t *testing.T) {
	t.Parallel()
	path, acts := socketPath(t), newRecorder(nil)
	stop := serving(t, Control{Path: path, Actions: acts})
	c := dial(t, path)
	doc, err := c.Status(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	want := NewDocument(sampleState())
	want.Sequence = 1
	if diff := cmp.Diff(want, doc); diff != "" {
		t.Errorf("status (-want +got):\n%s", diff)
	}
	if id, err := c.Enrol(t.Context(), "/dev/sdf1", "kittiwake"); id != "d-9" || err != nil {
		t.Errorf("enrol: %q %v", id, err)
	}
	if err := c.Reload(t.Context()); err != nil {
		t.Error(err)
	}
	if err := c.Stop(t.Context()); err != nil {
		t.Error(err)
	}
	for _, want := range []string{"enrol /dev/sdf1 as kittiwake", "reload", "stop"} {
		if got := <-acts.calls; got != want {
			t.Errorf("the daemon was told %q, want %q", got, want)
		}
	}
	if err := stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
	if _, err := os.Lstat(path); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the socket was left behind: %v", err)
	}
	if _, err := Dial(path); !errors.Is(err, ErrNotRunning) {
		t.Errorf("Dial after the end: %v", err)
	}
}

func TestClient_refusal(t *testing.T) {
	t.Parallel()
	path := socketPath(t)
	stop := serving(t, Control{Path: path, Actions: newRecorder(errors.New("policy.toml:3:1: unknown key \x1b[31m\npolicy.toml:4:1: not a size"))})
	err := dial(t, path).Reload(t.Context())
	var p *Problem
	if !errors.As(err, &p) || p.Status != http.StatusConflict {
		t.Fatalf("reload: %v", err)
	}
	if want := "policy.toml:3:1: unknown key \\u001b[31m\npolicy.toml:4:1: not a size"; p.Error() != want {
		t.Errorf("refusal reads %q, want %q", p.Error(), want)
	}
	if err := stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
}

func TestClient_follow(t *testing.T) {
	t.Parallel()
	path := socketPath(t)
	p := publisher(sampleState())
	stop := serving(t, Control{Config: Config{States: p}, Path: path, Actions: newRecorder(nil)})
	c := dial(t, path)
	shown := make(chan uint64)
	ended := make(chan error, 1)
	go func() {
		ended <- c.Follow(t.Context(), func(d *Document) error {
			select {
			case shown <- d.Sequence:
				return nil
			case <-t.Context().Done():
				return t.Context().Err()
			}
		})
	}()
	if got := <-shown; got != 1 {
		t.Errorf("first status is number %d", got)
	}
	p.Publish(&state.State{Phase: state.Stopping})
	if got := <-shown; got != 2 {
		t.Errorf("second status is number %d", got)
	}
	if err := stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
	if err := <-ended; !errors.Is(err, ErrEnded) {
		t.Errorf("Follow: %v", err)
	}
}

// socket(7) and unix(7): the file's mode and owner decide who may connect.
func TestServe_mode(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name, group string
		root        bool
		dir, socket fs.FileMode
		gid         uint32
	}{
		{"no such group", "no-such-group-here", false, 0o700, 0o600, uint32(os.Getegid())},
		{"group", "daemon", true, 0o750, 0o660, uint32(groupID("daemon"))}, // Debian's base-passwd has it
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			if tc.root {
				needRoot(t)
			}
			path := socketPath(t)
			stop := serving(t, Control{Path: path, Group: tc.group, Actions: newRecorder(nil)})
			for file, want := range map[string]fs.FileMode{path: tc.socket, filepath.Dir(path): tc.dir} {
				info, err := os.Lstat(file)
				if err != nil {
					t.Fatal(err)
				}
				if got := info.Mode().Perm(); got != want {
					t.Errorf("%s has mode %o, want %o", file, got, want)
				}
				if gid := info.Sys().(*syscall.Stat_t).Gid; gid != tc.gid {
					t.Errorf("%s belongs to group %d, want %d", file, gid, tc.gid)
				}
			}
			if err := stop(); err != nil {
				t.Errorf("Serve: %v", err)
			}
		})
	}
}

func TestServe_replacesTheSocketOfADeadDaemon(t *testing.T) {
	t.Parallel()
	path := socketPath(t)
	if err := os.Mkdir(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	dead, err := net.ListenUnix("unix", &net.UnixAddr{Name: path, Net: "unix"})
	if err != nil {
		t.Fatal(err)
	}
	dead.SetUnlinkOnClose(false) // as a killed process leaves it
	if err := dead.Close(); err != nil {
		t.Fatal(err)
	}
	stop := serving(t, Control{Path: path, Actions: newRecorder(nil)})
	if _, err := dial(t, path).Status(t.Context()); err != nil {
		t.Error(err)
	}
	if err := stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
}

func TestServe_doesNotSteal(t *testing.T) {
	t.Parallel()
	path := socketPath(t)
	stop := serving(t, Control{Path: path, Actions: newRecorder(nil)})
	try := func() error {
		return Serve(t.Context(), Control{Config: Config{States: publisher(sampleState())}, Path: path, Actions: newRecorder(nil)})
	}
	if err := try(); !errors.Is(err, ErrInUse) {
		t.Errorf("second daemon: %v", err)
	}
	if err := os.Remove(path + ".lock"); err != nil { // somebody tidied up
		t.Fatal(err)
	}
	if err := try(); !errors.Is(err, ErrInUse) {
		t.Errorf("second daemon without the lock file: %v", err)
	}
	if _, err := dial(t, path).Status(t.Context()); err != nil {
		t.Errorf("the first daemon no longer answers: %v", err)
	}
	if err := stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
}

func TestServe_refusesPaths(t *testing.T) {
	t.Parallel()
	file := socketPath(t)
	if err := os.Mkdir(filepath.Dir(file), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, []byte("keep me"), 0o600); err != nil {
		t.Fatal(err)
	}
	long := filepath.Join(filepath.Dir(socketPath(t)), strings.Repeat("x", 120))
	for path, want := range map[string]string{file: "not a socket", long: "longer than 107 bytes"} {
		err := Serve(t.Context(), Control{Config: Config{States: publisher(sampleState())}, Path: path, Actions: newRecorder(nil)})
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Serve(%.40s): %v", path, err)
		}
	}
	if data, err := os.ReadFile(file); err != nil || string(data) != "keep me" {
		t.Errorf("the file was touched: %q %v", data, err)
	}
}

func TestPeer_mayAct(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name string
		peer peer
		self uint32
		gid  int
		want bool
	}{
		{"root", peer{uid: 0}, 500, -1, true},
		{"the daemon's own user", peer{uid: 500, groups: []uint32{500}}, 500, -1, true},
		{"a stranger", peer{uid: 1000, groups: []uint32{1000, 20}}, 500, 77, false},
		{"primary group", peer{uid: 1000, groups: []uint32{77}}, 500, 77, true},
		{"further group", peer{uid: 1000, groups: []uint32{1000, 5, 77}}, 500, 77, true},
		{"no such group on the box", peer{uid: 1000, groups: []uint32{4294967295}}, 500, -1, false},
		{"root's group is not root", peer{uid: 1000, groups: []uint32{0}}, 500, 77, false},
	} {
		if got := tc.peer.mayAct(tc.self, tc.gid); got != tc.want {
			t.Errorf("%s: %t", tc.name, got)
		}
	}
	rec := ask(checkPeer(Handler(sampleConfig()), 0, -1), http.MethodGet, "/v1/status", "")
	if rec.Code != http.StatusForbidden {
		t.Errorf("a caller nobody vouches for got %d", rec.Code)
	}
}

func needRoot(t *testing.T) {
	t.Helper()
	if os.Geteuid() == 0 {
		return
	}
	if os.Getenv("CI") == "true" {
		t.Fatal("this test needs root")
	}
	t.Skip("not root: other users' access is not tried")
}

const askAs = "BOTHY_TEST_ASK_SOCKET"

// TestPeer_asChild is the other user's side of TestServe_otherUsers.
func TestPeer_asChild(t *testing.T) {
	path := os.Getenv(askAs)
	if path == "" {
		t.Skip("only a child of TestServe_otherUsers does something here")
	}
	conn, err := net.Dial("unix", path)
	if err != nil {
		fmt.Println("ANSWER cannot connect")
		return
	}
	defer conn.Close()
	fmt.Fprint(conn, "GET /v1/status HTTP/1.1\r\nHost: box\r\nConnection: close\r\n\r\n")
	buf := make([]byte, len("HTTP/1.1 200"))
	if _, err := conn.Read(buf); err != nil {
		t.Fatal(err)
	}
	fmt.Println("ANSWER", string(buf[len("HTTP/1.1 "):]))
}

// Real processes of other users; what the kernel says of them is the oracle.
func TestServe_otherUsers(t *testing.T) {
	t.Parallel()
	needRoot(t)
	path := socketPath(t)
	stop := serving(t, Control{Path: path, Group: "daemon", Actions: newRecorder(nil)})
	// The test binary may lie where other users cannot reach it.
	top := filepath.Dir(filepath.Dir(path))
	self, err := os.ReadFile(os.Args[0])
	if err != nil {
		t.Fatal(err)
	}
	program := filepath.Join(top, "ask")
	if err := os.WriteFile(program, self, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(top, 0o755); err != nil {
		t.Fatal(err)
	}
	ask := func(gid uint32, more ...uint32) string {
		cmd := exec.CommandContext(t.Context(), program, "-test.run=TestPeer_asChild", "-test.v")
		cmd.Dir = "/"
		cmd.Env = []string{askAs + "=" + path}
		cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: gid, Groups: more}}
		out, err := cmd.CombinedOutput()
		_, answer, found := strings.Cut(string(out), "ANSWER ")
		if err != nil || !found {
			t.Fatalf("child: %v\n%s", err, out)
		}
		answer, _, _ = strings.Cut(answer, "\n")
		return answer
	}
	group := uint32(groupID("daemon"))
	if got := ask(65534, 65534, group); got != "200" {
		t.Errorf("a member of the group, not primary: %s", got)
	}
	if got := ask(65534); got != "cannot connect" {
		t.Errorf("a stranger: %s", got)
	}
	// Should somebody open the modes, the kernel's word still counts.
	for file, mode := range map[string]fs.FileMode{path: 0o666, filepath.Dir(path): 0o755} {
		if err := os.Chmod(file, mode); err != nil {
			t.Fatal(err)
		}
	}
	if got := ask(65534); got != "403" {
		t.Errorf("a stranger at an open socket: %s", got)
	}
	if err := stop(); err != nil {
		t.Errorf("Serve: %v", err)
	}
}

func TestControl_requests(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		method, path, body string
		status             int
		call, holds        string
	}{
		{"POST", "/v1/enrol", `{"device":"/dev/sdf1","name":"kittiwake"}`, 200, "enrol /dev/sdf1 as kittiwake", `"drive_id": "d-9"`},
		{"POST", "/v1/enrol", ` {"device":"sdf1"} `, 200, "enrol sdf1 as ", "d-9"},
		{"POST", "/v1/reload", ``, 204, "reload", ""},
		{"POST", "/v1/reload", `{}`, 204, "reload", ""},
		{"POST", "/v1/stop", "\n", 204, "stop", ""},
		{"GET", "/v1/stop", ``, 405, "", "POST only"},
		{"PUT", "/v1/reload", ``, 405, "", "POST only"},
		{"POST", "/v1/stop", `{"now":"yes"}`, 400, "", "not known here"},
		{"POST", "/v1/stop", `true`, 400, "", "not a JSON object"},
		{"POST", "/v1/enrol", ``, 400, "", "not a JSON object"},
		{"POST", "/v1/enrol", `[]`, 400, "", "not a JSON object"},
		{"POST", "/v1/enrol", `{"name":"a"}`, 400, "", "is missing"},
		{"POST", "/v1/enrol", `{"device":""}`, 400, "", "is missing"},
		{"POST", "/v1/enrol", `{"Device":"/dev/sdf1"}`, 400, "", "not known here"},
		{"POST", "/v1/enrol", `{"device":"a","device":"b"}`, 400, "", "given twice"},
		{"POST", "/v1/enrol", `{"device":1}`, 400, "", "a string is wanted"},
		{"POST", "/v1/enrol", `{"device":null}`, 400, "", "a string is wanted"},
		{"POST", "/v1/enrol", `{"device":{"a":"b"}}`, 400, "", "a string is wanted"},
		{"POST", "/v1/enrol", `{"device":"a"} {}`, 400, "", "something follows"},
		{"POST", "/v1/enrol", `{"device":"a"`, 400, "", "does not end"},
		{"POST", "/v1/enrol", `{"device":"a" "b"}`, 400, "", "not sound JSON"},
		{"POST", "/v1/enrol", "{\"device\":\"a\xff\"}", 400, "", "not UTF-8"},
		{"POST", "/v1/enrol", `{"device":"a\u0000b"}`, 400, "", "control character"},
		{"POST", "/v1/enrol", `{"device":"a","name":"\u202eb"}`, 400, "", "does not print"},
		{"POST", "/v1/enrol", `{"device":"a","name":"` + strings.Repeat("n", 65) + `"}`, 400, "", "longer than 64"},
		{"POST", "/v1/enrol", `{"device":"` + strings.Repeat("d", 4097) + `"}`, 400, "", "longer than 4096"},
		{"POST", "/v1/enrol", strings.Repeat(" ", maxControlBody+1), 413, "", "at most"},
		{"POST", "/v1/enrol", strings.Repeat("[", maxControlBody), 400, "", "not a JSON object"},
	} {
		acts := newRecorder(nil)
		rec := ask(newHandler(sampleConfig(), &control{actions: acts}), tc.method, tc.path, tc.body)
		call := ""
		select {
		case call = <-acts.calls:
		default:
		}
		if rec.Code != tc.status || call != tc.call || !strings.Contains(rec.Body.String(), tc.holds) {
			t.Errorf("%s %s %.60q: %d, the daemon was told %q, body %.200q", tc.method, tc.path, tc.body, rec.Code, call, rec.Body)
		}
		if rec.Code >= 400 {
			checkProblem(t, rec)
		}
	}
}

// What the strict reader takes, encoding/json reads the same way.
func FuzzControl(f *testing.F) {
	for _, s := range []string{`{"device":"/dev/sdf1","name":"kittiwake"}`, `{"device":"a","device":"b"}`, `{"Device":"a"}`, `{}`, ``, `{"device":"\ud800"}`,
		`{"device":"a"}x`, "{\"device\":\"\x00\"}", `{"device":"a","name":"\u202e"}`, `[[[[`, `{"device":`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, body []byte) {
		target, name, err := readEnrol(body)
		if err != nil {
			mustPrint(t, "refusal", clean(err.Error()))
			return
		}
		var plain struct{ Device, Name string }
		if err := json.Unmarshal(body, &plain); err != nil || plain.Device != target || plain.Name != name {
			t.Errorf("%q: read %q %q, encoding/json reads %q %q, %v", body, target, name, plain.Device, plain.Name, err)
		}
		mustPrint(t, "name", name)
		if target == "" || len(target) > maxTarget || strings.ContainsAny(target, "\x00\n\x1b") {
			t.Errorf("target %q came through", target)
		}
	})
}

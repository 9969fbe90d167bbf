package status

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
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
func (r *recorder) Recover(_ context.Context, drive string) (*Recovered, error) {
	r.calls <- "recover " + drive
	return &Recovered{Drive: drive, Offloads: 3}, r.err
}
func (r *recorder) Retire(_ context.Context, drive string, confirm bool) (*Retirement, error) {
	r.calls <- fmt.Sprintf("retire %s %v", drive, confirm)
	return &Retirement{Drive: drive, Retired: confirm}, r.err
}
func (r *recorder) HandOver(_ context.Context, drive string, selection []string) (*HandedOver, error) {
	r.calls <- fmt.Sprintf("hand over to %s %q", drive, selection)
	return &HandedOver{Drive: drive + "\u202e", Selected: "all\x1b", Files: 3, Undelivered: []string{"a\x1b[31mb"}}, r.err
}
func (r *recorder) Stop(context.Context) error { r.calls <- "stop"; return r.err }

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
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second) // ends a Serve that should not have begun
		defer cancel()
		return Serve(ctx, Control{Config: Config{States: publisher(sampleState())}, Path: path, Actions: newRecorder(nil)})
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

// Two daemons that start together: the second one finds no socket yet, but the
// first one's lock.
func TestServe_lockedByOneThatIsStarting(t *testing.T) {
	t.Parallel()
	path := socketPath(t)
	if err := os.Mkdir(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	lock, err := lockSocket(path + ".lock")
	if err != nil {
		t.Fatal(err)
	}
	// Should it serve after all, it ends with this context and fails below.
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
	defer cancel()
	err = Serve(ctx, Control{Config: Config{States: publisher(sampleState())}, Path: path, Actions: newRecorder(nil)})
	if !errors.Is(err, ErrInUse) {
		t.Errorf("second daemon: %v", err)
	}
	if err := lock.Close(); err != nil {
		t.Fatal(err)
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
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second) // ends a Serve that should not have begun
		err := Serve(ctx, Control{Config: Config{States: publisher(sampleState())}, Path: path, Actions: newRecorder(nil)})
		cancel()
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("Serve(%.40s): %v", path, err)
		}
	}
	if data, err := os.ReadFile(file); err != nil || string(data) != "keep me" {
		t.Errorf("the file was touched: %q %v", data, err)
	}
}

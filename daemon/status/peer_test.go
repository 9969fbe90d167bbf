package status

import (
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
)

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
	t.Skip("left out: other users' access, which only root can try")
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
	// A child forked meanwhile for another test would hold it open for writing, and the
	// kernel starts no program that is.
	syscall.ForkLock.RLock()
	err = os.WriteFile(program, self, 0o755)
	syscall.ForkLock.RUnlock()
	if err != nil {
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

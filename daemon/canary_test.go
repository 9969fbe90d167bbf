package daemon

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unsafe"

	"golang.org/x/sys/unix"
)

// canary is a folder outside every medium that a hostile medium points at. The
// kernel tells of each open, read, write, create and delete in it.
type canary struct {
	t      testing.TB
	dir    string
	secret string // a file
	watch  int
}

const canaryText = "root:$y$invented:20000:0:99999:7:::\n"

func newCanary(t testing.TB, base string) *canary {
	t.Helper()
	c := &canary{t: t, dir: filepath.Join(base, "outside")}
	c.secret = filepath.Join(c.dir, "shadow")
	for _, dir := range []string{c.dir, filepath.Join(c.dir, "DCIM"), filepath.Join(c.dir, "ascmhl")} {
		if err := os.Mkdir(dir, 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(c.secret, []byte(canaryText), 0o600); err != nil {
		t.Fatal(err)
	}
	var err error
	if c.watch, err = unix.InotifyInit1(unix.IN_NONBLOCK | unix.IN_CLOEXEC); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { unix.Close(c.watch) })
	for _, name := range []string{c.dir, c.dir + "/DCIM", c.dir + "/ascmhl"} {
		if _, err := unix.InotifyAddWatch(c.watch, name, unix.IN_ALL_EVENTS); err != nil {
			t.Fatal(err)
		}
	}
	// That it would sing shows at once.
	if _, err := os.ReadFile(c.secret); err != nil || len(c.events()) == 0 {
		t.Fatalf("the canary is mute: %v", err)
	}
	return c
}

// events are what happened in the folder since the last call.
func (c *canary) events() (list []string) {
	buf := make([]byte, 64<<10)
	for {
		n, err := unix.Read(c.watch, buf)
		if err != nil || n <= 0 {
			return list
		}
		for at := 0; at+unix.SizeofInotifyEvent <= n; {
			e := (*unix.InotifyEvent)(unsafe.Pointer(&buf[at]))
			name := strings.TrimRight(string(buf[at+unix.SizeofInotifyEvent:][:e.Len]), "\x00")
			list = append(list, fmt.Sprintf("%#x %q", e.Mask, name))
			at += unix.SizeofInotifyEvent + int(e.Len)
		}
	}
}

// mustBeSilent fails when anybody touched what lies outside.
func (c *canary) mustBeSilent() {
	c.t.Helper()
	if list := c.events(); len(list) > 0 {
		c.t.Errorf("what lies outside the media was touched: %v", list)
	}
	if data, err := os.ReadFile(c.secret); err != nil || string(data) != canaryText {
		c.t.Errorf("the file outside is now %q, %v", data, err)
	}
	var names []string
	filepath.WalkDir(c.dir, func(name string, _ os.DirEntry, _ error) error {
		names = append(names, strings.TrimPrefix(name, c.dir))
		return nil
	})
	if want := []string{"", "/DCIM", "/ascmhl", "/shadow"}; fmt.Sprint(names) != fmt.Sprint(want) {
		c.t.Errorf("outside stand %q, want %q", names, want)
	}
	c.events() // these looks were ours
}

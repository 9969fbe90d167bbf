//go:build linux && amd64

package tracer

import (
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

// what the traced program tells of what it has done.
type told struct {
	N     int
	Err   string
	Sync  string
	Other bool // another thread went on meanwhile
}

const fileIn = "TRACER_TEST_FILE"

// TestMain lets this program be the one that is traced: it writes ten bytes.
func TestMain(m *testing.M) {
	file := os.Getenv(fileIn)
	if file == "" {
		os.Exit(m.Run())
	}
	if err := Filter(); err != nil {
		panic(err)
	}
	// The runtime must not write again what was cut short, so it is not asked.
	fd, err := unix.Open(file, unix.O_WRONLY|unix.O_CREAT, 0o600)
	if err != nil {
		panic(err)
	}
	other := make(chan bool)
	go func() {
		_, err := os.Stat(file + ".none")
		other <- errors.Is(err, os.ErrNotExist)
	}()
	var t told
	n, err := unix.Write(fd, []byte("0123456789"))
	t.N = n
	if err != nil {
		t.Err = err.Error()
	}
	if err := unix.Fsync(fd); err != nil {
		t.Sync = err.Error()
	}
	t.Other = <-other
	text, err := json.Marshal(t)
	if err == nil {
		err = os.WriteFile(file+".told", text, 0o600)
	}
	if err != nil {
		panic(err)
	}
	os.Exit(0)
}

// one does something to the call of a name on the file.
type one struct {
	tracer *Tracer
	file   string
	call   string
	do     Do
	shown  []Call
	data   string
}

func (o *one) Before(c *Call) Do {
	if c.Path == o.file+".none" {
		o.tracer.Release() // so what is held had others going on beside it
	}
	if c.Path == o.file && c.Name == o.call {
		o.data = string(c.Data())
		return o.do
	}
	return Do{}
}

func (o *one) After(c *Call) { o.shown = append(o.shown, *c) }

func TestRun(t *testing.T) {
	t.Parallel()
	tests := map[string]struct {
		call string
		do   Do
		want told
		size int
		dies bool
		show int64 // result that After sees; -1 when it is not called
	}{
		"let":        {"write", Do{}, told{N: 10, Other: true}, 10, false, -1},
		"show":       {"write", Do{What: Show}, told{N: 10, Other: true}, 10, false, 10},
		"fail":       {"write", Do{What: Fail, Errno: unix.ENOSPC}, told{N: -1, Err: unix.ENOSPC.Error(), Other: true}, 0, false, -1},
		"fail after": {"write", Do{What: FailAfter, Errno: unix.EIO}, told{N: -1, Err: unix.EIO.Error(), Other: true}, 10, false, 10},
		"shorten":    {"write", Do{What: Shorten, Count: 4}, told{N: 4, Other: true}, 4, false, 4},
		"hold":       {"write", Do{What: Hold}, told{N: 10, Other: true}, 10, false, 10},
		"kill":       {"write", Do{What: Kill}, told{}, 0, true, -1},
		"kill after": {"write", Do{What: KillAfter}, told{}, 10, true, 10},
		"flush":      {"fsync", Do{What: Fail, Errno: unix.EIO}, told{N: 10, Sync: unix.EIO.Error(), Other: true}, 10, false, -1},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			h := &one{file: filepath.Join(t.TempDir(), "file"), call: tt.call, do: tt.do}
			h.tracer = New(h)
			end := runSelf(t, h)
			if end.Killed != tt.dies || end.TimedOut || !tt.dies && end.Status != 0 {
				t.Fatalf("the program ended as %+v", end)
			}
			data, err := os.ReadFile(h.file)
			if err != nil || len(data) != tt.size {
				t.Errorf("the file holds %q, %v; want %d bytes", data, err, tt.size)
			}
			var got told
			if text, err := os.ReadFile(h.file + ".told"); err == nil {
				err = json.Unmarshal(text, &got)
				if err != nil {
					t.Error(err)
				}
			}
			if got != tt.want {
				t.Errorf("it told %+v, want %+v", got, tt.want)
			}
			if (len(h.shown) > 0) != (tt.show >= 0) || len(h.shown) > 0 && h.shown[0].Result != tt.show {
				t.Errorf("shown: %+v, want %d", h.shown, tt.show)
			}
			if tt.call == "write" && h.data != "0123456789" {
				t.Errorf("the data that is about to be written: %q", h.data)
			}
		})
	}
}

// A program that does not end is ended.
func TestRun_limit(t *testing.T) {
	t.Parallel()
	h := &one{file: filepath.Join(t.TempDir(), "file"), call: "write", do: Do{What: Hold}}
	h.tracer = New(deaf{h})
	p := program(t, h)
	p.Limit = 200 * time.Millisecond
	end, err := h.tracer.Run(p)
	if err != nil {
		t.Skipf("left out: no program can be traced here: %v", err)
	}
	if !end.TimedOut || end.Killed || end.Status != 128+int(unix.SIGKILL) {
		t.Errorf("it ended as %+v", end)
	}
}

// deaf never lets go of what it holds.
type deaf struct{ *one }

func (d deaf) Before(c *Call) Do {
	if c.Path == d.file+".none" {
		return Do{}
	}
	return d.one.Before(c)
}

func runSelf(t *testing.T, h *one) End {
	t.Helper()
	end, err := h.tracer.Run(program(t, h))
	if err != nil {
		t.Skipf("left out: no program can be traced here: %v", err)
	}
	return end
}

func program(t *testing.T, h *one) Program {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	return Program{Path: self, Args: []string{"traced"}, Env: []string{fileIn + "=" + h.file, "GODEBUG=asyncpreemptoff=1"}, Files: []uintptr{2, 2, 2}, Limit: time.Minute}
}

func TestShapes(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for nr, s := range shapes {
		if seen[s.name] || strings.TrimSpace(s.name) == "" {
			t.Errorf("call %d is called %q, as another is", nr, s.name)
		}
		seen[s.name] = true
	}
}

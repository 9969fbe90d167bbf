package testbed

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"strings"
	"time"

	"bothy/testdata/testbed/wire"
)

// Result is what a command in the guest left behind.
type Result struct {
	Stdout, Stderr string
	Exit           int  // 128 + the signal for a killed command
	TimedOut       bool // it was killed because its time was up
}

// Run runs a shell command line in the guest and returns whatever happens to
// it; only a dead guest fails the test.
func (g *Guest) Run(script string) Result {
	g.t.Helper()
	return g.RunFor(commandLimit, "sh", "-c", script)
}

// MustRun is Run for a command line that has to succeed; it returns stdout.
func (g *Guest) MustRun(script string) string {
	g.t.Helper()
	res := g.Run(script)
	if res.Exit != 0 || res.TimedOut {
		g.t.Fatalf("guest: %s\nexit %d, timed out: %v\n%s%s", script, res.Exit, res.TimedOut, res.Stdout, res.Stderr)
	}
	return res.Stdout
}

// RunFor runs a program, not a shell line, for at most limit.
func (g *Guest) RunFor(limit time.Duration, argv ...string) Result {
	g.t.Helper()
	// The guest's own limit comes first; this one is for a guest that hangs.
	ctx, cancel := context.WithTimeout(context.Background(), limit+30*time.Second)
	defer cancel()
	res, err := g.run(ctx, limit, nil, argv...)
	if err != nil {
		g.t.Fatalf("guest: %s: %v\n%s", strings.Join(argv, " "), err, tail(g.Console(), 40))
	}
	return res
}

func (g *Guest) run(ctx context.Context, limit time.Duration, stdin []byte, argv ...string) (Result, error) {
	a, err := g.call(ctx, wire.Request{Op: wire.OpRun, Argv: argv, TimeoutMillis: limit.Milliseconds()}, stdin)
	if err != nil {
		return Result{}, err
	}
	if a.Cut {
		return Result{}, fmt.Errorf("output is longer than %d bytes", wire.MaxOutput)
	}
	n := min(a.StdoutBytes, len(a.payload))
	return Result{
		Stdout: string(a.payload[:n]), Stderr: string(a.payload[n:]),
		Exit: a.Exit, TimedOut: a.TimedOut,
	}, nil
}

func (g *Guest) call(ctx context.Context, req wire.Request, payload []byte) (answer, error) {
	if g.machine == nil {
		return answer{}, errors.New("the power is off")
	}
	return g.machine.channel.call(ctx, req, payload)
}

// BootID is the kernel's name for this boot: another one after each power cut.
// Guests that go on from one saved state share the first.
func (g *Guest) BootID() string {
	g.t.Helper()
	return strings.TrimSpace(string(g.ReadFile("/proc/sys/kernel/random/boot_id")))
}

// CopyIn copies a file of the host into the guest, with its permissions;
// missing folders are made.
func (g *Guest) CopyIn(hostPath, guestPath string) {
	g.t.Helper()
	data, err := os.ReadFile(hostPath)
	if err != nil {
		g.t.Fatal(err)
	}
	info, err := os.Stat(hostPath)
	if err != nil {
		g.t.Fatal(err)
	}
	g.WriteFile(guestPath, data, info.Mode())
}

// WriteFile makes or replaces a file in the guest. It is not flushed.
func (g *Guest) WriteFile(guestPath string, data []byte, mode os.FileMode) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*commandLimit)
	defer cancel()
	for offset := 0; offset == 0 || offset < len(data); offset += wire.ChunkBytes {
		part := data[offset:min(offset+wire.ChunkBytes, len(data))]
		req := wire.Request{
			Op: wire.OpWrite, Path: guestPath, Offset: int64(offset),
			Truncate: offset == 0, Mode: uint32(mode.Perm()),
		}
		if _, err := g.call(ctx, req, part); err != nil {
			g.t.Fatal(err)
		}
	}
}

// CopyOut copies a file of the guest to the host, with its permissions.
func (g *Guest) CopyOut(guestPath, hostPath string) {
	g.t.Helper()
	data, mode := g.readFile(guestPath)
	if err := os.WriteFile(hostPath, data, mode); err != nil {
		g.t.Fatal(err)
	}
}

// ReadFile returns the bytes of a file in the guest.
func (g *Guest) ReadFile(guestPath string) []byte {
	g.t.Helper()
	data, _ := g.readFile(guestPath)
	return data
}

func (g *Guest) readFile(guestPath string) ([]byte, os.FileMode) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 2*commandLimit)
	defer cancel()
	var data bytes.Buffer
	for {
		req := wire.Request{Op: wire.OpRead, Path: guestPath, Offset: int64(data.Len()), Length: wire.ChunkBytes}
		a, err := g.call(ctx, req, nil)
		if err != nil {
			g.t.Fatal(err)
		}
		data.Write(a.payload)
		if a.EOF || len(a.payload) == 0 {
			return data.Bytes(), os.FileMode(a.Mode)
		}
	}
}

// Reply is the answer of an HTTP server in the guest.
type Reply struct {
	Status int
	Header http.Header
	Body   []byte
}

// HTTPGet asks the daemon's status server for a path such as "/v1/status". The
// request is made inside the guest, on its loopback. ok is false while nothing
// answers there, with the reason.
func (g *Guest) HTTPGet(path string) (reply Reply, ok bool, reason string) {
	g.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), commandLimit)
	defer cancel()
	url := path
	if strings.HasPrefix(path, "/") {
		url = "http://" + g.opts.StatusAddress + path
	}
	a, err := g.call(ctx, wire.Request{Op: wire.OpHTTP, Method: http.MethodGet, URL: url, TimeoutMillis: 20_000}, nil)
	if err != nil {
		return Reply{}, false, err.Error()
	}
	return Reply{Status: a.Status, Header: a.Header, Body: a.payload}, true, ""
}

// Journal returns the messages of this boot, of one unit unless it is "".
func (g *Guest) Journal(unit string) string {
	g.t.Helper()
	argv := []string{"journalctl", "-b", "--no-pager", "-o", "short-monotonic"}
	if unit != "" {
		argv = append(argv, "-u", unit)
	}
	return g.RunFor(commandLimit, argv...).Stdout
}

// Failed lists the units that have failed.
func (g *Guest) Failed() []string {
	g.t.Helper()
	return strings.Fields(g.MustRun("systemctl list-units --failed --plain --no-legend | cut -d' ' -f1"))
}

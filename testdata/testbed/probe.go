package testbed

import (
	"context"
	"net/http"
	"strings"
	"time"

	"bothy/testdata/testbed/wire"
)

// Probe looks into a running guest beside the test's own goroutine. It fails no
// test: when the power goes, each look is an error. A guest that boots again
// needs a new one.
type Probe struct {
	channel *channel
	address string
}

// Probe returns a probe of the guest as it runs now.
func (g *Guest) Probe() Probe {
	g.t.Helper()
	if g.machine == nil {
		g.t.Fatal("probe guest: the power is off")
	}
	return Probe{g.machine.channel, g.opts.StatusAddress}
}

// Gone is closed when the guest answers no more.
func (p Probe) Gone() <-chan struct{} { return p.channel.done }

// Get asks the daemon's status server for a path such as "/v1/status".
func (p Probe) Get(ctx context.Context, path string) (Reply, error) {
	ctx, cancel := context.WithTimeout(ctx, commandLimit)
	defer cancel()
	a, err := p.channel.call(ctx, wire.Request{
		Op: wire.OpHTTP, Method: http.MethodGet, URL: "http://" + p.address + path, TimeoutMillis: 20_000,
	}, nil)
	return Reply{Status: a.Status, Header: a.Header, Body: a.payload}, err
}

// Read returns the first bytes of a small file, such as one of sysfs.
func (p Probe) Read(ctx context.Context, path string) (string, error) {
	ctx, cancel := context.WithTimeout(ctx, time.Minute)
	defer cancel()
	a, err := p.channel.call(ctx, wire.Request{Op: wire.OpRead, Path: path, Length: 4096}, nil)
	return strings.TrimSpace(string(a.payload)), err
}

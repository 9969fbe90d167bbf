package testbed

import (
	"context"
	"net/http"

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
	reply, _, err := p.Look(ctx, path, "")
	return reply, err
}

// Look asks the status server for what has another ETag than known, unless that is
// "", and then reads the first bytes of small files, such as those of sysfs: "" for
// one that cannot be read. All of it is one question to the guest, which is slow.
func (p Probe) Look(ctx context.Context, path, known string, files ...string) (Reply, []string, error) {
	ctx, cancel := context.WithTimeout(ctx, commandLimit)
	defer cancel()
	a, err := p.channel.call(ctx, wire.Request{
		Op: wire.OpHTTP, Method: http.MethodGet, URL: "http://" + p.address + path, TimeoutMillis: 20_000,
		IfNoneMatch: known, Files: files,
	}, nil)
	return Reply{Status: a.Status, Header: a.Header, Body: a.payload}, a.Texts, err
}

// Package status shows the published State to people and programs: JSON, a page
// for a phone, health for a watchdog, plain text for a terminal, and the control
// socket by which the bothy command acts on the daemon.
//
// It guarantees that all of them say the same, being functions of one State; that
// "release" is shown only for a card that is decided and released; that whatever
// a medium calls itself is bounded and cannot act as markup, script, escape
// sequence or text direction; and that no client, however slow, holds up the
// publisher or grows memory without bound.
//
// The HTTP server only reads. Whatever acts goes over the control socket, whose
// callers are checked by the kernel's word on who they are. The package decides
// nothing, keeps no state of its own, and loads nothing from other hosts.
package status

import (
	"context"
	"log/slog"
	"net"
	"net/http"

	"bothy/daemon/report"
	"bothy/daemon/state"
)

// States hands out the newest State and a channel that closes when it is no
// longer the newest. *state.Publisher is one.
type States interface {
	Current() (*state.State, <-chan struct{})
}

// Lookup finds an offload that the State no longer carries. found is false when
// there is none of that id.
type Lookup func(ctx context.Context, id string) (o state.Offload, found bool, err error)

// Report makes the report of a day, which is YYYY-MM-DD, "today" or "yesterday" (else
// the error is report.ErrNoDay); nil when nothing was copied on it.
type Report func(ctx context.Context, day string) (*report.Day, error)

// Config is what the windows need. Zero limits mean the defaults.
type Config struct {
	Address   string       // host:port to listen on; not used when Listener is set
	Listener  net.Listener // optional; Run closes it
	WebConfig string       // optional: a web configuration file, with TLS and passwords; see Run
	Opened    func()       // optional: told when requests are taken
	States    States       // required
	Lookup    Lookup       // optional: without it only published offloads are found
	Archive   Archive      // optional: without it what is in the ledger alone is not found
	Report    Report       // optional: without it /reports/ is not found
	Metrics   http.Handler // optional: without it /metrics is not found
	Log       *slog.Logger // optional: faults of clients and of Lookup

	MaxListeners   int // followers of /v1/events at a time; default 16
	MaxRequests    int // other requests at a time; default 32
	MaxConnections int // open connections, idle ones included; default 128
}

func (c Config) withDefaults() Config {
	if c.MaxListeners <= 0 {
		c.MaxListeners = 16
	}
	if c.MaxRequests <= 0 {
		c.MaxRequests = 32
	}
	if c.MaxConnections <= 0 {
		c.MaxConnections = 128
	}
	if c.Opened == nil {
		c.Opened = func() {}
	}
	if c.Log == nil {
		c.Log = slog.New(slog.DiscardHandler)
	}
	return c
}

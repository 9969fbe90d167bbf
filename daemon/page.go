package daemon

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"time"

	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/policy"
)

// pageAgain is how long after the page could not be served that is tried again: an
// address often comes up later than the box, and nobody is there to start it anew.
const pageAgain = 30 * time.Second

// page is the status page, served in one place at a time.
type page struct {
	windows  status.Config          // what it shows, wherever
	settings *policy.StatusSettings // as last known; nil: the policy has been broken since the start
	life     context.Context
	again    time.Duration
	place    pagePlace   // where it is to be
	served   *servedPage // nil: it is not
}

// servedPage is the page in one place, until it ends.
type servedPage struct {
	end   context.CancelFunc
	ended chan struct{}
}

// pagePlace is where the page is served, and what protects it.
type pagePlace struct {
	listen    string // HOST:PORT; "" for nowhere
	webConfig string
	not       string // why it must not be served there; empty: it may
}

func (p pagePlace) String() string { return "the status page at " + p.listen }

// pagePlace is where the page is to be. A policy that cannot be read leaves the
// default, so that the page can say so, on this machine alone: whether others were to
// give a password is not known then.
func (s *supervisor) pagePlace() pagePlace {
	place := pagePlace{listen: policy.DefaultListen}
	if known := s.page.settings; known != nil {
		place.listen, place.webConfig = known.Listen, known.WebConfig
	}
	switch {
	case s.cfg.Listen == "off":
		place.listen = ""
	case s.cfg.Listen != "":
		place.listen = s.cfg.Listen
	}
	if place.listen != "" && s.cfg.PageListener != nil {
		place.listen = "the service manager's socket"
	}
	if s.page.settings == nil && place.listen != "" && !thisMachineOnly(place.listen) {
		place.not = "whether it asks for a password is not known while the policy is broken"
	}
	return place
}

// thisMachineOnly reports whether nobody else can reach HOST:PORT.
func thisMachineOnly(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	addr, err := netip.ParseAddr(host)
	return host == "localhost" || err == nil && addr.IsLoopback()
}

// servePage has the page served where it is to be by the policy in force. Where it was
// before it ends first: the same port may be asked for again, with a password.
func (s *supervisor) servePage() {
	place, before := s.pagePlace(), s.page.served
	if before != nil {
		if place == s.page.place && place.webConfig == "" {
			return // a web file may have got a certificate since, which is looked at once
		}
		before.end()
		s.page.served = nil
	}
	s.clear(state.StatusUnreachable, s.page.place.String())
	s.page.place = place
	switch {
	case place.listen == "":
		return
	case place.not != "":
		s.raise(state.StatusUnreachable, place.String(), place.not)
		return
	}
	ctx, end := context.WithCancel(s.page.life)
	now := &servedPage{end: end, ended: make(chan struct{})}
	s.page.served = now
	s.work.Go(func() {
		defer close(now.ended)
		if before != nil {
			<-before.ended
		}
		s.keepServing(ctx, now, place)
	})
}

// keepServing serves the page in one place until ctx ends.
func (s *supervisor) keepServing(ctx context.Context, p *servedPage, place pagePlace) {
	defer p.end()
	tell := func(change func()) {
		s.post(func() {
			if s.page.served == p { // and not elsewhere by now
				change()
			}
		})
	}
	c := s.page.windows
	c.Address, c.WebConfig = place.listen, place.webConfig
	c.Opened = func() { tell(func() { s.clear(state.StatusUnreachable, place.String()) }) }
	s.keepUp(ctx, func() error { return s.serveOnce(ctx, c) }, func(why string) {
		tell(func() { s.raise(state.StatusUnreachable, place.String(), why) })
	})
}

// keepUp serves again and again until ctx ends, and says of each end before that why. What
// cannot be had now may be later.
func (s *supervisor) keepUp(ctx context.Context, serve func() error, failed func(why string)) {
	for {
		err := serve()
		if ctx.Err() != nil {
			return
		}
		if err == nil {
			err = errors.New("it ended by itself")
		}
		failed(err.Error())
		select {
		case <-ctx.Done():
			return
		case <-time.After(s.page.again):
		}
	}
}

func (s *supervisor) serveOnce(ctx context.Context, c status.Config) (err error) {
	if s.cfg.PageListener != nil {
		if c.Listener, err = s.cfg.PageListener(); err != nil {
			return err
		}
	}
	return status.Run(ctx, c)
}

package main

import (
	"context"
	"time"

	shows "bothy/daemon/status"
)

// status is what the box shows, with a few questions to it.
type status struct{ shows.Document }

// follow asks the daemon for its status each time that it has published one,
// over its own control socket.
func (b *box) follow(ctx context.Context) {
	var client *shows.Client
	pause := time.NewTimer(b.cfg.Gap)
	defer pause.Stop()
	for {
		select {
		case <-b.news:
		case <-ctx.Done():
			return
		}
		if client == nil { // the socket may not be open yet
			if c, err := shows.Dial(b.cfg.Socket); err == nil {
				client = c
				defer client.Close()
			}
		}
		if client != nil {
			if doc, err := client.Status(ctx); err == nil {
				b.tell(boxEvent{What: eventStatus, Doc: doc})
			} // else the socket is not open any more
		}
		pause.Reset(b.cfg.Gap)
		select {
		case <-pause.C:
		case <-ctx.Done():
			return
		}
	}
}

// card finds a card by its label.
func (s *status) card(label string) (shows.Card, bool) {
	for _, c := range s.Cards {
		if c.Label == label {
			return c, true
		}
	}
	return shows.Card{}, false
}

// ready reports whether that many drives wait for work.
func (s *status) ready(drives int) bool {
	n := 0
	for _, d := range s.Drives {
		if d.Attached && d.ID != "" && !d.InUse && !d.Refused {
			n++
		}
	}
	return n >= drives
}

// idle reports whether no offload is at work.
func (s *status) idle() bool {
	for _, o := range s.Offloads {
		if o.Running {
			return false
		}
	}
	return true
}

package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"time"
)

// status is what the box shows, as far as it is asked here. The names are those
// of its published JSON.
type status struct {
	Cards    []cardStatus    `json:"cards"`
	Drives   []driveStatus   `json:"drives"`
	Offloads []offloadStatus `json:"offloads"`
}

type cardStatus struct {
	Label    string `json:"label"`
	Phase    string `json:"phase"`
	Verdict  string `json:"verdict"`
	HoldKind string `json:"hold_kind"`
	Reason   string `json:"reason"`
}

type driveStatus struct {
	ID       string `json:"id"`
	Name     string `json:"name"`
	Attached bool   `json:"attached"`
	InUse    bool   `json:"in_use"`
	Refused  bool   `json:"refused"`
	Reason   string `json:"reason"`
}

type offloadStatus struct {
	CardLabel string  `json:"card_label"`
	Running   bool    `json:"running"`
	Done      float64 `json:"done"`         // 0 to 1
	TimeLeft  int64   `json:"left_seconds"` // 0: not known

	Copies []copyStatus `json:"copies"`
}

type copyStatus struct {
	DriveName string `json:"drive_name"`
	Folder    string `json:"folder"`
	Phase     string `json:"phase"`
	Reason    string `json:"reason"`
}

// follow asks the daemon for its status each time that it has published one,
// over its own control socket.
func (b *box) follow(ctx context.Context) {
	dial := func(ctx context.Context, _, _ string) (net.Conn, error) {
		var d net.Dialer
		return d.DialContext(ctx, "unix", b.cfg.Socket)
	}
	client := &http.Client{Transport: &http.Transport{DialContext: dial, DisableCompression: true}}
	defer client.CloseIdleConnections()
	pause := time.NewTimer(b.cfg.Gap)
	defer pause.Stop()
	for {
		select {
		case <-b.news:
		case <-ctx.Done():
			return
		}
		if doc, err := fetch(ctx, client); err == nil {
			b.tell(boxEvent{What: eventStatus, Doc: doc})
		} // else the socket is not open yet, or not any more
		pause.Reset(b.cfg.Gap)
		select {
		case <-pause.C:
		case <-ctx.Done():
			return
		}
	}
}

func fetch(ctx context.Context, client *http.Client) (json.RawMessage, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://bothy/v1/status", nil)
	if err != nil {
		return nil, err
	}
	resp, err := client.Do(req)
	if err != nil {
		return nil, err
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return nil, fmt.Errorf("ask for status: %s", resp.Status)
	}
	doc, err := io.ReadAll(io.LimitReader(resp.Body, 64<<20))
	return json.RawMessage(doc), err
}

// card finds a card by its label.
func (s *status) card(label string) (cardStatus, bool) {
	for _, c := range s.Cards {
		if c.Label == label {
			return c, true
		}
	}
	return cardStatus{}, false
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

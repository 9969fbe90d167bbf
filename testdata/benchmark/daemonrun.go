package main

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// boxOptions is how a daemon is run and looked at.
type boxOptions struct {
	trace bool
	gap   time.Duration // least time between two looks at its status
	seen  func(at time.Duration, s *status)
	extra string // further lines of the policy's [box]
	begun func() // called just before the cards appear; may be nil
	ended func() // called when every drive has its proven copy; may be nil
}

// Looks at the status: often where a moment counts, seldom where memory does.
const (
	closeLook  = 20 * time.Millisecond
	seldomLook = time.Second
)

// giveUp is how long a box may be idle without having done everything.
const giveUp = time.Minute

// policyText takes cards by label and drives by slot.
func policyText(extra string) string {
	return `[box]
name   = "skerry-bench"
copies = 2
` + extra + `
[status]
listen = "off"

[[card]]
name  = "bench"
label = "SKUA_*"

[[drive]]
name    = "bay"
slot    = "bench-bay-*"
reserve = "1MB"
`
}

// offloaded is how a daemon did one or several cards.
type offloaded struct {
	released  time.Duration // from the cards' appearance to the release of the last
	done      time.Duration // until every drive had its proven copy
	firstRead time.Duration // until a card's file was first read; with a trace
	peakKB    int64
	looks     []look // with a trace
}

// daemonRun has the daemon bring all cards of a rig to some of its drives, and
// proves every copy once it has ended. Drives are attached and known before the
// cards come.
func daemonRun(ctx context.Context, r *rig, drives []*disk, o boxOptions) (offloaded, error) {
	var res offloaded
	if err := r.fresh(ctx); err != nil {
		return res, err
	}
	if err := r.letGo(ctx); err != nil {
		return res, err
	}
	s, err := startBox(ctx, r, policyText(o.extra), o)
	if err != nil {
		return res, err
	}
	err = s.offload(r, drives, o, &res)
	err = errors.Join(err, s.close())
	if ctx.Err() != nil {
		return res, context.Cause(ctx)
	}
	if err != nil {
		return res, fmt.Errorf("%w: %s", err, excerpt(s.errs.String()))
	}
	res.peakKB, res.looks = s.end.Peak, s.end.Look
	if res.peakKB <= 0 {
		return res, errors.New("the daemon did not tell how much memory it took")
	}
	return res, proveAll(ctx, r, drives, s.last)
}

// attach plugs drives into a box that has just started, and waits until it
// knows them.
func (s *session) attach(drives []*disk) error {
	if _, err := s.plugged(); err != nil { // nothing is there yet
		return err
	}
	if _, err := s.plug(drives...); err != nil {
		return err
	}
	_, err := s.until(func(_ time.Duration, now *status) (bool, error) {
		for _, d := range now.Drives {
			if d.Refused {
				return false, fmt.Errorf("the daemon refuses %s: %s; does another measurement run?", d.Name, d.Reason)
			}
		}
		return now.ready(len(drives)), nil
	})
	return err
}

// offload plugs the cards in and follows them to their end.
func (s *session) offload(r *rig, drives []*disk, o boxOptions, res *offloaded) error {
	if err := s.attach(drives); err != nil {
		return err
	}
	var cards []*disk
	for _, c := range r.cards {
		cards = append(cards, c.disk)
	}
	if o.begun != nil {
		o.begun()
	}
	begun, err := s.plug(cards...)
	if err != nil {
		return err
	}
	released, err := s.until(func(_ time.Duration, now *status) (bool, error) { return allReleased(now, cards) })
	if err != nil {
		return err
	}
	done := released
	if !allProven(s.last, cards, drives) {
		if done, err = s.untilProven(cards, drives); err != nil {
			return err
		}
	}
	if !s.last.idle() { // the last rename and flush
		if _, err := s.until(func(_ time.Duration, now *status) (bool, error) { return now.idle(), nil }); err != nil {
			return err
		}
	}
	if o.ended != nil {
		o.ended()
	}
	res.released, res.done = released-begun, done-begun
	if s.first > 0 {
		res.firstRead = s.first - begun
	}
	return nil
}

// untilProven waits for the copies that are still missing when the cards are
// released. It gives up on a box that has stopped working on them.
func (s *session) untilProven(cards, drives []*disk) (time.Duration, error) {
	var idleSince time.Duration
	return s.until(func(at time.Duration, now *status) (bool, error) {
		switch {
		case allProven(now, cards, drives):
			return true, nil
		case !now.idle():
			idleSince = 0
		case idleSince == 0:
			idleSince = at
		case at-idleSince > giveUp:
			return false, fmt.Errorf("%w: nothing goes on and a drive lacks its copy", errUnproven)
		}
		return false, nil
	})
}

// allReleased gives up when a card is held for good.
func allReleased(now *status, cards []*disk) (bool, error) {
	all := true
	for _, d := range cards {
		c, there := now.card(d.label)
		if there && c.Phase == "decided" && c.Verdict != "release" {
			return false, fmt.Errorf("%w: %s is on hold: %s", errUnproven, d.label, c.Reason)
		}
		all = all && there && c.Phase == "decided"
	}
	return all, nil
}

// allProven reports whether every drive shows a proven copy of every card.
func allProven(now *status, cards, drives []*disk) bool {
	for _, c := range cards {
		for _, d := range drives {
			if _, ok := now.proven(c.label, d.label); !ok {
				return false
			}
		}
	}
	return true
}

// proven finds the folder of a proven copy.
func (s *status) proven(card, drive string) (folder string, ok bool) {
	for _, o := range s.Offloads {
		if o.CardLabel != card {
			continue
		}
		for _, c := range o.Copies {
			if c.DriveName == drive && c.Phase == "proven" {
				return c.Folder, true
			}
		}
	}
	return "", false
}

func proveAll(ctx context.Context, r *rig, drives []*disk, now *status) error {
	for _, c := range r.cards {
		for _, d := range drives {
			folder, ok := now.proven(c.label, d.label)
			if !ok {
				return fmt.Errorf("%w: %s shows no copy of %s", errUnproven, d.label, c.label)
			}
			if err := proveCopy(ctx, d, folder, c.content); err != nil {
				return err
			}
		}
	}
	return nil
}

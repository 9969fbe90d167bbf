package main

import (
	"context"
	"errors"
	"fmt"
	"time"
)

func measureStart(ctx context.Context, b *bench, res *result) error {
	rec := recipe{seed: 4, small: int(b.share(25_000, 1))}
	res.size("card", "%d files under 4 KiB, read at %d MiB/s", rec.small, cardSpeed.read)
	res.size("drives", "2, %d MiB/s written, %d MiB/s read", driveSpeed.write, driveSpeed.read)
	return withRig(ctx, wish{cards: []recipe{rec}, cardSpeed: cardSpeed, drives: []speed{driveSpeed, driveSpeed}}, func(r *rig) error {
		times, err := b.inTurn([]contender{{"device's appearance to first byte read", func() (usage, error) {
			took, err := startOf(ctx, r)
			return usage{Wall: took}, err
		}}})
		if err != nil {
			return err
		}
		s := res.add(times[0].name, "s", seconds(times[0].took))
		res.Figures = append(res.Figures, judged(fmt.Sprintf("start of a card of %d files", rec.small), s.Median, "s", 1))
		res.note("the daemon is stopped at the first read of a file of the card, so there are no copies to prove")
		return nil
	})
}

// startOf is the time from the snapshot that shows a card to the first read of
// one of its files.
func startOf(ctx context.Context, r *rig) (time.Duration, error) {
	if err := errors.Join(r.fresh(ctx), r.letGo(ctx)); err != nil {
		return 0, err
	}
	s, err := startBox(ctx, r, policyText(""), boxOptions{trace: true, gap: closeLook})
	if err != nil {
		return 0, err
	}
	took, err := s.firstRead(r)
	if err := errors.Join(err, s.close()); err != nil {
		return 0, fmt.Errorf("%w: %s", err, excerpt(s.errs.String()))
	}
	return took, nil
}

func (s *session) firstRead(r *rig) (time.Duration, error) {
	if err := s.attach(r.drives); err != nil {
		return 0, err
	}
	begun, err := s.plug(r.cards[0].disk)
	if err != nil {
		return 0, err
	}
	for s.first == 0 {
		e, err := s.next()
		if err != nil {
			return 0, err
		}
		if e.What != eventStatus {
			continue
		}
		if _, err := allReleased(s.last, []*disk{r.cards[0].disk}); err != nil {
			return 0, err
		}
	}
	return s.first - begun, nil
}

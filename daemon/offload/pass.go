package offload

import (
	"context"
	"time"

	"bothy/daemon/state"
)

// pass reads the card once for all drives that lack something, and reports
// whether there was anything to do. It does not wait for drives that were let
// go; what they lack is for catchUp.
func (r *run) pass(ctx context.Context) bool {
	card := &cardRead{done: make(chan struct{})}
	takers := r.stintsFor(card)
	if len(takers) == 0 {
		return false
	}
	chunks, _ := r.job.ring()
	r.ring.grow(chunks)
	r.passBegan = time.Now()
	for _, s := range takers {
		s.begin(ctx)
	}
	card.err = r.readAll(ctx, func(f *file) (to []consumer) {
		for _, s := range takers {
			if s.target.takesPart() && s.target.stands(f) == reading_ {
				to = append(to, s.target)
			}
		}
		return to
	}, (*cardReader).salvageAll)
	for _, s := range takers {
		close(s.queue)
	}
	if r.job.Verify == VerifyReadBackTwice && card.err == nil {
		card.unsure, card.err = r.readAgain(ctx)
	}
	if ctx.Err() != nil && card.err == nil {
		card.err = context.Cause(ctx)
	}
	r.ring.shrink(behindChunks) // finishing wants memory, and reading none
	r.cardErr, r.unsure = card.err, card.unsure
	r.compareHistory()
	close(card.done)
	r.awaitEnds(takers)
	return true
}

// cardRead is how reading the card went in one pass, for every stint in it.
type cardRead struct {
	done   chan struct{} // closed when the rest is known
	err    error         // about the card as a whole
	unsure int           // files that a second reading was to confirm and could not
}

// stintsFor hands out what drives lack. Each drive takes part in the first
// pass, if only to be finished; a drive that was let go and can be done without
// takes part in no other one, until it catches up.
func (r *run) stintsFor(card *cardRead) (list []*stint) {
	for _, t := range r.live() {
		if t.behind.Load() && r.canSpare(t, notAsked) {
			continue
		}
		t.settled()
		if s := r.stintFor(t, card); s != nil {
			list = append(list, s)
		}
	}
	return list
}

// stintFor gives nothing when the drive lacks nothing any more.
func (r *run) stintFor(t *target, card *cardRead) *stint {
	if t.isSetAside() || t.ended() != "" {
		return nil
	}
	n := t.handOut()
	if n == 0 && t.stint != nil {
		return nil
	}
	t.behind.Store(false)
	t.pace.blame, t.pace.sitOut = 0, 0
	t.stint = newStint(t, n, card)
	return t.stint
}

// awaitEnds waits until the drives that kept up are done with a pass. As soon as
// enough copies are finished the card is not needed any more.
func (r *run) awaitEnds(takers []*stint) {
	ended := make(chan struct{}, len(takers))
	waiting := 0
	for _, s := range takers {
		if !s.target.behind.Load() {
			waiting++
			r.stints.Go(func() { <-s.over; ended <- struct{}{} })
		}
	}
	for range waiting {
		<-ended
		r.seeCardDone()
	}
}

// seeCardDone says that the card is done when enough copies are.
func (r *run) seeCardDone() {
	if r.cardDone || r.job.Copies <= 0 {
		return
	}
	var places []Place
	for _, t := range r.targets {
		if t.ended() == state.CopyProven {
			places = append(places, t.drive.Place)
		}
	}
	if Distinct(places) < r.job.Copies {
		return
	}
	r.cardDone = true
	if r.job.CardDone != nil {
		r.job.CardDone()
	}
}

// readAll reads the files that somebody wants, in the card's order.
// Then comes what is to be done with those of them that could not be read.
func (r *run) readAll(ctx context.Context, takers func(*file) []consumer, then func(*cardReader, context.Context) error) error {
	c := &cardReader{reader: reader{run: r, counts: true}, takers: takers}
	defer c.begin()()
	for _, f := range r.files {
		to := takers(f)
		if len(to) == 0 {
			continue
		}
		if err := ctx.Err(); err != nil {
			return context.Cause(ctx)
		}
		if err := c.read(ctx, f, to); err != nil {
			return err
		}
	}
	if err := c.settle(); err != nil {
		return err
	}
	return then(c, ctx)
}

// readAgain reads the card a second time and compares. It counts the files that
// were read once only: their copies stay, since they may be all there is.
func (r *run) readAgain(ctx context.Context) (unsure int, err error) {
	if len(r.live()) == 0 {
		return 0, nil
	}
	err = r.readAll(ctx, func(f *file) []consumer {
		if f.readOnce() {
			return []consumer{nobody{}}
		}
		return nil
	}, func(*cardReader, context.Context) error { return nil })
	if err != nil {
		return 0, err
	}
	for _, f := range r.files {
		if f.readOnce() {
			unsure++
		}
	}
	return unsure, nil
}

// nobody takes a file that is read for its checksums alone.
type nobody struct{}

func (nobody) give(message) bool { return false }

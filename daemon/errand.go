package daemon

import (
	"context"
	"errors"
	"slices"
	"sync/atomic"
	"time"

	"bothy/daemon/ledger"
	"bothy/daemon/state"
	"bothy/daemon/status"
	"bothy/policy"
)

// errand is one piece of work among drives, without a card. Nobody waits for it:
// it begins when nothing else is to be done, and gives way to every card.
type errand struct {
	task
	piece piece
	began time.Time
	told  func(errandOutcome) // somebody waits for it
	out   errandOutcome
	cards atomic.Pointer[map[string]bool] // keys of the cards that a handover is about

	bytes, done int64  // of a handover
	historyFrom string // the drive whose manifests go along with a whole copy
}

// piece is what one errand is about.
type piece struct {
	kind    string         // one of the kinds of state.Errand
	offload ledger.Offload // empty for a look
	round   ledger.Round   // of a patrol
	from    []string       // ids of drives that are read
	to      []string       // ids of drives that are written, or looked at
	// selection is what a shuttle is to have, but for the offloads in skip.
	selection policy.Selection
	skip      map[string]bool
}

// errandOutcome is how an errand ended.
type errandOutcome struct {
	findings []driveFinding
	// missed says of drives that did not get what they lack why; by drive id.
	missed    map[string]string
	gaveWay   bool               // it was ended for a card's sake, or parked
	proven    bool               // a patrol's round is over
	found     bool               // a patrol has found damage
	healed    int                // files
	recovered *status.Recovered  // what was taken over from a drive
	handed    *status.HandedOver // what a shuttle was brought
	handedIDs []string           // of which offloads
	unhanded  map[string]string  // why it lacks something of an offload; by its id
	counting  bool               // some of it counts
	err       error              // why there is not more, for who asked
}

// driveFinding is a condition to raise about a drive.
type driveFinding struct {
	driveID string
	finding
}

// errGiveWay ends an errand that stands in the way of a card, or began under a policy
// that holds no more.
var errGiveWay = errors.New("it gives way to other work, and goes on afterwards")

// uses lists the drives that a piece needs.
func (p piece) uses(id string) bool { return slices.Contains(p.from, id) || slices.Contains(p.to, id) }

func (e *errand) run(ctx context.Context) {
	e.openDrives(ctx)()
	defer func() {
		e.releaseDrives()
		cause := context.Cause(ctx)
		e.out.gaveWay = errors.Is(cause, errGiveWay) || errors.Is(cause, errParked)
	}()
	switch e.piece.kind {
	case state.ErrandLook:
		e.look(ctx)
	case state.ErrandCatchUp:
		e.catchUp(ctx)
	case state.ErrandHeal:
		e.heal(ctx)
	case state.ErrandPatrol:
		e.patrol(ctx)
	case state.ErrandRecover:
		e.recover(ctx)
	case state.ErrandHandover:
		e.handOver(ctx)
	}
}

func (e *errand) yield(ctx context.Context) error { return e.s.traffic.wait(ctx, e.lane) }

// tell shows how far it is.
func (e *errand) tell(done float64) { e.s.post(func() { e.s.errandIsAt(e, done) }) }

func (e *errand) find(driveID string, code state.Code, detail string) {
	e.out.findings = append(e.out.findings, driveFinding{driveID, finding{code, detail}})
}

func (e *errand) miss(driveID, why string) {
	if e.out.missed == nil {
		e.out.missed = map[string]string{}
	}
	e.out.missed[driveID] = why
}

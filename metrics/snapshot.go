// Package metrics holds every metric of the program: its names, its help texts
// and how a plain snapshot of numbers becomes Prometheus series.
//
// It guarantees that a scrape never fails because of what a device calls
// itself: label values are cut to MaxLabelRunes, made printable, and merged
// when two become the same, and the number of series is bounded. Names follow
// the Prometheus conventions (base units, _total for counters, _info for text).
//
// It will not label a series with anything that names footage or a particular
// device (file names, serials, UUIDs, checksums, offload ids), it keeps no state
// between scrapes, and it knows nothing of the daemon that fills the snapshot.
package metrics

// Snapshot is what one scrape reports. Times are Unix seconds, 0 meaning
// "never"; sizes are bytes. The zero value is valid.
type Snapshot struct {
	Version string // of the program

	Phase                 string // one of Phases
	CopiesNeeded          int    // proven copies that a release needs
	ClockTrusted          bool
	LastStateChange       float64 // when the State this was taken from was published
	PolicyLoaded          bool    // a policy is in force
	PolicyError           bool    // the newest load failed
	PolicyLoadedAt        float64
	ChargeKnown           bool
	Charge                float64 // of the box's batteries, 0 to 1
	ExternalKnown         bool
	External              bool // the box is fed, and no battery empties meanwhile
	DevicesWatched        int
	DevicesLeftAlone      int
	OffloadsRunning       int
	OffloadsDone          float64 // of the running offload that is least far, 0 to 1
	OffloadsLeft          float64 // seconds, of the one that takes longest; 0: not known
	Starts                Starts
	Errand                string  // one of Errands; empty: none is under way
	ErrandDone            float64 // 0 to 1
	Cards                 []Card
	Drives                []Drive // attached ones first: on equal names the first one's sizes count
	NeedsPerson           bool    // a raised condition needs a person
	Conditions            []Condition
	Counters              Counters
	ConditionsRaisedTotal []Raised
}

// Phases lists the daemon's phases, in order.
var Phases = []string{"starting", "watching", "stopping"}

// CardPhases lists the phases of a card, in order.
var CardPhases = []string{"looking", "queued", "working", "decided"}

// Verdicts lists what a card in a slot can show; "working" stands for a card
// about which nothing has been decided.
var Verdicts = []string{"release", "hold", "working"}

// HoldKinds lists why a decided card is held.
var HoldKinds = []string{"needs-drive", "fault"}

// Errands lists the kinds of work among drives.
var Errands = []string{"look", "catch-up", "heal", "patrol", "handover", "recover"}

// Starts counts how the daemon's lives began; it grows from one life to the next.
type Starts struct{ Clean, AfterCrash, AfterPowerCut uint64 }

// Card is a card that is in now.
type Card struct {
	Slot, Rule string
	Phase      string // one of CardPhases
	Verdict    string // one of Verdicts
	HoldKind   string // one of HoldKinds, or empty
	// HeldSeconds is for how long it has been on hold; 0 while it is not.
	HeldSeconds float64
}

// Drive is one enrolled drive, or one that was refused.
type Drive struct {
	Name      string // given by a person; empty while not enrolled
	Attached  bool
	InUse     bool
	Full      bool
	Failing   bool
	Refused   bool
	Retired   bool // out of use: counted, and not told of otherwise
	SizeBytes int64
	FreeBytes int64
	LastSeen  float64

	Copies      int     // proven ones that it holds
	OldestProof float64 // of the copy that was proven the longest ago
	Undated     int     // copies whose proof has no time that can be trusted
	RoomKnown   bool
	RoomCards   int // that still fit
	RoomSeconds float64

	HealthKnown, HealthGood bool // by the drive's own word
	CelsiusKnown            bool
	Celsius                 float64
}

// Condition counts the raised conditions of one code.
type Condition struct {
	Code, Severity string
	Raised         int
}

// Raised counts how often a condition was raised since the start.
type Raised struct {
	Code  string
	Times uint64
}

// Counters only grow while the process lives.
type Counters struct {
	DeviceEvents, DeviceRescans, DeviceReconnects uint64

	ReadBytes, WrittenBytes, ReadBackBytes uint64

	FilesProven, CopiesProven, CopiesFailed, CatchUps uint64
	Patrols, FilesHealed                              uint64

	Releases, Holds                                   uint64
	ReadBackMismatches, ReadBackErrors, FlushFailures uint64
	LightFailures, LedgerFailures                     uint64
	OffloadsStarted, OffloadsFinished                 uint64
	PolicyReloads, PolicyReloadFails                  uint64
}

// Package state is the one picture of the box that every window shows.
//
// The supervisor owns the truth and publishes it as an immutable State; lights,
// page, JSON, metrics, the journal and systemd's status line are functions of a
// State and never of each other. A State that has been published is never
// changed: whoever receives one may keep it and read it without a lock.
//
// The package holds no behaviour beyond publishing and the table of conditions;
// it reads no clock and touches no device.
package state

import "time"

// Verdict answers the one question of the box: may this card be reused?
type Verdict string

// The two verdicts. In doubt it is Hold.
const (
	Hold    Verdict = "hold"
	Release Verdict = "release"
)

// Phase is what the box as a whole is doing.
type Phase string

// Phases of the daemon, in the order in which it passes through them.
const (
	Starting Phase = "starting" // self-check, first enumeration
	Watching Phase = "watching" // ready for cards
	Stopping Phase = "stopping" // told to stop; work is being parked
)

// State is everything the box says about itself at one moment.
type State struct {
	// Moment is the wall clock when this State was published, in UTC. It is
	// for display only: nothing is ordered by it.
	Moment time.Time
	// ClockTrusted says whether the wall clock is known to be synchronised.
	ClockTrusted bool
	// Sequence grows by one with every published State.
	Sequence uint64

	Box        Box
	Phase      Phase
	Policy     Policy
	Devices    []Device  // every block device seen, with what was decided; sorted by Name
	Cards      []Card    // cards that are in now, in order of arrival
	Drives     []Drive   // drives attached now or known to the ledger; attached first, then by Name
	Offloads   []Offload // newest first, at most MaxOffloads
	Errand     *Errand   // work among drives that is under way; nil when there is none
	Power      Power
	Conditions []Condition // raised now, most severe first, then oldest first
	Lamps      []Lamp      // the lights that the policy in force names
	Counters   Counters
}

// MaxOffloads bounds how many offloads a State carries; older ones are in the ledger.
const MaxOffloads = 50

// Box names the machine and the program.
type Box struct {
	Name    string    // from the policy; falls back to the host name
	ID      string    // made once, kept in the state folder
	Version string    // of the program
	Started time.Time // UTC, display only
	Copies  int       // proven copies on distinct drives that a release needs
	Starts  Starts
}

// Starts counts how the daemon's lives on this box began, this one included, as
// far back as the state folder remembers.
type Starts struct {
	Clean         uint64 // the first, and those after a life that ended in order
	AfterCrash    uint64 // the life before was killed or fell over while the machine ran on
	AfterPowerCut uint64 // the machine itself went down under it
}

// Lamp is a light that the policy names, and what it is to show.
type Lamp struct {
	Shows  string   // card, drive or box
	Slots  []string // globs; empty: every slot
	LED    string
	Colour string
}

// Policy says which policy is in force.
type Policy struct {
	Path     string
	LoadedAt time.Time // UTC, when the policy in force was read; zero when none is
	// Error is the whole message (FILE:LINE:COL: what (hint)) of the newest
	// load that failed; empty when the newest load succeeded.
	Error string
}

// Device is one block device and what was decided about it.
type Device struct {
	Name      string // kernel name, e.g. "sda1"
	Node      string // e.g. "/dev/sda1"
	Disk      string // kernel name of the whole disk, e.g. "sda"
	Slot      string // ID_PATH
	Label     string
	FSType    string
	SizeBytes int64
	// Decision is one of "card", "drive", "left-alone", "looking".
	Decision string
	Rule     string // name of the rule that took it; empty when none did
	Sentence string // why, in words
}

// CardPhase is where a card stands on its way.
type CardPhase string

// Phases of a card that is in.
const (
	CardLooking CardPhase = "looking" // being mounted and listed
	CardQueued  CardPhase = "queued"  // waits for its turn
	CardWorking CardPhase = "working" // being copied or proven
	CardDecided CardPhase = "decided" // the verdict stands; nothing is running
)

// HoldKind says which sort of hold a decided card has; the light differs.
type HoldKind string

// Kinds of hold.
const (
	NoHold      HoldKind = ""            // the verdict is release, or work is going on
	NeedsDrive  HoldKind = "needs-drive" // more drives would bring the release
	HoldByFault HoldKind = "fault"       // something went wrong and a person must look
)

// Card is a card that is in now.
type Card struct {
	Device    string // kernel name
	Slot      string // ID_PATH of the slot it is in
	Label     string
	Rule      string
	Phase     CardPhase
	Verdict   Verdict
	HoldKind  HoldKind
	Reason    string // why the verdict is what it is, one sentence
	OffloadID string // newest offload of this insertion; empty before there is one
	SizeBytes int64
	Files     int   // on the card, after ignore rules; 0 before it was listed
	Bytes     int64 // sum of Files' sizes
	// HeldSince is when the hold that stands was first published; zero while none
	// is decided. The time since is Moment less it, however a clock is set.
	HeldSince time.Time
}

// Drive is one drive, attached or remembered.
type Drive struct {
	ID         string // from its drive.toml; empty while not enrolled
	Name       string
	Device     string // kernel name; empty when not attached or a plain folder
	Path       string // for a drive that a rule names by folder
	Slot       string
	Rule       string
	FSType     string
	Attached   bool
	InUse      bool     // mounted: do not pull
	Full       bool     // below its reserve
	Failing    bool     // set aside after faults
	Refused    bool     // e.g. a clone of another drive, or waits to be enrolled
	Retired    bool     // out of use; what it holds does not count
	Formerly   []string // names that it had before, oldest first
	Health     Health
	Reason     string
	SizeBytes  int64
	FreeBytes  int64 // as last seen
	Copies     int   // finished copies on it that the ledger knows
	Room       Room
	LastSeenAt time.Time
	// OldestProof is when the copy on it that was proven whole the longest ago was,
	// by a clock that was right; zero when there is none. Of Undated copies it is
	// not known.
	OldestProof time.Time
	Undated     int
}

// What a drive says of itself.
const (
	HealthUnknown = "" // nothing, or its bridge does not pass it on
	HealthGood    = "good"
	HealthFailing = "failing"
)

// Health is how a drive is by its own word. Nothing rests on it: it is told.
type Health struct {
	Word       string // one of the above
	HasCelsius bool
	Celsius    int // its temperature
}

// Room is how much more goes on a drive, at the pace of the last days.
type Room struct {
	Known bool
	Cards int // that still fit, by the mean of those that came
	Hours int // until it is full, days and nights counted
}

// CopyPhase is where one copy of an offload stands.
type CopyPhase string

// Phases of a copy. Proven, Refused, Failed, Incomplete, Handed and Unproven are final.
const (
	CopyWaiting    CopyPhase = "waiting"
	CopyCopying    CopyPhase = "copying"
	CopyProving    CopyPhase = "proving"    // reading back
	CopyFinishing  CopyPhase = "finishing"  // manifest, ledger, rename
	CopyBehind     CopyPhase = "behind"     // slower than the others; catches up when they are done
	CopyUnfinished CopyPhase = "unfinished" // interrupted; goes on when card and drive are back
	CopyProven     CopyPhase = "proven"
	CopyRefused    CopyPhase = "refused"     // preflight said no, nothing was written
	CopyFailed     CopyPhase = "failed"      // faults; folder still says unfinished
	CopyIncomplete CopyPhase = "incomplete"  // salvage: some of the card could not be read
	CopyHanded     CopyPhase = "handed-over" // proven on a shuttle, as much as was chosen; releases nothing
	CopyUnproven   CopyPhase = "unproven"    // finished without reading back, as its rule asks; releases nothing
)

// Final reports whether the copy will not move on by itself.
func (p CopyPhase) Final() bool {
	switch p {
	case CopyProven, CopyRefused, CopyFailed, CopyIncomplete, CopyUnproven, CopyHanded:
		return true
	}
	return false
}

// Copy is one offload on one drive.
type Copy struct {
	DriveID      string
	DriveName    string
	Folder       string // relative to the drive, the finished name
	Phase        CopyPhase
	Reason       string // set when Phase is refused, failed, incomplete or unfinished
	FilesProven  int
	BytesWritten int64
	BytesProven  int64
	// Done is how much of the copy is written and proven, 0 to 1. It never falls
	// within one run of the offload, and is 1 only when the copy is there.
	Done float64
	Left Left // until this copy is there
}

// Left is a time that something is estimated to take still, in whole seconds. A
// Total of 0 means that it is not known, or that nothing is left to do.
type Left struct {
	Total time.Duration // Copy and Proof together
	Copy  time.Duration // until everything is written
	Proof time.Duration // what comes after the last write: reading back, manifest, last steps
}

// Offload is one card's content at one insertion, on its way to drives.
type Offload struct {
	ID        string // BOX-SEQUENCE
	Sequence  int64  // orders offloads; from the ledger
	CardLabel string
	Rule      string
	Device    string    // empty once the card is out
	Started   time.Time // UTC, display only
	Day       string    // of Started as the box reckons it, YYYY-MM-DD: the day of its report
	Ended     time.Time // zero while running
	Running   bool
	Verdict   Verdict
	Reason    string
	Verify    string // verification level
	Checksum  string // algorithm name
	Files     int    // files this offload copies
	Bytes     int64
	BytesRead int64 // of the card, in this run
	// Done is how much of the copies that a release needs is written and proven,
	// as far as the drives that take part can bring it: 0 to 1, never falling
	// within one run, 1 only when those copies are there. Slower drives beyond
	// them do not count.
	Done           float64
	BytesPerSecond int64 // at which the card is read; 0 while it is not, or not known
	Left           Left  // until those copies are there
	// RefersTo lists earlier offloads that hold files of the same card which
	// this one therefore did not copy again.
	RefersTo []string
	// LeftOut lists what was on the card and is not in the copies, each as a
	// sentence: links, device nodes, ignored names. At most MaxLeftOut.
	LeftOut []string
	// Salvaged lists what the card gave in part only, bounded by BoundSalvages.
	Salvaged []Salvage
	Copies   []Copy
}

// Kinds of errand.
const (
	ErrandLook     = "look"     // whether a drive that came back holds what it is known to hold
	ErrandCatchUp  = "catch-up" // bringing drives an offload that they lack
	ErrandHeal     = "heal"     // bringing a copy files that are damaged
	ErrandPatrol   = "patrol"   // proving a copy again
	ErrandHandover = "handover" // filling a shuttle
	ErrandRecover  = "recover"  // taking over what a drive tells of other boxes' offloads
)

// Errand is work among drives, without a card. It gives way to every card.
type Errand struct {
	Kind      string // one of the kinds of errand
	OffloadID string // what it is about; empty for a look
	CardLabel string
	Folder    string
	From      []string // names of the drives that are read
	To        []string // names of the drives that are written, or looked at
	Files     int
	Bytes     int64
	Done      float64 // 0 to 1; never falls while the errand lasts
	Waits     bool    // a card goes first
}

// MaxLeftOut bounds Offload.LeftOut; the last line then counts the rest.
const MaxLeftOut = 100

// Counters only ever grow while the process lives.
type Counters struct {
	DeviceEvents      uint64 // udev events received
	DeviceRescans     uint64 // full enumerations
	DeviceReconnects  uint64 // event stream lost (overflow or error) and opened again
	BytesRead         uint64 // from cards
	BytesWritten      uint64 // to drives
	BytesReadBack     uint64 // from drives, for proof
	FilesProven       uint64 // per drive
	CopiesProven      uint64
	CopiesFailed      uint64
	Releases          uint64
	Holds             uint64            // decided holds
	ReadBackMismatch  uint64            // files whose read-back differed
	ReadBackErrors    uint64            // files that a drive took and could not give back
	FlushFailures     uint64            // failed fsync, fdatasync or syncfs
	LightFailures     uint64            // light writes that failed
	LedgerFailures    uint64            // ledger writes that failed
	ConditionsRaised  map[string]uint64 // by code
	OffloadsStarted   uint64
	OffloadsFinished  uint64
	CatchUps          uint64 // copies that drives were brought from other drives
	Patrols           uint64 // copies proven again
	FilesHealed       uint64 // brought anew to copies in which they were damaged
	PolicyReloads     uint64
	PolicyReloadFails uint64
}

// Package policy reads the box's rules and decides what a medium is: a card, a
// drive, or something to leave alone.
//
// [Parse] turns the bytes of a policy file into a [Policy], strictly: every
// unknown key and every bad value is an error that says file, line, column,
// what is wrong and what to do about it, as many at once as can be found. A
// Policy that Parse returned is whole; there is no half-read one. [Policy.Decide]
// answers for one medium, always with a sentence for people and with the reason
// why each rule did or did not take it.
//
// What it guarantees: no input makes it panic; a medium that holds the running
// system, that both kinds of rule claim, or that no rule claims is left alone;
// a folder name it makes can neither leave the drive nor offend the file
// systems drives usually carry. The work for one decision is bounded, whatever
// a card holds.
//
// What it will not do: look at devices, mount anything, read a clock, or open
// files beyond the [io/fs.FS] it is handed. The one exception is the time zone
// database, which the standard library looks up on the machine; a copy of it is
// built in for machines that have none.
package policy

import (
	"time"
	_ "time/tzdata" // boards often lack the time zone database
)

// Policy is a whole, valid policy. It is never changed after Parse returned
// it, so it may be shared.
type Policy struct {
	Box    Box
	Status StatusSettings
	Patrol Patrol
	Power  Power
	Cards  []CardRule  // in the order of the file: the first match wins
	Drives []DriveRule // likewise
	Lights []LightRule
}

// Bounds and defaults of [box].
const (
	DefaultCopies   = 2
	MaxCopies       = 8
	DefaultParallel = 1
	MaxParallel     = 8
)

// Box is what the policy says about the box as a whole.
type Box struct {
	// Name is how the box calls itself; empty when the policy gives none, and
	// the caller then takes the host name.
	Name string
	// Copies is how many proven copies on distinct drives a release needs:
	// 1 to MaxCopies, DefaultCopies unless given.
	Copies int
	// Parallel is how many cards are copied at once where they have no rotating
	// drive in common: 1 to MaxParallel, DefaultParallel unless given.
	Parallel int
	// Timezone is the IANA name of the zone that {date} and a report's day
	// are reckoned in; "UTC" unless given.
	Timezone string
	// Location is Timezone, loaded; never nil in a parsed Policy.
	Location *time.Location
}

// Day returns the day of t on this box, as YYYY-MM-DD: the value for {date}.
func (b Box) Day(t time.Time) string { return b.local(t).Format("2006-01-02") }

// Clock returns the time of day of t on this box, as HHMMSS: the value for {time}.
func (b Box) Clock(t time.Time) string { return b.local(t).Format("150405") }

func (b Box) local(t time.Time) time.Time {
	if b.Location == nil {
		return t.UTC()
	}
	return t.In(b.Location)
}

// DefaultListen is where the status page is served unless the policy says
// otherwise: for this machine only.
const DefaultListen = "127.0.0.1:9810"

// StatusSettings is what [status] says.
type StatusSettings struct {
	// Listen is HOST:PORT for the status page; empty when it is switched off.
	Listen string
	// WebConfig is the absolute path of a web configuration file, with TLS and
	// passwords for the page; empty for neither.
	WebConfig string
}

// Defaults of [patrol].
const (
	DefaultPatrolHours = 4
	DefaultPatrolShare = 50
	DefaultPatrolAfter = 30 * 24 * time.Hour
)

// Patrol is what [patrol] says: how copies are proven again while the box is idle.
type Patrol struct {
	Hours        int           // of work a day, 0 to 24; 0: never
	SharePercent int           // of the time that a drive is at work then, 1 to 100
	After        time.Duration // a copy is proven again when its proof is this old
}

// Defaults of [power].
const (
	DefaultPowerBegin = 20
	DefaultPowerPark  = 5
)

// Power is what [power] says: what is done while the box lives on its battery alone.
type Power struct {
	Begin int // percent of the battery below which nothing is begun, 0 to 100; 0: never minded
	Park  int // percent below which what runs is parked too, 0 to 100; 0: never minded
}

// Conditions are what a rule asks of a medium. All that are given must hold;
// of several patterns under one key one must match. Patterns are globs, see
// [Patterns].
type Conditions struct {
	Label  Patterns // file system label
	UUID   Patterns // file system UUID
	Serial Patterns // of the disk
	Vendor Patterns
	Model  Patterns
	Slot   Patterns // udev's ID_PATH: the physical place
	FS     Patterns // udev's ID_FS_TYPE, e.g. "exfat"
	Bus    Patterns // e.g. "usb"
	Size   SizeRange
	Udev   map[string]Patterns // any udev property
}

// Verification levels.
const (
	VerifySize          = "size"            // no read-back; never releases a card by itself
	VerifyReadBack      = "read-back"       // the default
	VerifyReadBackTwice = "read-back-twice" // the card is read again as well
)

// Defaults of a card rule.
const (
	DefaultFolder   = "{date}/{box}-{label}-{time}"
	DefaultChecksum = "xxh128"
)

// CardRule says which media are cards and how they are off-loaded.
type CardRule struct {
	Name string // unique among card rules
	Line int    // where the rule begins in the file
	Conditions
	// Holds are slash paths of globs, e.g. "DCIM/*", without regard to upper
	// and lower case; the card must hold an entry for each of them.
	Holds    []string
	Folder   string // template for FolderName
	Verify   string // one of the verification levels
	Checksum string // xxh128, xxh64, xxh3, md5, sha1 or c4
	// Dirty says what becomes of a card whose file system was not cleanly
	// unmounted: DirtyHold or DirtyAccept. Journals are never replayed, so such
	// a card may show fewer files than it holds.
	Dirty  string
	Ignore []string // gitignore syntax, unchecked beyond being one printable line each
}

// Values of CardRule.Dirty.
const (
	DirtyHold   = "hold"   // the default: copied, and held
	DirtyAccept = "accept" // a camera that never unmounts cleanly; its owner accepts what that means
)

// Values of DriveRule.Enrol and DriveRule.ReadBack.
const (
	EnrolAuto       = "auto"    // a drive that matches is given an identity unasked
	EnrolAsk        = "ask"     // a person runs `bothy enrol`
	ReadBackAuto    = "auto"    // overlap on solid state, after on rotating disks
	ReadBackOverlap = "overlap" // read back while copying goes on
	ReadBackAfter   = "after"   // read back when all is written
)

// Values of DriveRule.WhenFull.
const (
	FullNext = "next" // the default: other drives are enough
	FullHold = "hold" // the card is held until this drive has it
)

// DefaultReserveBytes is what stays free on a drive unless the rule says otherwise.
const DefaultReserveBytes = 1_000_000_000

// DriveRule says which media are drives and how they are used.
type DriveRule struct {
	Name string // unique among drive rules
	Line int    // where the rule begins in the file
	Conditions
	// Path names a folder that is mounted already, absolute and clean. A rule
	// with a Path has no Conditions and takes no devices.
	Path         string
	ReserveBytes int64 // what stays free
	Enrol        string
	ReadBack     string
	// WhenFull says what becomes of a card for which the drive has no room:
	// FullNext or FullHold.
	WhenFull string
	// Mirror says which earlier offloads a drive is given that it lacks; nothing
	// for a shuttle.
	Mirror Mirror
	// Role is RoleCopies or RoleShuttle.
	Role string
	// Select is what a shuttle is filled with; nil: only by hand.
	Select *Selection
	// Counts: an offload that a shuttle was brought whole is one of the copies that
	// a release needs. A part of one never is.
	Counts bool
}

// Shuttle reports whether the drive carries a chosen part away, and is given no
// cards.
func (r DriveRule) Shuttle() bool { return r.Role == RoleShuttle }

// Mirror is what catch-up brings to a drive. The zero value brings everything.
type Mirror struct {
	None    bool          // nothing
	Within  time.Duration // what was off-loaded this long ago or later; 0: whenever
	Folders Patterns      // and whose folder matches; none given asks nothing. "*" matches slashes too
	Text    string        // as written in the policy; "" when it says nothing
}

// Wants reports whether an offload belongs on the drive. age is how long ago it
// was made; known says whether that can be told. In doubt it belongs there.
func (m Mirror) Wants(folder string, age time.Duration, known bool) bool {
	if m.None || m.Within > 0 && known && age > m.Within {
		return false
	}
	if len(m.Folders) == 0 {
		return true
	}
	_, ok := m.Folders.matching(folder)
	return ok
}

// Values of LightRule.Shows.
const (
	ShowsCard  = "card"
	ShowsDrive = "drive"
	ShowsBox   = "box"
)

// LightRule ties an LED to something it shows.
type LightRule struct {
	Line   int      // where the rule begins in the file
	Shows  string   // card, drive or box
	Slot   Patterns // only what is in a slot that matches; empty: all slots
	LED    string   // a name under /sys/class/leds; each LED has one rule
	Colour string   // green, yellow, red, or empty when it does not matter
}

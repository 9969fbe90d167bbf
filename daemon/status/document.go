package status

import "time"

// Document is the body of /v1/status: everything the box publishes at one
// moment. It is also what the client decodes and Text renders. Times are UTC,
// sizes are bytes, lists are never null; a time that is not known is absent.
type Document struct {
	Moment       time.Time   `json:"moment,omitzero"`
	ClockTrusted bool        `json:"clock_trusted"`
	Sequence     uint64      `json:"sequence"`
	Phase        string      `json:"phase"`
	Healthy      bool        `json:"healthy"` // what /healthz says
	Box          Box         `json:"box"`
	Policy       Policy      `json:"policy"`
	Power        Power       `json:"power"`
	Cards        []Card      `json:"cards"`
	Drives       []Drive     `json:"drives"`
	Errand       *Errand     `json:"errand,omitempty"` // absent when there is none
	Conditions   []Condition `json:"conditions"`
	Offloads     []Offload   `json:"offloads"`
	Devices      []Device    `json:"devices"`
	Counters     Counters    `json:"counters"`
}

// Box names the machine and the program.
type Box struct {
	Name         string    `json:"name"`
	ID           string    `json:"id"`
	Version      string    `json:"version"`
	Started      time.Time `json:"started,omitzero"`
	CopiesNeeded int       `json:"copies_needed"`
}

// Power says how the box is supplied, and what follows from it.
type Power struct {
	Battery       bool   `json:"battery"`                  // it has one, or may have
	ChargePercent *int   `json:"charge_percent,omitempty"` // of its batteries, 0 to 100; absent when not known
	External      *bool  `json:"external,omitempty"`       // it is fed, and its battery does not empty; absent when not known
	Note          string `json:"note"`                     // why the charge is not known; empty when it is
	Level         string `json:"level"`                    // good, low: nothing new is begun, parked: all work is parked
}

// Policy says which policy is in force and why a newer one is not.
type Policy struct {
	Path     string    `json:"path"`
	LoadedAt time.Time `json:"loaded_at,omitzero"`
	Error    string    `json:"error"` // one line per fault; empty when there is none
}

// Card is a card that is in now. Verdict is "release" only when Phase is
// "decided"; in every doubt it is "hold".
type Card struct {
	Device    string `json:"device"`
	Slot      string `json:"slot"`
	Label     string `json:"label"`
	Rule      string `json:"rule"`
	Phase     string `json:"phase"`     // looking, queued, working, decided
	Verdict   string `json:"verdict"`   // hold, release
	HoldKind  string `json:"hold_kind"` // "", needs-drive, fault
	Reason    string `json:"reason"`
	OffloadID string `json:"offload_id"`
	SizeBytes int64  `json:"size_bytes"`
	Files     int    `json:"files"`
	FileBytes int64  `json:"file_bytes"` // sum of the files' sizes
}

// Drive is a drive, attached or remembered.
type Drive struct {
	ID         string    `json:"id"`
	Name       string    `json:"name"`
	Device     string    `json:"device"`
	Path       string    `json:"path"`
	Slot       string    `json:"slot"`
	Rule       string    `json:"rule"`
	FSType     string    `json:"fs_type"`
	Attached   bool      `json:"attached"`
	InUse      bool      `json:"in_use"`
	Full       bool      `json:"full"`
	Failing    bool      `json:"failing"`
	Refused    bool      `json:"refused"`
	Retired    bool      `json:"retired"`           // out of use: what it holds does not count
	Formerly   []string  `json:"formerly"`          // names that it had before, oldest first
	Health     string    `json:"health"`            // by its own word: good, failing; empty: not known
	Celsius    *int      `json:"celsius,omitempty"` // absent when not known
	Reason     string    `json:"reason"`
	SizeBytes  int64     `json:"size_bytes"`
	FreeBytes  int64     `json:"free_bytes"`
	Copies     int       `json:"copies"`
	CardsLeft  *int      `json:"cards_left,omitempty"` // cards that still fit, by those of the last days; absent when not known
	HoursLeft  *int      `json:"hours_left,omitempty"` // until it is full, at the pace of the last days; absent when not known
	LastSeenAt time.Time `json:"last_seen_at,omitzero"`
}

// Errand is work among drives, without a card. Every card goes first.
type Errand struct {
	Kind      string   `json:"kind"`       // look, catch-up, heal, handover, patrol, recover
	OffloadID string   `json:"offload_id"` // empty for a look
	CardLabel string   `json:"card_label"`
	Folder    string   `json:"folder"`
	From      []string `json:"from"` // names of the drives that are read
	To        []string `json:"to"`   // names of the drives that are written, or looked at
	Files     int      `json:"files"`
	SizeBytes int64    `json:"size_bytes"`
	Done      float64  `json:"done"`  // 0 to 1
	Waits     bool     `json:"waits"` // for a card
}

// Condition is something the box wants known.
type Condition struct {
	Code        string    `json:"code"`
	Severity    string    `json:"severity"` // notice, attention, danger
	NeedsPerson bool      `json:"needs_person"`
	Subject     string    `json:"subject"`
	Sentence    string    `json:"sentence"`
	Detail      string    `json:"detail"`
	Hint        string    `json:"hint"`
	Since       time.Time `json:"since,omitzero"`
}

// Offload is one card's content at one insertion.
type Offload struct {
	ID        string    `json:"id"`
	Sequence  int64     `json:"sequence"`
	CardLabel string    `json:"card_label"`
	Rule      string    `json:"rule"`
	Device    string    `json:"device"`
	Started   time.Time `json:"started,omitzero"`
	Day       string    `json:"day,omitzero"` // of started as the box reckons it: /reports/DAY.html
	Ended     time.Time `json:"ended,omitzero"`
	Running   bool      `json:"running"`
	Verdict   string    `json:"verdict"`
	Reason    string    `json:"reason"`
	Verify    string    `json:"verify"`
	Checksum  string    `json:"checksum"`
	Files     int       `json:"files"`
	SizeBytes int64     `json:"size_bytes"`
	ReadBytes int64     `json:"read_bytes"`
	Done      float64   `json:"done"`                      // of the copies that are needed: 0 to 1, 1 only when they are proven
	Speed     int64     `json:"bytes_per_second,omitzero"` // at which the card is read
	Left
	RefersTo []string  `json:"refers_to"`
	LeftOut  []string  `json:"left_out"`
	Salvaged []Salvage `json:"salvaged"`
	Copies   []Copy    `json:"copies"`
}

// Salvage is a file that the card gave in part only, or not in one go. It never
// releases a card.
type Salvage struct {
	Path         string     `json:"path"`
	As           string     `json:"as"` // what holds the part, zeros in the holes; empty when nothing was saved
	SizeBytes    int64      `json:"size_bytes"`
	MissingBytes int64      `json:"missing_bytes"` // exact, also when not all ranges are listed
	Missing      [][2]int64 `json:"missing"`       // from and up to, but not with, in bytes
	MoreRanges   int        `json:"more_ranges"`   // are missing too, and not listed
	MoreFiles    int        `json:"more_files"`    // not 0 in the last of a long list, which stands for so many
}

// Copy is one offload on one drive.
type Copy struct {
	DriveID      string  `json:"drive_id"`
	DriveName    string  `json:"drive_name"`
	Folder       string  `json:"folder"`
	Phase        string  `json:"phase"`
	Reason       string  `json:"reason"`
	FilesProven  int     `json:"files_proven"`
	WrittenBytes int64   `json:"written_bytes"`
	ProvenBytes  int64   `json:"proven_bytes"`
	Done         float64 `json:"done"` // 0 to 1, 1 only when the copy is proven
	Left
}

// Left is a time that is estimated to be left, in whole seconds; each is absent
// when it is not known or nothing is left. The first is the sum of the others.
type Left struct {
	Seconds        int64 `json:"left_seconds,omitzero"`
	CopyingSeconds int64 `json:"left_copying_seconds,omitzero"` // until everything is written
	ProvingSeconds int64 `json:"left_proving_seconds,omitzero"` // and from then on
}

// Device is a block device and what was decided about it.
type Device struct {
	Name      string `json:"name"`
	Node      string `json:"node"`
	Disk      string `json:"disk"`
	Slot      string `json:"slot"`
	Label     string `json:"label"`
	FSType    string `json:"fs_type"`
	SizeBytes int64  `json:"size_bytes"`
	Decision  string `json:"decision"`
	Rule      string `json:"rule"`
	Sentence  string `json:"sentence"`
}

// Counters only grow while the daemon lives.
type Counters struct {
	DeviceEvents       uint64            `json:"device_events"`
	DeviceRescans      uint64            `json:"device_rescans"`
	DeviceReconnects   uint64            `json:"device_reconnects"`
	ReadBytes          uint64            `json:"read_bytes"`
	WrittenBytes       uint64            `json:"written_bytes"`
	ReadBackBytes      uint64            `json:"read_back_bytes"`
	FilesProven        uint64            `json:"files_proven"`
	CopiesProven       uint64            `json:"copies_proven"`
	CopiesFailed       uint64            `json:"copies_failed"`
	Releases           uint64            `json:"releases"`
	Holds              uint64            `json:"holds"`
	ReadBackMismatches uint64            `json:"read_back_mismatches"`
	ReadBackErrors     uint64            `json:"read_back_errors"`
	FlushFailures      uint64            `json:"flush_failures"`
	LightFailures      uint64            `json:"light_failures"`
	LedgerFailures     uint64            `json:"ledger_failures"`
	ConditionsRaised   map[string]uint64 `json:"conditions_raised"`
	OffloadsStarted    uint64            `json:"offloads_started"`
	OffloadsFinished   uint64            `json:"offloads_finished"`
	CatchUps           uint64            `json:"catch_ups"` // copies that drives were brought from other drives
	Patrols            uint64            `json:"patrols"`   // copies proven again
	FilesHealed        uint64            `json:"files_healed"`
	PolicyReloads      uint64            `json:"policy_reloads"`
	PolicyReloadFails  uint64            `json:"policy_reload_failures"`
}

// OffloadList is the body of /v1/offloads, newest first.
type OffloadList struct {
	Offloads []Offload `json:"offloads"`
}

// DriveList is the body of /v1/drives, attached ones first.
type DriveList struct {
	Drives []Drive `json:"drives"`
}

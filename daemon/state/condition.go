package state

import (
	"crypto/sha256"
	"encoding/hex"
	"time"
)

// Severity orders conditions.
type Severity int

// Severities, mildest first.
const (
	Notice    Severity = iota // good to know
	Attention                 // something is missing or degraded
	Danger                    // work is at risk; a person must look
)

func (s Severity) String() string {
	switch s {
	case Notice:
		return "notice"
	case Attention:
		return "attention"
	case Danger:
		return "danger"
	}
	return "unknown"
}

// Code names a kind of condition. The codes are part of the published contract.
type Code string

// MessageID is what the journal knows this kind of condition by: 32 hexadecimal digits,
// a UUID of version 8 (RFC 9562) made from the code, so the same in every version.
func (c Code) MessageID() string {
	sum := sha256.Sum256([]byte("bothy condition " + c))
	id := sum[:16]
	id[6], id[8] = id[6]&0x0f|0x80, id[8]&0x3f|0x80
	return hex.EncodeToString(id)
}

// Kind is one row of the table of conditions.
type Kind struct {
	Code     Code
	Severity Severity
	// NeedsPerson makes the box light ask for somebody.
	NeedsPerson bool
	Sentence    string // what is the matter, without the particulars
	Hint        string // what to do about it
}

// Every condition there is.
const (
	PolicyBroken       Code = "policy-broken"
	PolicyStale        Code = "policy-stale"
	PolicyEmpty        Code = "policy-empty"
	StateUnwritable    Code = "state-unwritable"
	LedgerReplaced     Code = "ledger-replaced"
	LedgerFailing      Code = "ledger-failing"
	LedgerNewer        Code = "ledger-newer"
	ClockUntrusted     Code = "clock-untrusted"
	LightUnreachable   Code = "light-unreachable"
	DeviceWatchLost    Code = "device-watch-lost"
	MediumUnmountable  Code = "medium-unmountable"
	MediumDirty        Code = "medium-dirty"
	CardChanged        Code = "card-changed"
	CardGone           Code = "card-gone"
	CardUnreadable     Code = "card-unreadable"
	CardEntriesLeft    Code = "card-entries-left-out"
	CardHistoryBroken  Code = "card-history-broken"
	PowerLow           Code = "power-low"
	PowerParked        Code = "power-parked"
	WorkStuck          Code = "work-stuck"
	DriveNotEnrolled   Code = "drive-not-enrolled"
	DriveCloned        Code = "drive-cloned"
	DriveRetired       Code = "drive-retired"
	DriveNameClash     Code = "drive-name-clash"
	DriveFull          Code = "drive-full"
	DriveGone          Code = "drive-gone"
	DriveFailing       Code = "drive-failing"
	DriveUnwell        Code = "drive-unwell"
	DriveReadOnly      Code = "drive-read-only"
	DriveRefused       Code = "drive-refused"
	DriveHung          Code = "drive-hung"
	DriveBehind        Code = "drive-behind"
	CopyDamaged        Code = "copy-damaged"
	StatusUnreachable  Code = "status-unreachable"
	JournalUnreachable Code = "journal-unreachable"
)

// Kinds is the one table that feeds page, JSON, lights, metrics and journal.
var Kinds = []Kind{
	{PolicyBroken, Danger, true, "the policy file is broken and there is none to go on with; no work is taken", "mend the file, check it with 'bothy check-policy', then reload"},
	{PolicyStale, Attention, false, "the new policy file is broken; the last good one goes on", "mend the file, check it with 'bothy check-policy', then reload"},
	{PolicyEmpty, Attention, true, "the policy has no rules yet; nothing is copied", "write a [[card]] and a [[drive]] rule into the file ('man bothy-policy'), check it with 'bothy check-policy', then 'systemctl reload bothy'"},
	{StateUnwritable, Danger, true, "the state folder cannot be written", "see whether the disk that holds /var/lib/bothy is full ('df'), and whether the kernel complains of it ('journalctl -k')"},
	{LedgerReplaced, Attention, false, "the ledger was damaged and has been set aside; a new one was begun", "attach the drives: what they tell of earlier offloads is taken over by itself; cards are copied anew"},
	{LedgerFailing, Danger, true, "the ledger cannot be written", "copying goes on; look at the disk that holds /var/lib/bothy: is it full ('df'), does the kernel complain of it ('journalctl -k')?"},
	{LedgerNewer, Danger, true, "the ledger was written by a newer program; it is left as it is, and nothing is noted in it", "copying goes on, and nothing of it is remembered; install the newer version again"},
	{ClockUntrusted, Notice, false, "the clock is not synchronised; names and manifests say so", "order is kept by sequence number, nothing is lost; for right dates give the box a network now and then, or a clock that runs on without power"},
	{LightUnreachable, Attention, false, "a light of the policy cannot be driven", "compare 'led' in the policy with the names below /sys/class/leds; until it is right go by the page or 'bothy status'"},
	{DeviceWatchLost, Attention, false, "the stream of device events was lost and is being opened again", "devices are listed afresh; if it repeats, send what 'bothy diagnose' packs to whoever looks after the box"},
	{MediumUnmountable, Danger, false, "a medium cannot be mounted", "the particulars say why, and nothing was changed on it: if something else has it mounted, unmount it there; if it did not answer, try another reader; else its file system is damaged or unknown here: save what is there by other means, and do not reuse it before"},
	{MediumDirty, Attention, false, "a card was not cleanly unmounted; what its journal holds is not shown", "files written last may be missing; put the card into the camera, repair and format nothing there, see that all is there, switch the camera off properly, and put the card in again"},
	{CardChanged, Danger, false, "another card appeared in the reader during an offload; the offload is void", "take the card out and put it in again"},
	{CardGone, Attention, false, "a card was pulled before it was released", "put the same card in again; what is proven already is not copied twice"},
	{CardUnreadable, Danger, false, "parts of a card cannot be read", "the rest is saved; the missing ranges are listed with the copy; do not reuse the card"},
	{CardEntriesLeft, Attention, false, "a card holds entries that are neither files nor folders", "they are listed with the offload; name them under 'ignore' in the policy if they may be lost"},
	{CardHistoryBroken, Danger, false, "the card's own manifest does not agree with its files", "the files named were damaged before they reached this box; do not reuse the card"},
	{PowerLow, Attention, true, "the battery is low; nothing new is begun", "charge the box; what runs goes on, and the rest begins by itself then"},
	{PowerParked, Danger, true, "the battery is nearly empty; all work is parked and the drives are let go", "charge the box, and work goes on where it was; if it is fed, or the gauge is wrong, set begin and park in [power] of the policy to 0"},
	{WorkStuck, Danger, true, "work stands still: this card, or every card and drive, has not answered for a long time", "pull what hangs, the card first, and put it in again; as a service the box starts itself anew after half an hour in which nothing else gets on; if it repeats, try another reader and another cable, see what the kernel says ('journalctl -k'), send what 'bothy diagnose' packs; a cut of the power frees what nothing else does, and harms no copy that is proven"},
	{DriveNotEnrolled, Attention, false, "a drive waits to be enrolled", "run 'bothy enrol DEVICE --name NAME'"},
	{DriveCloned, Danger, false, "a drive carries the identity of another one; it is refused", "if it is an image of the other, remove .bothy/drive.toml from it and enrol it; if it is the drive itself in another case, enrol it by its name"},
	{DriveRetired, Notice, false, "a retired drive is attached; it is not used", "take it out, or enrol it to use it again"},
	{DriveNameClash, Attention, false, "two drives have the same name", "give one another name: 'bothy enrol DEVICE --name NAME'"},
	{DriveFull, Danger, false, "a drive has no room above its reserve", "attach another drive"},
	{DriveGone, Attention, false, "a drive was pulled while in use; its copy is unfinished", "attach it again, with the card still in"},
	{DriveFailing, Danger, false, "a drive gave repeated faults and is set aside", "see that what it holds is on other drives ('bothy retire' tells), then replace it"},
	{DriveUnwell, Danger, false, "a drive says of itself that it fails", "it is used on, and its proven copies count; see that what it holds is on other drives ('bothy retire' tells), then replace it"},
	{DriveReadOnly, Danger, false, "a drive can only be read", "look for a write-protect switch or a damaged file system"},
	{DriveRefused, Attention, false, "a drive cannot take a card", "the copy's reason on the page and in 'bothy status' says why; mend that, or attach another drive"},
	{DriveHung, Danger, false, "a drive does not answer and is set aside", "unplug it and attach it again; if it repeats, replace cable, hub or drive, in this order"},
	{DriveBehind, Notice, false, "a drive lacks copies that others hold, and cannot be given them now", "leave it attached together with a drive that has them; see that it has room"},
	{CopyDamaged, Danger, false, "a copy that was proven earlier is missing or changed", "it no longer counts; keep the other copies: it is brought anew from one that is attached with it"},
	{StatusUnreachable, Attention, false, "the status endpoint or the control socket cannot be opened", "see which program holds the address ('ss -ltnp', for the control socket 'ss -lxp'), or give another 'listen' under [status] in the policy; it is tried again and again, and the lights go on"},
	{JournalUnreachable, Attention, false, "the log cannot be written", "work goes on, and page, lights and metrics tell of it; see whether the disk that holds the journal is full ('df')"},
}

// KindOf returns the row of the table for code; ok is false for an unknown code.
func KindOf(code Code) (kind Kind, ok bool) {
	for _, k := range Kinds {
		if k.Code == code {
			return k, true
		}
	}
	return Kind{}, false
}

// Condition is something the box wants known, about one subject, from Since on.
type Condition struct {
	Code    Code
	Subject string // what it is about: a device, card, drive or path; "" for the box
	Detail  string // the particulars, one sentence; may be empty
	Since   time.Time
}

// Kind returns the table's row; an unknown code gets one that needs a person.
func (c Condition) Kind() Kind {
	if k, ok := KindOf(c.Code); ok {
		return k
	}
	return Kind{Code: c.Code, Severity: Danger, NeedsPerson: true, Sentence: string(c.Code)}
}

package offload

import (
	"cmp"
	"context"
	"errors"
	"os"
	"time"

	"bothy/daemon/mhl"
	"bothy/daemon/state"
	"bothy/daemon/volume"
)

// UnfinishedSuffix marks the folder of a copy until its last step.
const UnfinishedSuffix = ".unfinished"

// IncompleteSuffix marks the folder of a copy of a card that could not be read
// whole.
const IncompleteSuffix = ".incomplete"

// PartSuffix marks the folder of a chosen part of what a card held.
const PartSuffix = ".part"

// SalvageSuffix marks a file that holds what could be read of one of the card's,
// with zeros for what could not. It may be followed by "-2" and so on where the
// card has that name too.
const SalvageSuffix = ".salvaged"

// Errors a caller branches on.
var (
	ErrRefused     = errors.New("refused")
	ErrCardGone    = errors.New("the card is gone")
	ErrCardChanged = errors.New("another card is in its place")
	ErrDriveGone   = errors.New("the drive is gone")
	ErrDriveFull   = errors.New("the drive is full")
	ErrDriveHung   = errors.New("the drive does not answer")
	ErrMismatch    = errors.New("what was read back differs from what was read from the card")
)

// Level is how much proof an offload asks for.
type Level string

// Verification levels.
const (
	VerifySize          Level = "size"            // lengths only; never releases a card
	VerifyReadBack      Level = "read-back"       // every byte read back from the drive
	VerifyReadBackTwice Level = "read-back-twice" // and the card read a second time
)

// Medium tells whether a device is still the one that was plugged in.
type Medium interface {
	// Check is cheap: it looks at what the kernel knows already. Only where that
	// may be half the news, as when a medium is just being pulled, is the device
	// itself asked.
	Check() error
	// Confirm asks the device itself, where it can be asked.
	Confirm() error
}

// Card is the source of an offload.
type Card struct {
	FS     FS
	Medium Medium // nil for a plain folder
}

// Drive is one destination of an offload.
type Drive struct {
	ID, Name string
	FS       FS
	Root     *os.Root // the same place as FS, for the manifests
	Medium   Medium   // nil for a plain folder
	Limits   volume.Limits
	// Folder is the finished folder, relative to the drive's root. It must be
	// free, and so must Folder+UnfinishedSuffix unless Resume is set.
	Folder string
	// Resume: the unfinished folder of an earlier run of this very offload is
	// there and may be gone on with.
	Resume bool
	// Held are checksums of files that an earlier run proved in the unfinished
	// folder. They are read back again, and copied only when that fails.
	Held         map[string]Checksums
	FreeBytes    int64
	ReserveBytes int64
	// ReadBackAfter: prove after the last write, since seeking would hurt.
	ReadBackAfter bool
	// Place tells this drive's disks from those of others; it matters with
	// Job.Copies only.
	Place Place
}

// Checksums is what is known of a file's content.
type Checksums struct {
	Sum    string // in the job's algorithm
	Sample string // see [checksum.Sampler]
}

// Job is one offload.
type Job struct {
	Card     Card
	Drives   []Drive
	Plan     *Plan
	Checksum string
	Verify   Level
	// Known are checksums taken when the card was read earlier; a file that
	// reads differently now is not proven.
	Known map[string]Checksums
	// Earlier are the checksums of the card's own manifests, algorithm to
	// value by path.
	Earlier map[string]map[string]string
	Ignore  []string
	Creator mhl.Creator
	// Copies is how many proven copies on distinct disks somebody waits for.
	// A drive beyond them that falls behind is let go, and catches up from a
	// proven copy when those are finished. 0: every drive is waited for.
	Copies int
	// CardDone, if set, is called once, when Copies copies are proven and
	// nothing more will be read from the card; catching up may follow.
	CardDone func()
	// From are finished copies that stand in for the card: their drives are read
	// and not written, and Card is not needed. Folder is where each copy stands,
	// and Held the files that it gives. A file is read from the first of them
	// that has it, and must agree with Known, which has every file of the plan:
	// what has rotted is in Result.Damaged, is had from the next one, and is
	// never passed on.
	From []Drive
	// Incomplete: From hold what was saved of a card that could not be read whole.
	Incomplete bool
	// Damaged, if set, is called as soon as a file of a finished copy turns out to
	// be what Result.Damaged is going to say, from a goroutine of the engine's: what
	// rests on that copy is not to wait for the end of the run.
	Damaged func(driveID, path string)
	// Yield, if set, is called between portions while drives catch up, and for a
	// job with From before all reading. It blocks as long as other work goes
	// first; its error ends the catching up.
	Yield    func(context.Context) error
	Recorder Recorder       // nil: nothing is recorded
	Progress func(Progress) // nil: nobody looks; called from one goroutine
	// Now gives the moment that manifests carry, and whether the clock is trusted.
	Now func() (at time.Time, trusted bool)
	// Patience is how long a drive may take over one call before it is set
	// aside as hung. 0 means a minute.
	Patience time.Duration
	// Attempts is how often one file is written to one drive before the drive
	// is set aside. 0 means 3.
	Attempts int
	// Settle is how long after an I/O error a device is given to disappear
	// before the error is put down to the medium. It must exceed the kernel's
	// polling of removable media, 2 s by default. 0 means 2.5 s.
	Settle   time.Duration
	Portions Portions // zero: the usual sizes
}

// Recorder makes durable notes; the ledger is one. Its errors never stop a
// copy: the first is in the Result. Several goroutines call it at a time.
type Recorder interface {
	// Read notes files that were read from the card.
	Read(ctx context.Context, files []FileSum) error
	// Proven notes files whose read-back agreed, on one drive.
	Proven(ctx context.Context, driveID string, paths []string) error
	// Unproven takes notes of Proven back: the card gave other bytes when it
	// was read a second time, and nobody knows which are right.
	Unproven(ctx context.Context, driveID string, paths []string) error
	// Finishing notes that all files are proven and the manifest is durable;
	// what is left is the rename.
	Finishing(ctx context.Context, driveID, folder string, manifest mhl.Written) error
	// Finished notes that the copy stands under its final name, durably. The
	// folder ends in IncompleteSuffix when the card did not give all files.
	Finished(ctx context.Context, driveID, folder string) error
}

// FileSum is a file and its checksums.
type FileSum struct {
	Entry
	Checksums
}

// Result is how an offload ended. Results are per drive: one bad drive never
// hides a good one.
type Result struct {
	Copies []CopyResult // in the order of Job.Drives
	// Sums holds the checksums of every file that was read whole, by path.
	Sums map[string]Checksums
	// CardErr is set when the card went away or changed, or the run was stopped.
	CardErr error
	// Unreadable are the files that the card did not give, path to reason.
	Unreadable map[string]string
	// Salvaged says of those that gave something, and of those with bad places
	// that gave nothing, which bytes are missing. It is bounded, see
	// [state.BoundSalvages].
	Salvaged []state.Salvage
	// Changed are files that read differently on a second reading.
	Changed []string
	// HistoryBroken are files that disagree with the card's own manifest.
	HistoryBroken []string
	// Damaged are files of finished copies that could not be passed on to
	// another drive, or did not agree with the card any more, by drive id.
	Damaged map[string][]string
	// FromErrs says, in the order of Job.From, why a drive could not be read from
	// any more; nil while it could.
	FromErrs      []error
	RecorderErr   error // the first failure to make a note
	BytesRead     int64
	FlushFailures int
	Mismatches    int
	// ReadBackErrors are files that a drive took and then could not give back.
	ReadBackErrors int
}

// CopyResult is how one copy ended.
type CopyResult struct {
	DriveID, DriveName string
	Folder             string // as it is called now, relative to the drive; empty when nothing was written
	Phase              state.CopyPhase
	Err                error // nil only when proven or, for level size, unproven
	Manifest           mhl.Written
	FilesProven        int
	BytesWritten       int64
	BytesReadBack      int64
	BytesProven        int64
}

// Progress is a look at a running offload.
type Progress struct {
	BytesRead int64
	Copies    []CopyProgress // in the order of Job.Drives
}

// CopyProgress is a look at one running copy.
type CopyProgress struct {
	DriveID       string
	Folder        string
	Phase         state.CopyPhase
	Reason        string
	FilesProven   int
	BytesWritten  int64
	BytesReadBack int64
	BytesProven   int64
}

func (j *Job) patience() time.Duration { return cmp.Or(j.Patience, time.Minute) }
func (j *Job) settle() time.Duration   { return cmp.Or(j.Settle, 2500*time.Millisecond) }
func (j *Job) attempts() int           { return cmp.Or(j.Attempts, 3) }

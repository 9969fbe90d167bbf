// Package mhl reads, writes and verifies ASC MHL v1.0 histories: the checksum
// lists beside a copy that let anybody prove it again, without this program.
//
// Use Append to add a generation, Open or OpenIndex to read what a folder's
// history knows, Verify to prove a folder against it, and Ignore to tell what a
// list leaves out.
//
// It guarantees: a manifest is complete and durable under its final name
// before the chain names it, and the chain is durable when Append returns;
// nothing with a final name is overwritten but the chain, which is replaced in
// one rename; nothing outside the given os.Root is opened; whatever a folder
// holds, memory, depth and the number of entries stay bounded, and what is
// wrong is said in a DamageError.
//
// It won't repair a history, trust a manifest that the chain doesn't name, or
// follow a symbolic link. It hashes only in Verify; the values that Append
// writes are the caller's, who must have read the bytes back. And since nothing
// in the standard signs a chain, a history shows accidents, not a forger who
// rewrites manifests and chain together.
//
// Source throughout: ASC Media Hash List Specification v1.0 of 15 March 2022.
package mhl

import (
	"errors"
	"iter"
	"time"
)

// Action says how a value in a manifest came about.
type Action string

// The actions of the standard.
const (
	Original Action = "original" // first time that this file was hashed
	Verified Action = "verified" // agrees with what an earlier generation says
	Failed   Action = "failed"   // differs from what an earlier generation says
)

// Process says on what occasion a generation was made.
type Process string

// The processes of the standard.
const (
	InPlace  Process = "in-place" // hashed where it lies
	Transfer Process = "transfer" // hashed while it was copied
	Flatten  Process = "flatten"  // several generations drawn together
)

// The names that the standard gives.
const (
	FolderName = "ascmhl"           // the folder that makes its parent a history
	ChainName  = "ascmhl_chain.xml" // the list of manifests in it
)

// The bounds on what is read. Beyond them a history counts as damaged.
const (
	MaxManifestBytes = 256 << 20
	MaxChainBytes    = 16 << 20
	maxGenerations   = 9999    // four digits in a manifest's name
	maxRecords       = 2 << 20 // files and folders in one manifest, and known at all
	maxTotalRecords  = 64 << 20
	maxTotalBytes    = 16 << 30
	maxPathBytes     = 4096
)

// ErrNoHistory says that neither the folder nor any folder below has a history.
var ErrNoHistory = errors.New("no ASC MHL history")

// FileHash is what one generation says about one file.
type FileHash struct {
	Path      string    // with slashes, relative to the history's root
	SizeBytes int64     // -1: not recorded
	ModTime   time.Time // zero: not recorded
	Algorithm string    // one of checksum.Names; "" when read and none is known
	Value     string
	Action    Action
	HashedAt  time.Time // zero: not recorded
	// Others has further algorithms and their values. Append gives them the
	// same action and date.
	Others map[string]string
	// PreviousPath is where the file was when it was last recorded, "" when it
	// hasn't moved.
	PreviousPath string
}

// Creator says who and what made a generation. Each may be empty.
type Creator struct {
	Tool, Version, Hostname, Author, Location, Comment string
}

// Generation is what one manifest says.
type Generation struct {
	// Folder is the name by which the manifest calls its folder: the finished
	// one's, while the work may happen under another. Nested histories take the
	// name of theirs.
	Folder  string
	Process Process
	Creator Creator
	// At is when it is made. With ClockTrusted false the manifest carries a
	// remark that its dates are not to be relied on.
	At           time.Time
	ClockTrusted bool
	// Files, in any order, may lie in nested histories; so may Dirs. Dirs has
	// every folder, the empty ones too; parents of files need not be named.
	// Append changes neither.
	Files []FileHash
	Dirs  []string
	// Each, when it isn't nil, takes the place of Files, so that nobody has to
	// hold them all. Append ranges over it at least twice, from its own
	// goroutine or one that waits for it, and it must yield the same files each
	// time; that it doesn't is an error. It should yield them in the order of a
	// walk that takes what lies in a folder by the bytes of its names, files and
	// folders alike, and goes into a folder at once. Files in another order are
	// collected and sorted first, which costs about 150 bytes for each. Opened
	// histories never have it.
	Each iter.Seq[FileHash]
	// Ignore has patterns besides DefaultIgnore, which is always written.
	Ignore []string
}

// Package checksum offers the hash algorithms of ASC MHL v1.0 under one
// interface, and the sampled second look that catches media which lie about
// their capacity.
//
// It guarantees: a value is spelled as the standard's examples spell it (plain
// lower-case hexadecimal, big endian, seed 0; C4 as its base 58 identifier),
// and a Sampler fed front to back gives the value that SampleReaderAt gives by
// random access.
//
// It won't say anything about where bytes came from: a checksum over bytes out
// of the page cache proves nothing about a medium. The xxHash family finds
// accidents, not forgers; only C4 resists somebody who wants a collision.
package checksum

import (
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"slices"

	"github.com/cespare/xxhash/v2"
	"github.com/zeebo/xxh3"
)

// The names of the algorithms, as they are spelled in a manifest and a policy.
const (
	C4     = "c4"     // SMPTE ST 2114: SHA-512 written in base 58
	MD5    = "md5"    // RFC 1321
	SHA1   = "sha1"   // FIPS 180-4
	XXH128 = "xxh128" // XXH3 with 128 bits
	XXH3   = "xxh3"   // XXH3 with 64 bits
	XXH64  = "xxh64"
)

// ErrUnknown says that a name is none of Names.
var ErrUnknown = errors.New("unknown checksum")

// Hash takes bytes and gives the value of all of them. Write never fails. Sum
// doesn't disturb the state: more may be written afterwards. A Hash belongs to
// one goroutine at a time.
type Hash interface {
	io.Writer
	Sum() string
	// Reset begins anew, for the next file.
	Reset()
}

// Names lists every algorithm in the order in which the standard's schema has
// their elements. The caller owns the slice.
func Names() []string { return []string{C4, MD5, SHA1, XXH128, XXH3, XXH64} }

// Known reports whether name is one of Names.
func Known(name string) bool { return slices.Contains(Names(), name) }

// Fast reports whether the algorithm is quick enough, on a small board too, to
// run on the goroutine that reads: the xxHash family. The others deserve one
// of their own.
func Fast(name string) bool {
	switch name {
	case XXH128, XXH3, XXH64:
		return true
	}
	return false
}

// New begins a checksum. An error is ErrUnknown.
func New(name string) (Hash, error) {
	switch name {
	case C4:
		return &digest{sha512.New(), encodeC4}, nil
	case MD5:
		return &digest{md5.New(), hex.EncodeToString}, nil
	case SHA1:
		return &digest{sha1.New(), hex.EncodeToString}, nil
	case XXH128:
		return &wide{xxh3.New()}, nil
	case XXH3:
		return &digest{xxh3.New(), hex.EncodeToString}, nil
	case XXH64:
		return &digest{xxhash.New(), hex.EncodeToString}, nil
	}
	return nil, fmt.Errorf("begin checksum %q: %w", name, ErrUnknown)
}

// digest is any algorithm that the standard library's interface fits.
type digest struct {
	hash.Hash
	spell func([]byte) string
}

func (d *digest) Sum() string { return d.spell(d.Hash.Sum(nil)) }

// wide is XXH3 with its 128-bit result, which that interface doesn't offer.
type wide struct{ h *xxh3.Hasher }

func (w *wide) Reset() { w.h.Reset() }

func (w *wide) Write(p []byte) (int, error) { return w.h.Write(p) }

func (w *wide) Sum() string {
	sum := w.h.Sum128().Bytes()
	return hex.EncodeToString(sum[:])
}

package checksum

import (
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"sync"

	"github.com/zeebo/xxh3"
)

// The shape of a sample.
const (
	SampleBlockBytes  = 4096    // length and alignment of a sampled block
	SampleStrideBytes = 8 << 20 // distance between two sampled blocks
)

// ErrSampleSize says that a file isn't as long as its sample was announced.
var ErrSampleSize = errors.New("file has another size than announced")

// Offsets gives where the sampled blocks of a file of size bytes begin: every
// stride, and the last block, each once, in ascending order. All are multiples
// of SampleBlockBytes; only the last block may be shorter. It is nil for an
// empty file and for a negative size.
func Offsets(size int64) []int64 {
	if size <= 0 {
		return nil
	}
	last := lastBlock(size)
	offsets := make([]int64, 0, last/SampleStrideBytes+2)
	for at := int64(0); at < last; at += SampleStrideBytes {
		offsets = append(offsets, at)
	}
	return append(offsets, last)
}

func lastBlock(size int64) int64 { return (size - 1) / SampleBlockBytes * SampleBlockBytes }

// Sampler takes the sample of a file that streams past: an xxh128 over the
// file's size (8 bytes, big endian) and its sampled blocks. It copies nothing
// and keeps no block. The zero value is of no use; see NewSampler.
type Sampler struct {
	sum     *xxh3.Hasher
	size    int64
	written int64
	next    int64 // where the next sampled block begins; size when there is none left
}

// NewSampler begins the sample of a file that is announced to have size bytes.
// A negative size is taken as one that no file has: Sum stays empty.
func NewSampler(size int64) *Sampler {
	s := &Sampler{sum: xxh3.New()}
	s.Reset(size)
	return s
}

// Reset begins the sample of another file.
func (s *Sampler) Reset(size int64) {
	beginSample(s.sum, size)
	s.size, s.written, s.next = size, 0, 0
}

func beginSample(h *xxh3.Hasher, size int64) {
	h.Reset()
	var head [8]byte
	binary.BigEndian.PutUint64(head[:], uint64(size))
	h.Write(head[:]) // never fails
}

// hashers are kept: one is larger than most of what a second look reads.
var hashers = sync.Pool{New: func() any { return xxh3.New() }}

// Write takes the file's next bytes. More bytes than announced are
// ErrSampleSize, and then none of p is taken.
func (s *Sampler) Write(p []byte) (int, error) {
	if int64(len(p)) > s.size-s.written {
		return 0, fmt.Errorf("sample file: %w", ErrSampleSize)
	}
	total := len(p)
	for len(p) > 0 && s.next < s.size {
		if skip := s.next - s.written; skip > 0 {
			skip = min(skip, int64(len(p)))
			s.written += skip
			p = p[skip:]
			continue
		}
		end := min(s.next+SampleBlockBytes, s.size)
		take := min(end-s.written, int64(len(p)))
		s.sum.Write(p[:take])
		s.written += take
		p = p[take:]
		if s.written == end {
			s.next = s.after(s.next)
		}
	}
	s.written += int64(len(p))
	return total, nil
}

// after gives where the sampled block behind the one at offset begins.
func (s *Sampler) after(offset int64) int64 {
	last := lastBlock(s.size)
	if offset >= last {
		return s.size
	}
	return min(offset+SampleStrideBytes, last)
}

// Sum gives the sample, 32 hexadecimal digits, or "" as long as the announced
// number of bytes hasn't been written: half a file has no sample.
func (s *Sampler) Sum() string {
	if s.written != s.size {
		return ""
	}
	return spellSample(s.sum)
}

func spellSample(h *xxh3.Hasher) string {
	sum := h.Sum128().Bytes()
	return hex.EncodeToString(sum[:])
}

// SampleReaderAt takes the sample of a file of size bytes by reading only the
// sampled blocks. Every read begins at a multiple of SampleBlockBytes and asks
// for SampleBlockBytes into the front of block, so r may demand alignment; the
// read at the end may come back short, with or without io.EOF. A block of less
// than SampleBlockBytes is replaced by one without any alignment.
//
// A file that turns out shorter, or longer within its last block, is
// ErrSampleSize; other errors are those of r.
func SampleReaderAt(r io.ReaderAt, size int64, block []byte) (string, error) {
	if size < 0 {
		return "", fmt.Errorf("sample file of %d bytes: %w", size, ErrSampleSize)
	}
	if len(block) < SampleBlockBytes {
		block = make([]byte, SampleBlockBytes)
	}
	block = block[:SampleBlockBytes]
	h := hashers.Get().(*xxh3.Hasher)
	defer hashers.Put(h)
	beginSample(h, size)
	for _, at := range Offsets(size) {
		n, err := r.ReadAt(block, at)
		want := min(int64(SampleBlockBytes), size-at)
		switch {
		case err != nil && !errors.Is(err, io.EOF):
			return "", fmt.Errorf("sample file at byte %d: %w", at, err)
		case int64(n) != want:
			return "", fmt.Errorf("sample file at byte %d: %w", at, ErrSampleSize)
		}
		h.Write(block[:n])
	}
	return spellSample(h), nil
}

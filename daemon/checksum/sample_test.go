package checksum

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func TestOffsets(t *testing.T) {
	t.Parallel()
	const stride, block = SampleStrideBytes, SampleBlockBytes
	tests := map[string]struct {
		size int64
		want []int64
	}{
		"negative":              {-1, nil},
		"empty":                 {0, nil},
		"one byte":              {1, []int64{0}},
		"one block":             {block, []int64{0}},
		"a byte more":           {block + 1, []int64{0, block}},
		"one stride":            {stride, []int64{0, stride - block}},
		"a byte more again":     {stride + 1, []int64{0, stride}},
		"stride and a block":    {stride + block, []int64{0, stride}},
		"stride, block, a byte": {stride + block + 1, []int64{0, stride, stride + block}},
		"two strides and a bit": {2*stride + 5, []int64{0, stride, 2 * stride}},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if d := cmp.Diff(tt.want, Offsets(tt.size)); d != "" {
				t.Error(d)
			}
		})
	}
}

// pattern is a file of any size that costs no memory: a byte depends on its
// offset, and on whether it was flipped.
type pattern struct {
	size    int64
	flipped int64 // offset of the changed byte, -1 for none
}

func (p pattern) at(off int64) byte {
	b := byte(uint64(off) * 11400714785074694797 >> 56)
	if off == p.flipped {
		b ^= 1
	}
	return b
}

func (p pattern) ReadAt(buf []byte, off int64) (int, error) {
	if off%SampleBlockBytes != 0 || len(buf) != SampleBlockBytes {
		return 0, errors.New("unaligned read")
	}
	n := int(min(int64(len(buf)), max(0, p.size-off)))
	for i := range buf[:n] {
		buf[i] = p.at(off + int64(i))
	}
	if n < len(buf) {
		return n, io.EOF
	}
	return n, nil
}

// stream writes the file in pieces that cut makes up.
func stream(w io.Writer, p pattern, cut func(most int64) int64) error {
	buf := make([]byte, 3<<20)
	for off := int64(0); off < p.size; {
		n := cut(min(p.size-off, int64(len(buf))))
		for i := range buf[:n] {
			buf[i] = p.at(off + int64(i))
		}
		if _, err := w.Write(buf[:n]); err != nil {
			return err
		}
		off += n
	}
	return nil
}

func borderSize() *rapid.Generator[int64] {
	return rapid.Custom(func(t *rapid.T) int64 {
		border := rapid.SampledFrom([]int64{0, SampleBlockBytes, 2 * SampleBlockBytes, SampleStrideBytes - SampleBlockBytes,
			SampleStrideBytes, SampleStrideBytes + SampleBlockBytes, 2 * SampleStrideBytes}).Draw(t, "border")
		return max(0, border+rapid.Int64Range(-3, 3).Draw(t, "off by"))
	})
}

func TestSampler_equalsRandomAccess(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		file := pattern{size: borderSize().Draw(rt, "size"), flipped: -1}
		pieces := rapid.SliceOfN(rapid.Int64Range(1, 3<<20), 1, 5).Draw(rt, "pieces")
		i := 0
		s := NewSampler(file.size)
		err := stream(s, file, func(most int64) int64 {
			i++
			return min(pieces[i%len(pieces)]+SampleBlockBytes, most)
		})
		if err != nil {
			rt.Fatal(err)
		}
		want, err := SampleReaderAt(file, file.size, nil)
		if err != nil {
			rt.Fatal(err)
		}
		if got := s.Sum(); got != want {
			rt.Fatalf("%d bytes: %s streamed, %s by random access", file.size, got, want)
		}
	})
}

// Single bytes across the borders of the first blocks.
func TestSampler_byteByByte(t *testing.T) {
	t.Parallel()
	for _, size := range []int64{1, SampleBlockBytes, SampleBlockBytes + 1, 3*SampleBlockBytes - 1} {
		file := pattern{size: size, flipped: -1}
		s := NewSampler(size)
		if err := stream(s, file, func(int64) int64 { return 1 }); err != nil {
			t.Fatal(err)
		}
		want, err := SampleReaderAt(file, size, make([]byte, SampleBlockBytes))
		if got := s.Sum(); got != want || err != nil {
			t.Errorf("%d bytes: %s, want %s, %v", size, got, want, err)
		}
	}
}

// The definition, spelled out a second time without either implementation.
func TestSampler_definition(t *testing.T) {
	t.Parallel()
	file := pattern{size: SampleStrideBytes + 3*SampleBlockBytes + 7, flipped: -1}
	h := must(New(XXH128))
	binary.Write(h, binary.BigEndian, file.size)
	block := make([]byte, SampleBlockBytes)
	for _, at := range []int64{0, SampleStrideBytes, SampleStrideBytes + 3*SampleBlockBytes} {
		n, _ := file.ReadAt(block, at)
		h.Write(block[:n])
	}
	got, err := SampleReaderAt(file, file.size, nil)
	if got != h.Sum() || err != nil {
		t.Errorf("SampleReaderAt() = %s, %v, want %s", got, err, h.Sum())
	}
}

func TestSampleReaderAt_seesSampledBytesOnly(t *testing.T) {
	t.Parallel()
	const size = 2*SampleStrideBytes + 100
	whole, err := SampleReaderAt(pattern{size, -1}, size, nil)
	if err != nil {
		t.Fatal(err)
	}
	tests := map[string]struct {
		flipped int64
		seen    bool
	}{
		"first byte":            {0, true},
		"end of first block":    {SampleBlockBytes - 1, true},
		"behind first block":    {SampleBlockBytes, false},
		"before second block":   {SampleStrideBytes - 1, false},
		"second block":          {SampleStrideBytes, true},
		"last byte of the file": {size - 1, true},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			got, err := SampleReaderAt(pattern{size, tt.flipped}, size, nil)
			if err != nil {
				t.Fatal(err)
			}
			if seen := got != whole; seen != tt.seen {
				t.Errorf("flip at %d seen: %v, want %v", tt.flipped, seen, tt.seen)
			}
		})
	}
}

func TestSampleReaderAt_otherSize(t *testing.T) {
	t.Parallel()
	for _, real := range []int64{0, 9_999, 10_001, 4096} {
		if got, err := SampleReaderAt(pattern{real, -1}, 10_000, nil); !errors.Is(err, ErrSampleSize) || got != "" {
			t.Errorf("%d bytes instead of 10000: %q, %v, want ErrSampleSize", real, got, err)
		}
	}
	if _, err := SampleReaderAt(pattern{0, -1}, -1, nil); !errors.Is(err, ErrSampleSize) {
		t.Errorf("negative size: %v", err)
	}
}

type broken struct{ err error }

func (b broken) ReadAt([]byte, int64) (int, error) { return 0, b.err }

func TestSampleReaderAt_passesReadErrors(t *testing.T) {
	t.Parallel()
	want := errors.New("medium error")
	if got, err := SampleReaderAt(broken{want}, 5, nil); !errors.Is(err, want) || got != "" {
		t.Errorf("SampleReaderAt() = %q, %v", got, err)
	}
}

func TestSampler_halfAFileHasNoSample(t *testing.T) {
	t.Parallel()
	s := NewSampler(10)
	if got := s.Sum(); got != "" {
		t.Errorf("Sum() before the first byte = %q", got)
	}
	s.Write(bytes.Repeat([]byte{1}, 9))
	if got := s.Sum(); got != "" {
		t.Errorf("Sum() one byte short = %q", got)
	}
	if n, err := s.Write([]byte{1, 2}); n != 0 || !errors.Is(err, ErrSampleSize) {
		t.Errorf("Write() beyond the end = %d, %v", n, err)
	}
	s.Write([]byte{1})
	if got := s.Sum(); len(got) != 32 {
		t.Errorf("Sum() = %q", got)
	}
	if got := NewSampler(-1).Sum(); got != "" {
		t.Errorf("Sum() of a negative size = %q", got)
	}
}

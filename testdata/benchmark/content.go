package main

import (
	"bufio"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"github.com/zeebo/xxh3"
)

// recipe says what a card holds. The same recipe gives the same bytes anywhere.
type recipe struct {
	seed      uint64
	clips     int
	clipBytes int64
	stills    int   // 0.2 to 2 MB each, evenly spread on a logarithmic scale
	sidecars  int   // under 4 KiB each
	small     int   // as sidecars, without anything they stand beside
	sparse    int64 // bytes of one file that takes no room on the card
}

// item is one file of a recipe.
type item struct {
	name   string
	bytes  int64
	sparse bool
}

const (
	stillLeast, stillSpan = 200_000, 10 // from the least to ten times that
	sidecarMost           = 4095
	perFolder             = 999
)

// list is what the recipe makes, in order.
func (r recipe) list() []item {
	var items []item
	sizes := rand.New(rand.NewPCG(r.seed, 0))
	many := func(n int, ending string, size func() int64) {
		for i := range n {
			name := fmt.Sprintf("DCIM/%dSKUAS/SKUA%04d.%s", 100+i/perFolder, i%perFolder+1, ending)
			items = append(items, item{name: name, bytes: size()})
		}
	}
	many(r.clips, "MOV", func() int64 { return r.clipBytes })
	many(r.stills, "JPG", func() int64 { return int64(stillLeast * math.Pow(stillSpan, sizes.Float64())) })
	many(r.sidecars, "XMP", func() int64 { return 1 + sizes.Int64N(sidecarMost) })
	many(r.small, "THM", func() int64 { return 1 + sizes.Int64N(sidecarMost) })
	if r.sparse > 0 {
		items = append(items, item{name: "DCIM/100SKUAS/LONG0001.MOV", bytes: r.sparse, sparse: true})
	}
	return items
}

func (r recipe) bytes() int64 {
	var sum int64
	for _, i := range r.list() {
		sum += i.bytes
	}
	return sum
}

func (r recipe) files() int { return len(r.list()) }

// content is what was written to a card.
type content struct {
	files int
	bytes int64
	// sums is a file that lists the checksums of the bytes as they were made,
	// in the form that xxhsum reads.
	sums string
}

// shotAt is when the invented clips and pictures were taken.
var shotAt = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

// fill writes a recipe to a disk and waits until it is on the medium.
func fill(ctx context.Context, d *disk, dir string, r recipe) (content, error) {
	c := content{sums: filepath.Join(dir, d.label+".sums")}
	sums, err := os.Create(c.sums)
	if err != nil {
		return c, fmt.Errorf("fill %s: %w", d.label, err)
	}
	defer sums.Close() // closed below as well; this one is for errors
	lines := bufio.NewWriter(sums)
	for n, i := range r.list() {
		if ctx.Err() != nil {
			return c, context.Cause(ctx)
		}
		sum, err := writeItem(filepath.Join(d.point, i.name), i, r.seed, uint64(n))
		if err != nil {
			return c, fmt.Errorf("fill %s: %w", d.label, err)
		}
		fmt.Fprintf(lines, "%x  %s\n", sum, i.name) // Flush reports what went wrong
		c.files++
		c.bytes += i.bytes
	}
	if err := errors.Join(lines.Flush(), sums.Close(), d.flush()); err != nil {
		return c, fmt.Errorf("fill %s: %w", d.label, err)
	}
	return c, nil
}

// writeItem writes one file of random bytes, or of none, and returns the
// checksum (XXH3, 128 bits) of what it gave away.
func writeItem(path string, i item, seed, n uint64) ([16]byte, error) {
	var none [16]byte
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return none, err
	}
	f, err := os.Create(path)
	if err != nil {
		return none, err
	}
	defer f.Close() // closed below as well; this one is for errors
	var key [32]byte
	binary.BigEndian.PutUint64(key[:], seed)
	binary.BigEndian.PutUint64(key[8:], n)
	var source io.Reader = rand.NewChaCha8(key)
	hash := xxh3.New128()
	out := io.MultiWriter(f, hash)
	if i.sparse {
		source, out = zeros{}, hash
		if err := f.Truncate(i.bytes); err != nil {
			return none, err
		}
	}
	if _, err := io.CopyBuffer(onlyWriter{out}, io.LimitReader(source, i.bytes), make([]byte, 256<<10)); err != nil {
		return none, err
	}
	if err := errors.Join(f.Close(), os.Chtimes(path, shotAt, shotAt)); err != nil {
		return none, err
	}
	return hash.Sum128().Bytes(), nil
}

// onlyWriter keeps io.CopyBuffer from going around the buffer.
type onlyWriter struct{ io.Writer }

// zeros is what a sparse file reads as.
type zeros struct{}

func (zeros) Read(p []byte) (int, error) {
	clear(p)
	return len(p), nil
}

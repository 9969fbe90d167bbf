package stories

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"testing"
)

// dataMark stands in every sector that is the content of a file and in no other,
// so that what remains is the file system's own.
const dataMark = "SKUA-DATA-"

// markedData is a file's content: whole sectors, each with the mark.
func markedData(name string, sectors int) []byte {
	var b bytes.Buffer
	for i := range sectors {
		line := fmt.Sprintf("%s%s-%06d\n", dataMark, name, i)
		b.Write(bytes.Repeat([]byte(line), sectorBytes/len(line)+1)[:sectorBytes])
	}
	return b.Bytes()
}

// AddMarked puts a file of marked sectors into the tree.
func (tr Tree) AddMarked(t *testing.T, name string, sectors int) {
	t.Helper()
	tr.Add(t, name, "", 0)
	if err := os.WriteFile(tr.dir+"/"+name, markedData(name, sectors), 0o644); err != nil {
		t.Fatal(err)
	}
	tr.Add(t, name+".XMP", name, 100+sectors)
}

// spoil damages a file system's own sectors, never a file's content. The number
// decides what is done: the same number does the same to the same image. It
// returns in words what was done.
func spoil(image string, number uint64) (string, error) {
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err != nil {
		return "", err
	}
	defer f.Close()
	own, err := ownSectors(f)
	if err != nil || len(own) < 2 {
		return "", fmt.Errorf("find what is the file system's: %d sectors, %w", len(own), err)
	}
	r := rand.New(rand.NewPCG(number, 0))
	// Some file systems have thousands of sectors that hardly matter.
	hits := 1<<r.IntN(8) + len(own)/64
	said := fmt.Sprintf("%d hits on %d sectors:", hits, len(own))
	for range hits {
		at := own[r.IntN(len(own))]
		sector := make([]byte, sectorBytes)
		if _, err := f.ReadAt(sector, at); err != nil {
			return "", err
		}
		what := "a bit"
		switch i := r.IntN(sectorBytes); r.IntN(8) {
		case 0:
			what = "a run of ones"
			for k := i; k < min(i+8, sectorBytes); k++ {
				sector[k] = 0xff
			}
		case 1:
			what = "a run of zeros"
			clear(sector[i:min(i+32, sectorBytes)])
		case 2: // looks sound and is in the wrong place
			what = "another sector"
			if _, err := f.ReadAt(sector, own[r.IntN(len(own))]); err != nil {
				return "", err
			}
		case 3:
			what = "a number"
			binary.LittleEndian.PutUint32(sector[i&^3:], r.Uint32N(1<<r.IntN(32)))
		default:
			sector[i] ^= 1 << r.IntN(8)
		}
		if _, err := f.WriteAt(sector, at); err != nil {
			return "", err
		}
		if hits <= 8 {
			said += fmt.Sprintf(" %s at %#x;", what, at)
		}
	}
	return said, nil
}

// ownSectors finds the sectors that hold something, but no file's content.
func ownSectors(f *os.File) (own []int64, err error) {
	block := make([]byte, 128*sectorBytes)
	empty := make([]byte, sectorBytes)
	for at := int64(0); ; {
		// What was never written reads as zeros; most of a sparse image is that.
		if at, err = nextData(f, at); err != nil {
			return own, nil // no more
		}
		n, err := f.ReadAt(block, at)
		for s := 0; s+sectorBytes <= n; s += sectorBytes {
			sector := block[s : s+sectorBytes]
			if !bytes.Equal(sector, empty) && !bytes.Contains(sector, []byte(dataMark)) {
				own = append(own, at+int64(s))
			}
		}
		if err == io.EOF || n == 0 {
			return own, nil
		}
		if err != nil {
			return nil, err
		}
		at += int64(n)
	}
}

// nextData gives the first place from at on that a sparse file has.
func nextData(f *os.File, at int64) (int64, error) {
	const seekData = 3 // SEEK_DATA, lseek(2)
	next, err := f.Seek(at, seekData)
	return next &^ (sectorBytes - 1), err
}

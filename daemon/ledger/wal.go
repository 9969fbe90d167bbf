package ledger

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"os"
)

// checkLog looks for damage in the write-ahead log beside the database, which
// SQLite would pass over in silence: it stops at the first frame that does not
// fit and takes the rest for a torn commit. After a power cut that is right, for
// every commit is flushed before the next begins: at most one commit can be torn.
// More than one behind the break is damage, and what was committed is lost.
//
// Another process may be writing at this moment; a log that changed while it was
// read is read again.
//
// Source of the format: https://www.sqlite.org/fileformat2.html#the_write_ahead_log
func checkLog(path string) error {
	for range 3 {
		before, err := os.Stat(path)
		if errors.Is(err, os.ErrNotExist) {
			return nil
		}
		if err != nil {
			return err
		}
		found := scanLog(path)
		if found == nil {
			return nil
		}
		after, err := os.Stat(path)
		if err == nil && before.Size() == after.Size() && before.ModTime().Equal(after.ModTime()) {
			return found
		}
	}
	return nil
}

const (
	logHeaderBytes   = 32
	frameHeaderBytes = 24
)

func scanLog(path string) error {
	file, err := os.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	in := bufio.NewReaderSize(file, 1<<20)
	header := make([]byte, logHeaderBytes)
	if _, err := io.ReadFull(in, header); err != nil {
		return nil // shorter than a header: nothing was committed in it
	}
	if allZero(header) {
		return nil // lengthened, but a power cut came before the first byte
	}
	log, err := newLogReader(header)
	if err != nil {
		return fmt.Errorf("%w: %s: %w", ErrDamaged, path, err)
	}
	behind, err := log.commitsBehindBreak(in)
	if err != nil {
		return fmt.Errorf("%w: read %s: %w", ErrDamaged, path, err)
	}
	if behind > 1 {
		return fmt.Errorf("%w: %d commits in %s lie behind a damaged place", ErrDamaged, behind, path)
	}
	return nil
}

// logReader follows the running checksum of a write-ahead log.
type logReader struct {
	words     binary.ByteOrder // of the checksum
	pageBytes int
	salt      uint64
	sum1      uint32
	sum2      uint32
}

func newLogReader(header []byte) (*logReader, error) {
	r := &logReader{words: binary.LittleEndian, salt: binary.BigEndian.Uint64(header[16:])}
	magic, version := binary.BigEndian.Uint32(header), binary.BigEndian.Uint32(header[4:])
	if magic == 0x377f0683 {
		r.words = binary.BigEndian
	}
	size := binary.BigEndian.Uint32(header[8:])
	if magic&^1 != 0x377f0682 || version != 3007000 || size < 512 || size > 65536 || size&(size-1) != 0 {
		return nil, errors.New("its header is no header of a write-ahead log")
	}
	r.pageBytes = int(size)
	r.add(header[:24])
	if !r.fits(header[24:]) {
		return nil, errors.New("the checksum of its header does not fit")
	}
	return r, nil
}

// add continues the checksum over data, whose length is a multiple of eight.
func (r *logReader) add(data []byte) {
	for ; len(data) >= 8; data = data[8:] {
		r.sum1 += r.words.Uint32(data) + r.sum2
		r.sum2 += r.words.Uint32(data[4:]) + r.sum1
	}
}

func (r *logReader) fits(stored []byte) bool {
	return binary.BigEndian.Uint32(stored) == r.sum1 && binary.BigEndian.Uint32(stored[4:]) == r.sum2
}

// commitsBehindBreak counts the commits of this log from its first unfitting
// frame on. Frames of an earlier use of the file carry another salt.
func (r *logReader) commitsBehindBreak(in io.Reader) (int, error) {
	frame := make([]byte, frameHeaderBytes+r.pageBytes)
	behind, unbroken := 0, true
	for {
		_, err := io.ReadFull(in, frame)
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return behind, nil
		}
		if err != nil {
			return 0, err
		}
		ours := binary.BigEndian.Uint64(frame[8:]) == r.salt
		if unbroken {
			r.add(frame[:8])
			r.add(frame[frameHeaderBytes:])
			unbroken = ours && r.fits(frame[16:])
		}
		if isCommit := binary.BigEndian.Uint32(frame[4:]) != 0; !unbroken && ours && isCommit {
			behind++
		}
	}
}

func allZero(data []byte) bool {
	for _, b := range data {
		if b != 0 {
			return false
		}
	}
	return true
}

package checksum

import (
	"bytes"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha512"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"

	"github.com/cespare/xxhash/v2"
	"github.com/zeebo/xxh3"
)

// DigestBytes gives the length of an algorithm's digest, 0 for one that is none
// of Names.
func DigestBytes(name string) int {
	switch name {
	case C4:
		return c4DigestBytes
	case MD5, XXH128:
		return 16
	case SHA1:
		return 20
	case XXH3, XXH64:
		return 8
	}
	return 0
}

// Decode turns a value back into its digest. Hexadecimal may come in either
// case, since other writers use both. An error is ErrUnknown or says what is
// wrong with the value.
func Decode(name, value string) ([]byte, error) {
	return AppendDigest(nil, name, value)
}

// AppendDigest is Decode that puts the digest behind dst, for callers that have
// many to decode. With an error it gives dst as it was.
func AppendDigest(dst []byte, name, value string) ([]byte, error) {
	size := DigestBytes(name)
	if size == 0 {
		return dst, fmt.Errorf("decode checksum %q: %w", name, ErrUnknown)
	}
	if name == C4 {
		return appendC4(dst, value)
	}
	if len(value) != hex.EncodedLen(size) {
		return dst, fmt.Errorf("decode %s: %d characters instead of %d", name, len(value), hex.EncodedLen(size))
	}
	sum := dst
	for i := 0; i < len(value); i += 2 {
		high, low := nibble(value[i]), nibble(value[i+1])
		if high|low > 0xf {
			_, err := hex.DecodeString(value) // says which character
			return dst, fmt.Errorf("decode %s: %w", name, err)
		}
		sum = append(sum, high<<4|low)
	}
	return sum, nil
}

// nibble gives what a hexadecimal digit stands for, 0xff for another character.
func nibble(c byte) byte {
	switch {
	case c >= '0' && c <= '9':
		return c - '0'
	case c|0x20 >= 'a' && c|0x20 <= 'f':
		return (c | 0x20) - 'a' + 10
	}
	return 0xff
}

// AppendSum puts the digest of data behind dst. An error is ErrUnknown.
func AppendSum(dst []byte, name string, data []byte) ([]byte, error) {
	switch name {
	case C4:
		sum := sha512.Sum512(data)
		return append(dst, sum[:]...), nil
	case MD5:
		sum := md5.Sum(data)
		return append(dst, sum[:]...), nil
	case SHA1:
		sum := sha1.Sum(data)
		return append(dst, sum[:]...), nil
	case XXH128:
		sum := xxh3.Hash128(data).Bytes()
		return append(dst, sum[:]...), nil
	case XXH3:
		return binary.BigEndian.AppendUint64(dst, xxh3.Hash(data)), nil
	case XXH64:
		return binary.BigEndian.AppendUint64(dst, xxhash.Sum64(data)), nil
	}
	return dst, fmt.Errorf("take checksum %q: %w", name, ErrUnknown)
}

// Encode spells a digest. An error is ErrUnknown or a wrong length.
func Encode(name string, sum []byte) (string, error) {
	switch size := DigestBytes(name); {
	case size == 0:
		return "", fmt.Errorf("encode checksum %q: %w", name, ErrUnknown)
	case size != len(sum):
		return "", fmt.Errorf("encode %s: %d bytes instead of %d", name, len(sum), size)
	}
	if name == C4 {
		return encodeC4(sum), nil
	}
	return hex.EncodeToString(sum), nil
}

// Equal reports whether two values of one algorithm mean the same digest. A
// value that can't be decoded equals nothing, not even itself.
func Equal(name, a, b string) bool {
	x, err := Decode(name, a)
	if err != nil {
		return false
	}
	y, err := Decode(name, b)
	return err == nil && bytes.Equal(x, y)
}

const (
	c4DigestBytes = 64
	c4Digits      = 88 // ceil(512 / log2(58))
	c4Prefix      = "c4"
	c4Alphabet    = "123456789ABCDEFGHJKLMNPQRSTUVWXYZabcdefghijkmnopqrstuvwxyz"
)

var errC4 = errors.New("not a C4 identifier")

// Five digits of base 58 fit into 32 bits, so that a digest is worked on in
// words of that size instead of digit by digit.
const (
	c4Words      = c4DigestBytes / 4
	c4Group      = 5
	c4GroupValue = 58 * 58 * 58 * 58 * 58
)

// encodeC4 writes the digest as a big-endian number in base 58, padded on the
// left with the digit for zero.
func encodeC4(sum []byte) string {
	var number [c4Words]uint32
	for i := range number {
		number[i] = binary.BigEndian.Uint32(sum[4*i:])
	}
	var out [len(c4Prefix) + c4Digits]byte
	copy(out[:], c4Prefix)
	for end := len(out); end > len(c4Prefix); end -= c4Group {
		rest := uint64(0)
		for i, word := range number {
			rest = rest<<32 | uint64(word)
			number[i] = uint32(rest / c4GroupValue)
			rest %= c4GroupValue
		}
		for i := end - 1; i >= max(end-c4Group, len(c4Prefix)); i-- {
			out[i] = c4Alphabet[rest%uint64(len(c4Alphabet))]
			rest /= uint64(len(c4Alphabet))
		}
	}
	return string(out[:])
}

func appendC4(dst []byte, id string) ([]byte, error) {
	if len(id) != len(c4Prefix)+c4Digits || !strings.HasPrefix(id, c4Prefix) {
		return dst, fmt.Errorf("decode c4: %w", errC4)
	}
	var number [c4Words]uint32
	for rest := id[len(c4Prefix):]; rest != ""; {
		group := rest[:min(c4Group, len(rest))]
		rest = rest[len(group):]
		value, factor := uint64(0), uint64(1)
		for i := range len(group) {
			digit := strings.IndexByte(c4Alphabet, group[i])
			if digit < 0 {
				return dst, fmt.Errorf("decode c4: %w", errC4)
			}
			value = value*uint64(len(c4Alphabet)) + uint64(digit)
			factor *= uint64(len(c4Alphabet))
		}
		for i := len(number) - 1; i >= 0; i-- {
			value += uint64(number[i]) * factor
			number[i] = uint32(value)
			value >>= 32
		}
		if value != 0 { // 88 digits of base 58 reach a little beyond 2^512
			return dst, fmt.Errorf("decode c4: %w", errC4)
		}
	}
	for _, word := range number {
		dst = binary.BigEndian.AppendUint32(dst, word)
	}
	return dst, nil
}

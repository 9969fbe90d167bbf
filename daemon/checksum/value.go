package checksum

import (
	"bytes"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
)

// digestBytes gives the length of an algorithm's digest, 0 when unknown.
func digestBytes(name string) int {
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
	size := digestBytes(name)
	if size == 0 {
		return nil, fmt.Errorf("decode checksum %q: %w", name, ErrUnknown)
	}
	if name == C4 {
		return decodeC4(value)
	}
	if len(value) != hex.EncodedLen(size) {
		return nil, fmt.Errorf("decode %s: %d characters instead of %d", name, len(value), hex.EncodedLen(size))
	}
	sum, err := hex.DecodeString(value)
	if err != nil {
		return nil, fmt.Errorf("decode %s: %w", name, err)
	}
	return sum, nil
}

// Encode spells a digest. An error is ErrUnknown or a wrong length.
func Encode(name string, sum []byte) (string, error) {
	switch size := digestBytes(name); {
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

// encodeC4 writes the digest as a big-endian number in base 58, padded on the
// left with the digit for zero.
func encodeC4(sum []byte) string {
	number := bytes.Clone(sum)
	var out [len(c4Prefix) + c4Digits]byte
	copy(out[:], c4Prefix)
	for i := len(out) - 1; i >= len(c4Prefix); i-- {
		rest := 0
		for j, b := range number {
			rest = rest<<8 | int(b)
			number[j] = byte(rest / len(c4Alphabet))
			rest %= len(c4Alphabet)
		}
		out[i] = c4Alphabet[rest]
	}
	return string(out[:])
}

func decodeC4(id string) ([]byte, error) {
	if len(id) != len(c4Prefix)+c4Digits || !strings.HasPrefix(id, c4Prefix) {
		return nil, fmt.Errorf("decode c4: %w", errC4)
	}
	number := make([]byte, c4DigestBytes)
	for _, digit := range []byte(id[len(c4Prefix):]) {
		carry := strings.IndexByte(c4Alphabet, digit)
		if carry < 0 {
			return nil, fmt.Errorf("decode c4: %w", errC4)
		}
		for j := len(number) - 1; j >= 0; j-- {
			carry += int(number[j]) * len(c4Alphabet)
			number[j] = byte(carry)
			carry >>= 8
		}
		if carry != 0 { // 88 digits of base 58 reach a little beyond 2^512
			return nil, fmt.Errorf("decode c4: %w", errC4)
		}
	}
	return number, nil
}

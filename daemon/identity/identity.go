// Package identity reads and writes what a drive says of itself: the few lines
// of `.bothy/drive.toml`.
//
// It guarantees: an identity that Parse takes has an id as New makes them and a
// name that can be shown as it is. It opens no files; whoever does sees to it
// that no more than MaxBytes come. It will not say whether two drives with one
// identity are the same one.
package identity

import (
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/pelletier/go-toml/v2"
)

// MaxBytes bounds an identity; more than that is none of ours.
const MaxBytes = 16 << 10

// Identity says which drive a drive is.
type Identity struct {
	ID       string    `toml:"id"`   // made at random when the drive was enrolled
	Name     string    `toml:"name"` // what people call it
	Enrolled time.Time `toml:"enrolled"`
	Box      string    `toml:"box"` // the box that enrolled it
	Retired  bool      `toml:"retired,omitempty"`
}

// New makes the identity of a drive that has none.
func New(name, box string, at time.Time) Identity {
	return Identity{ID: strings.ToLower(rand.Text()[:16]), Name: name, Enrolled: at, Box: box}
}

// Parse reads an identity. What a drive says is hostile input.
func Parse(data []byte) (Identity, error) {
	var id Identity
	if err := toml.Unmarshal(data, &id); err != nil {
		return Identity{}, err
	}
	if !validID(id.ID) {
		return Identity{}, errors.New("the id is not one of ours")
	}
	if err := CheckName(id.Name); err != nil {
		return Identity{}, err
	}
	return id, nil
}

// Bytes are what Parse reads.
func (id Identity) Bytes() ([]byte, error) {
	data, err := toml.Marshal(id)
	if err != nil {
		return nil, fmt.Errorf("write identity: %w", err)
	}
	return append([]byte("# This drive's identity. Do not copy it to another drive.\n"), data...), nil
}

func validID(id string) bool {
	if len(id) < 8 || len(id) > 64 {
		return false
	}
	return strings.IndexFunc(id, func(r rune) bool {
		return r != '-' && (r < '0' || r > '9') && (r < 'a' || r > 'z')
	}) < 0
}

// CheckName says what is wrong with a drive's name: 1 to 64 printable
// characters.
func CheckName(name string) error {
	if n := utf8.RuneCountInString(name); n < 1 || n > 64 || !utf8.ValidString(name) {
		return errors.New("a drive's name has 1 to 64 characters")
	}
	if strings.IndexFunc(name, func(r rune) bool { return !unicode.IsPrint(r) }) >= 0 {
		return errors.New("a drive's name has printable characters only")
	}
	return nil
}

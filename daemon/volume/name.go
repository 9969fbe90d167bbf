package volume

import (
	"errors"
	"fmt"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// NameError says why a file system cannot hold a name.
type NameError struct {
	Name   string
	FSType string
	Reason string
}

func (e *NameError) Error() string {
	return fmt.Sprintf("name %q on %s: %s", e.Name, e.FSType, e.Reason)
}

// CheckName reports why the file system cannot hold element, a single name
// without slashes, exactly as it is; nil when it can. The error is a *NameError.
func (l Limits) CheckName(element string) error {
	if reason := l.nameFault(element); reason != "" {
		return &NameError{Name: element, FSType: l.FSType, Reason: reason}
	}
	return nil
}

func (l Limits) nameFault(element string) string {
	switch {
	case element == "":
		return "it is empty"
	case element == "." || element == "..":
		return "it means a folder, not a name"
	case strings.ContainsAny(element, "/\x00"):
		return "it holds a slash or a NUL byte"
	case l.MaxNameBytes > 0 && len(element) > l.MaxNameBytes:
		return fmt.Sprintf("it has %d bytes, the limit is %d", len(element), l.MaxNameBytes)
	case l.UTF8Only && !utf8.ValidString(element):
		return "it is not valid UTF-8"
	}
	if n := len(utf16.Encode([]rune(element))); l.MaxNameUTF16 > 0 && n > l.MaxNameUTF16 {
		return fmt.Sprintf("it has %d UTF-16 units, the limit is %d", n, l.MaxNameUTF16)
	}
	if i := strings.IndexAny(element, l.Forbidden); i >= 0 && l.Forbidden != "" {
		return fmt.Sprintf("the character %q is not allowed", element[i])
	}
	if l.ForbidsControl {
		if i := strings.IndexFunc(element, func(r rune) bool { return r < 0x20 }); i >= 0 {
			return fmt.Sprintf("the control character U+%04X is not allowed", element[i])
		}
	}
	if last := element[len(element)-1]; l.NoTrailingDotSpace && (last == '.' || last == ' ') {
		return "it ends in a dot or a space, which would be dropped"
	}
	return ""
}

// Fold maps a name to what the file system takes for the same name: two names
// of one folder with equal folds cannot both be kept.
//
// FAT, exFAT and NTFS compare UTF-16 units after an up-case table that each
// volume may bring along (exFAT specification, 7.2). Fold uses Unicode's simple
// upper case on the basic plane instead, which joins a few more names than the
// tables in use do: in doubt two names count as one. ext4, XFS and Btrfs compare
// bytes. None of these joins composed and decomposed spelling; see [Alike].
func (l Limits) Fold(element string) string {
	if l.FoldsUnicode {
		element = norm.NFC.String(element)
	}
	if !l.CaseInsensitive {
		return element
	}
	return strings.Map(func(r rune) rune {
		if r > 0xFFFF {
			return r
		}
		if up := unicode.ToUpper(r); up <= 0xFFFF {
			return up
		}
		return r
	}, element)
}

// Clash reports whether two different names cannot stand in one folder.
func (l Limits) Clash(a, b string) bool { return l.Fold(a) == l.Fold(b) }

// Alike reports whether two different names look the same because one is
// composed and the other decomposed (Unicode NFC and NFD). No file system of
// [LimitsOf] takes them for one name, so both are kept; a program that
// normalises names later may confuse them, which is worth a word to the user.
func Alike(a, b string) bool {
	return a != b && norm.NFC.String(a) == norm.NFC.String(b)
}

// CheckFile reports why the file system cannot hold a file of sizeBytes; nil
// when it can.
func (l Limits) CheckFile(sizeBytes int64) error {
	if sizeBytes < 0 {
		return errors.New("a file cannot have a negative size")
	}
	if l.MaxFileBytes > 0 && sizeBytes > l.MaxFileBytes {
		return fmt.Errorf("a file of %d bytes does not fit on %s: the limit is %d bytes", sizeBytes, l.FSType, l.MaxFileBytes)
	}
	return nil
}

package policy

import (
	"fmt"
	"math"
	"math/big"
	"strings"
)

// SizeRange is a range of sizes in bytes, both ends included. Zero ends are
// open; the zero value holds every size.
type SizeRange struct {
	MinBytes int64
	MaxBytes int64
	Text     string // as written in the policy
}

// Contains reports whether sizeBytes lies in the range.
func (r SizeRange) Contains(sizeBytes int64) bool {
	return sizeBytes >= r.MinBytes && (r.MaxBytes == 0 || sizeBytes <= r.MaxBytes)
}

func (r SizeRange) given() bool { return r.MinBytes != 0 || r.MaxBytes != 0 }

// unit factors follow IEC 80000-13: kB, MB ... are powers of 1000, KiB, MiB
// ... of 1024.
var (
	unitNames   = []string{"B", "kB", "MB", "GB", "TB", "PB", "KiB", "MiB", "GiB", "TiB", "PiB"}
	unitFactors = map[string]int64{
		"B": 1, "kB": 1e3, "MB": 1e6, "GB": 1e9, "TB": 1e12, "PB": 1e15,
		"KiB": 1 << 10, "MiB": 1 << 20, "GiB": 1 << 30, "TiB": 1 << 40, "PiB": 1 << 50,
	}
)

// parseSize reads a size like "4GB", "1.5 TB" or "512MiB".
func parseSize(s string) (int64, *flaw) {
	const form = `a size is a number and a unit, like "4GB" (decimal) or "4GiB" (binary)`
	if strings.Contains(s, "..") {
		return 0, flawf(form, "%s is a range and not one size", quoted(s))
	}
	digits := 0
	for digits < len(s) && (s[digits] >= '0' && s[digits] <= '9' || s[digits] == '.') {
		digits++
	}
	number, unit := s[:digits], strings.TrimLeft(s[digits:], " ")
	whole, fraction, dotted := strings.Cut(number, ".")
	if whole == "" || dotted && fraction == "" || strings.Contains(fraction, ".") || len(number) > 30 {
		return 0, flawf(form, "%s is not a size", quoted(s))
	}
	factor, ok := unitFactors[unit]
	if !ok {
		if unit == "" {
			return 0, flawf(form, "%s has no unit", quoted(s))
		}
		hint := "known are " + strings.Join(unitNames, ", ")
		for _, name := range unitNames {
			if strings.EqualFold(name, unit) || strings.EqualFold(name, unit+"B") {
				hint = `did you mean "` + name + `"?`
				break
			}
		}
		return 0, &flaw{message: fmt.Sprintf("%s is not a unit of size", quoted(unit)), hint: hint, offset: len(s) - len(unit)}
	}
	exact, ok := new(big.Rat).SetString(number)
	if !ok {
		return 0, flawf(form, "%s is not a size", quoted(s))
	}
	exact.Mul(exact, new(big.Rat).SetInt64(factor))
	if !exact.IsInt() {
		return 0, flawf("", "%s is not a whole number of bytes", quoted(s))
	}
	if !exact.Num().IsInt64() {
		return 0, flawf("", "%s is more than %d bytes", quoted(s), int64(math.MaxInt64))
	}
	return exact.Num().Int64(), nil
}

// parseRange reads a range like "4GB..1TB", "4GB.." or "..1TB".
func parseRange(s string) (SizeRange, *flaw) {
	const form = `write a range, like "4GB..1TB", "4GB.." or "..1TB"`
	low, high, ok := strings.Cut(s, "..")
	if !ok {
		return SizeRange{}, flawf(form, "%s is not a range of sizes", quoted(s))
	}
	r := SizeRange{Text: s}
	var f *flaw
	if low := strings.TrimSpace(low); low != "" {
		if r.MinBytes, f = parseSize(low); f != nil {
			f.offset += strings.Index(s, low)
			return SizeRange{}, f
		}
	}
	if high := strings.TrimSpace(high); high != "" {
		if r.MaxBytes, f = parseSize(high); f != nil {
			f.offset += len(s) - len(strings.TrimLeft(s[strings.Index(s, "..")+2:], " \t"))
			return SizeRange{}, f
		}
		if r.MaxBytes == 0 {
			return SizeRange{}, flawf(form, "nothing is as small as %s", quoted(high))
		}
	}
	switch {
	case !r.given():
		return SizeRange{}, flawf(form, "%s bounds nothing", quoted(s))
	case r.MaxBytes != 0 && r.MinBytes > r.MaxBytes:
		return SizeRange{}, flawf("the smaller size comes first", "no size lies in %s", quoted(s))
	}
	return r, nil
}

// sizeText is a size for people, in decimal units.
func sizeText(sizeBytes int64) string {
	units := []string{"kB", "MB", "GB", "TB", "PB", "EB"}
	if sizeBytes < 1000 {
		return fmt.Sprintf("%d B", sizeBytes)
	}
	x := float64(sizeBytes)
	unit := ""
	for _, unit = range units {
		x /= 1000
		if x < 999.95 {
			break
		}
	}
	return fmt.Sprintf("%.1f %s", x, unit)
}

package policy

import (
	"net/netip"
	"path"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Bounds on what a policy may hold; all lengths in bytes.
const (
	maxFileBytes    = 64 << 10 // the TOML decoder takes square time for hostile text
	maxRules        = 100      // of one kind
	maxListLength   = 64       // values under one key
	maxPattern      = 256
	maxName         = 40
	maxPath         = 1024
	minReserveBytes = 1_000_000 // manifests and the ledger's copy need room
)

// checkName accepts what can stand in sentences, metrics and folder names alike.
func checkName(s string) *flaw {
	const form = "use letters, digits, dots, dashes and underlines, beginning with a letter or digit"
	switch {
	case s == "":
		return flawf(form, "it is empty")
	case len(s) > maxName:
		return flawf("", "%s is longer than %d characters", quoted(s), maxName)
	}
	for i, r := range s {
		alphanumeric := r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9'
		if !alphanumeric && (i == 0 || !strings.ContainsRune("._-", r)) {
			return &flaw{message: quoted(s) + " is not a name: " + strconv.QuoteRune(r) + " cannot stand there", hint: form, offset: i}
		}
	}
	if strings.HasSuffix(s, ".") {
		return &flaw{message: quoted(s) + " is not a name: a dot cannot end it", hint: form, offset: len(s) - 1}
	}
	return nil
}

// checkLine accepts one printable line that is not blank.
func checkLine(s string, most int) *flaw {
	if strings.TrimSpace(s) == "" {
		return flawf("leave it out instead", "it is empty")
	}
	if len(s) > most {
		return flawf("", "%s is longer than %d bytes", quoted(s), most)
	}
	for i, r := range s {
		if r == utf8.RuneError || !unicode.IsPrint(r) {
			return &flaw{message: quoted(s) + " holds a character that cannot be printed", offset: i}
		}
	}
	return nil
}

func checkPattern(s string) *flaw {
	if f := checkLine(s, maxPattern); f != nil {
		return f
	}
	_, f := parseGlob(s)
	return f
}

// checkHolds accepts a slash path of globs below the root of a card.
func checkHolds(s string) *flaw {
	const form = `write a path from the top of the card, like "DCIM/*"`
	if f := checkLine(s, maxPattern); f != nil {
		return f
	}
	offset := 0
	elements := strings.Split(s, "/")
	for _, element := range elements {
		switch {
		case element == "" || element == "." || element == "..":
			return &flaw{message: quoted(s) + " is not a path on a card", hint: form, offset: offset}
		case strings.Contains(element, "**"):
			return &flaw{message: `"**" is not known here`, hint: `"*" stands for one name; name each folder on the way`, offset: offset}
		}
		if _, f := parseGlob(element); f != nil {
			f.offset += offset
			return f
		}
		offset += len(element) + 1
	}
	if len(elements) > maxHoldsDepth {
		return flawf("", "%s is deeper than %d folders", quoted(s), maxHoldsDepth)
	}
	return nil
}

// checkIgnore does not judge the syntax of the pattern: that is the business
// of whoever matches it.
func checkIgnore(s string) *flaw {
	if f := checkLine(s, maxPattern); f != nil {
		if f.message == "it is empty" {
			f.hint = "a blank line ignores nothing"
		}
		return f
	}
	if strings.HasPrefix(s, "#") {
		return flawf(`write \# for a name that begins with it`, "%s is a comment and ignores nothing", quoted(s))
	}
	return nil
}

func checkProperty(s string) *flaw {
	for i, r := range s {
		if !(r >= 'A' && r <= 'Z' || r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || strings.ContainsRune("_.:-", r)) {
			return &flaw{message: quoted(s) + " is not a udev property", hint: "a property is a name like ID_DRIVE_FLASH_SD", offset: i}
		}
	}
	if s == "" || len(s) > 128 {
		return flawf("a property is a name like ID_DRIVE_FLASH_SD", "%s is not a udev property", quoted(s))
	}
	return nil
}

func checkDrivePath(s string) *flaw {
	if s == "/" {
		return flawf("name the folder that copies go to", "the root of the running system cannot be a drive")
	}
	return checkPath(s, "/mnt/nas")
}

func checkPath(s, like string) *flaw {
	if f := checkLine(s, maxPath); f != nil {
		return f
	}
	switch {
	case !path.IsAbs(s):
		return flawf(`write it from the root and without detours, like "`+like+`"`, "%s is not an absolute path", quoted(s))
	case path.Clean(s) != s:
		return flawf(`write "`+path.Clean(s)+`"`, "%s is a path with detours", quoted(s))
	}
	return nil
}

func checkLED(s string) *flaw {
	if f := checkLine(s, maxPattern); f != nil {
		return f
	}
	if i := strings.IndexByte(s, '/'); i >= 0 || s == "." || s == ".." {
		return &flaw{message: quoted(s) + " is not the name of an LED", hint: `give the name alone, as ls /sys/class/leds shows it`, offset: max(i, 0)}
	}
	return nil
}

// checkListen accepts HOST:PORT with an address or a host name, which may be
// empty for every address of the machine.
func checkListen(s string) *flaw {
	const form = `write HOST:PORT, like "` + DefaultListen + `", or "off"`
	i := strings.LastIndexByte(s, ':')
	if i < 0 {
		return flawf(form, "%s has no port", quoted(s))
	}
	if _, err := strconv.ParseUint(s[i+1:], 10, 16); err != nil {
		return &flaw{message: quoted(s[i+1:]) + " is not a port", hint: "a port is a number from 0 to 65535; 0 takes any that is free", offset: i + 1}
	}
	host := s[:i]
	if inner, ok := strings.CutPrefix(host, "["); ok {
		inner, closed := strings.CutSuffix(inner, "]")
		if addr, err := netip.ParseAddr(inner); err != nil || !closed || !addr.Is6() {
			return flawf(form, "%s is not an IPv6 address in brackets", quoted(host))
		}
		return nil
	}
	for _, r := range host {
		if !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '.' || r == '-') {
			return flawf(form, "%s is not a host", quoted(host))
		}
	}
	return nil
}

// loadZone loads an IANA time zone. "Local" is refused: what a day means must
// not depend on how the machine is set up.
func loadZone(name string) (*time.Location, *flaw) {
	const form = `give an IANA name, like "Atlantic/Faroe", or "UTC"`
	if f := checkLine(name, maxPattern); f != nil {
		f.hint = form
		return nil, f
	}
	location, err := time.LoadLocation(name)
	if err != nil || name == "Local" {
		return nil, flawf(form, "%s is not a time zone", quoted(name))
	}
	return location, nil
}

package supply

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strconv"
	"strings"
)

// Bounds of what is read. A real attribute is a word or a number.
const (
	maxSources   = 64
	maxAttribute = 64 // bytes
)

// Read looks at every source that the folder of the class shows. It may hang, as a
// driver may.
func Read(class fs.FS) Reading {
	names, err := list(class)
	if errors.Is(err, fs.ErrNotExist) {
		return sum(nil)
	}
	if err != nil {
		return Reading{HasBattery: true, Note: fmt.Sprintf("list the supplies: %v", err), Doubtful: true}
	}
	var sources []source
	for _, name := range names {
		if s, ok := parse(name, func(attribute string) (string, error) { return read(class, path.Join(name, attribute)) }); ok {
			sources = append(sources, s)
		}
	}
	return sum(sources)
}

func list(class fs.FS) (names []string, err error) {
	f, err := class.Open(".")
	if err != nil {
		return nil, err
	}
	defer f.Close()
	dir, ok := f.(fs.ReadDirFile)
	if !ok {
		return nil, errors.New("it is no folder")
	}
	entries, err := dir.ReadDir(maxSources + 1)
	if err != nil && !errors.Is(err, io.EOF) {
		return nil, err
	}
	if len(entries) > maxSources {
		return nil, fmt.Errorf("there are more than %d", maxSources)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names, nil
}

// read gives an attribute without the line's end. One that is not there is empty.
func read(class fs.FS, name string) (string, error) {
	f, err := class.Open(name)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, maxAttribute+1))
	if err == nil && len(data) > maxAttribute {
		err = fmt.Errorf("read %.80q: it is longer than %d bytes", name, maxAttribute)
	}
	if err != nil {
		return "", err
	}
	return strings.TrimSpace(string(data)), nil
}

// parse makes a source of an entry's attributes; not ok is what neither feeds the
// box nor is a battery of it. An attribute that is not there is empty.
func parse(name string, attribute func(string) (string, error)) (s source, ok bool) {
	s = source{name: name, percent: -1}
	get := func(which string) string {
		text, err := attribute(which)
		if err != nil && s.unread == nil {
			s.unread = err
		}
		return text
	}
	kind := get("type")
	if get("scope") == "Device" {
		return s, false
	}
	switch {
	case kind == "Battery" || kind == "UPS":
		s.battery = true
		if get("present") == "0" {
			return s, false
		}
		s.status = get("status")
		s.measure(attribute)
	case kind == "Mains" || kind == "Wireless" || strings.HasPrefix(kind, "USB"):
		s.online = get("online")
	default:
		return s, s.unread != nil // it may be either
	}
	return s, true
}

// measure finds out how full a battery is. Drivers show attributes that they cannot
// give: only when none of them tells that matters.
func (s *source) measure(attribute func(string) (string, error)) {
	var unread error
	get := func(which string) (int64, bool) {
		text, err := attribute(which)
		if unread == nil {
			unread = err
		}
		n, err := strconv.ParseInt(text, 10, 64)
		return n, err == nil && n >= 0
	}
	if p, ok := get("capacity"); ok && p <= 100 {
		s.percent = int(p)
	}
	for _, unit := range []string{"energy", "charge"} {
		now, ok := get(unit + "_now")
		full, ok2 := get(unit + "_full")
		if ok && ok2 && full > 0 {
			s.now, s.full, s.energy = now, full, unit == "energy"
			break
		}
	}
	if s.percent < 0 && s.full == 0 && s.unread == nil {
		s.unread = unread
	}
}

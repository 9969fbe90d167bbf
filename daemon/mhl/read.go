package mhl

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strconv"
	"strings"

	"bothy/daemon/checksum"
)

// The namespaces of the standard.
const (
	manifestSpace = "urn:ASC:MHL:v2.0"
	chainSpace    = "urn:ASC:MHL:DIRECTORY:v2.0"
)

// Reference names a nested history's manifest and its C4 identifier.
type Reference struct{ Path, C4 string }

// manifest is what was read from one file.
type manifest struct {
	Generation
	References []Reference
	// moved has, for a folder, where it was before.
	moved map[string]string
	// folders says that the manifest records folders at all.
	folders bool
}

var (
	errPath    = errors.New("a path leads out of the folder or can't be a path")
	errRecords = errors.New("it lists more files and folders than this program takes")
)

// manifestReader reads one manifest.
type manifestReader struct {
	doc    *document
	result *manifest
	left   int  // how many records this manifest may still have
	total  *int // how many all of them may still have
	take   func(FileHash) error
}

// readManifest hands files to take, in their order, and gives the rest. Until
// it returns without an error, and the text turns out to be what the chain
// says, the files may be anything.
func readManifest(r io.Reader, total *int, take func(FileHash) error) (*manifest, error) {
	m := &manifestReader{newDocument(r, manifestSpace), &manifest{moved: map[string]string{}}, maxRecords, total, take}
	err := m.doc.root("hashlist", func(start xml.StartElement) error {
		if v := attribute(start, "version"); v != "2.0" {
			return fmt.Errorf("it has version %.20q instead of 2.0", v)
		}
		return m.doc.children(m.section)
	})
	if err != nil {
		return nil, err
	}
	return m.result, nil
}

func (m *manifestReader) section(start xml.StartElement) error {
	switch start.Name.Local {
	case "creatorinfo":
		return m.doc.children(m.creator)
	case "processinfo":
		return m.doc.children(m.process)
	case "hashes":
		return m.doc.children(m.record)
	case "references":
		return m.doc.children(func(start xml.StartElement) error {
			if start.Name.Local != "hashlistreference" {
				return m.doc.skip()
			}
			return m.reference()
		})
	}
	return m.doc.skip()
}

func (m *manifestReader) creator(start xml.StartElement) error {
	c := &m.result.Creator
	target := map[string]*string{
		"hostname": &c.Hostname, "tool": &c.Tool, "author": &c.Author, "location": &c.Location, "comment": &c.Comment,
	}[start.Name.Local]
	if target == nil && start.Name.Local != "creationdate" {
		return m.doc.skip()
	}
	text, err := m.doc.text()
	if err != nil {
		return err
	}
	switch start.Name.Local {
	case "creationdate":
		m.result.At = parseTime(text)
		return nil
	case "tool":
		c.Version = attribute(start, "version")
	}
	*target = text
	return nil
}

func (m *manifestReader) process(start xml.StartElement) error {
	switch start.Name.Local {
	case "process":
		text, err := m.doc.text()
		m.result.Process = Process(strings.TrimSpace(text))
		return err
	case "roothash":
		m.result.folders = true
		return m.doc.skip()
	case "ignore":
		return m.doc.children(func(start xml.StartElement) error {
			if start.Name.Local != "pattern" {
				return m.doc.skip()
			}
			text, err := m.doc.text()
			m.result.Ignore = append(m.result.Ignore, text)
			if err == nil && len(m.result.Ignore) > maxPatterns {
				err = ErrPatterns
			}
			return err
		})
	}
	return m.doc.skip()
}

func (m *manifestReader) record(start xml.StartElement) error {
	if err := m.count(); err != nil {
		return err
	}
	switch start.Name.Local {
	case "hash":
		return m.file()
	case "directoryhash":
		return m.folder()
	}
	return m.doc.skip()
}

func (m *manifestReader) file() error {
	f := FileHash{SizeBytes: -1}
	failed := false
	err := m.doc.children(func(start xml.StartElement) (err error) {
		switch name := start.Name.Local; {
		case name == "path":
			if n, err := strconv.ParseInt(strings.TrimSpace(attribute(start, "size")), 10, 64); err == nil && n >= 0 {
				f.SizeBytes = n
			}
			f.ModTime = parseTime(attribute(start, "lastmodificationdate"))
			f.Path, err = m.path()
			return err
		case name == "previousPath":
			f.PreviousPath, err = m.path()
			return err
		case place(name) >= 0:
			failed = failed || attribute(start, "action") == string(Failed)
			return m.value(&f, start)
		}
		return m.doc.skip()
	})
	if err != nil {
		return err
	}
	if f.Path == "" {
		return errPath
	}
	if failed { // one value that failed puts all of the file in doubt
		f.Action = Failed
	}
	return m.take(f)
}

// value reads one algorithm's value; the first is the file's own, the rest are
// its others.
func (m *manifestReader) value(f *FileHash, start xml.StartElement) error {
	text, err := m.doc.text()
	if err != nil {
		return err
	}
	algorithm, value := algorithms[place(start.Name.Local)], strings.TrimSpace(text)
	var digest [64]byte // the longest
	if _, err := checksum.AppendDigest(digest[:0], algorithm, value); err != nil {
		return err
	}
	if algorithm == f.Algorithm || f.Others[algorithm] != "" {
		return fmt.Errorf("%.60q has two values of %s", f.Path, algorithm)
	}
	if f.Algorithm == "" {
		f.Algorithm, f.Value = algorithm, value
		f.Action = readAction(attribute(start, "action"))
		f.HashedAt = parseTime(attribute(start, "hashdate"))
		return nil
	}
	if f.Others == nil {
		f.Others = map[string]string{}
	}
	f.Others[algorithm] = value
	return nil
}

func (m *manifestReader) folder() error {
	m.result.folders = true
	var dir, previous string
	err := m.doc.children(func(start xml.StartElement) (err error) {
		switch start.Name.Local {
		case "path":
			dir, err = m.path()
			return err
		case "previousPath":
			previous, err = m.path()
			return err
		}
		return m.doc.skip()
	})
	switch {
	case err != nil:
		return err
	case dir == "":
		return errPath
	case dir == ".": // our own spelling of a root in which there is nothing
		return nil
	}
	if previous != "" {
		m.result.moved[dir] = previous
	}
	m.result.Dirs = append(m.result.Dirs, dir)
	return nil
}

func (m *manifestReader) count() error {
	m.left--
	*m.total--
	if m.left < 0 || *m.total < 0 {
		return errRecords
	}
	return nil
}

func (m *manifestReader) reference() error {
	if err := m.count(); err != nil {
		return err
	}
	var ref Reference
	err := m.doc.children(func(start xml.StartElement) (err error) {
		switch start.Name.Local {
		case "path":
			ref.Path, err = m.path()
			return err
		case checksum.C4:
			ref.C4, err = m.doc.text()
			ref.C4 = strings.TrimSpace(ref.C4)
			return err
		}
		return m.doc.skip()
	})
	if err != nil {
		return err
	}
	m.result.References = append(m.result.References, ref)
	return nil
}

// path reads a relative path. A slash at the end, as some put behind a folder,
// is taken off.
func (m *manifestReader) path() (string, error) {
	text, err := m.doc.text()
	if err != nil {
		return "", err
	}
	text = strings.TrimSuffix(text, "/")
	if len(text) > maxPathBytes || !fs.ValidPath(text) {
		return "", fmt.Errorf("%w: %.60q", errPath, text)
	}
	return text, nil
}

// readAction spares a string for each file.
func readAction(text string) Action {
	for _, known := range []Action{Original, Verified, Failed} {
		if text == string(known) {
			return known
		}
	}
	return Action(text)
}

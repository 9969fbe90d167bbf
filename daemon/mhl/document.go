package mhl

import (
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"
)

// The bounds on an XML document, besides its length.
const (
	maxDepth      = 64
	maxTokenBytes = 1 << 20
)

var (
	errDepth     = errors.New("elements are nested too deeply")
	errToken     = errors.New("one piece of it is too long")
	errDirective = errors.New("it declares a document type or entities")
	errNested    = errors.New("an element stands where text belongs")
)

// document reads XML piece by piece. It knows no entities but the five of XML,
// refuses document type declarations, and bounds depth and length.
type document struct {
	dec   *xml.Decoder
	limit *tokenLimit
	depth int
	space string // the namespace whose elements count; others are passed over
}

// tokenLimit ends a single token that grows without end before it fills memory.
type tokenLimit struct {
	r    io.Reader
	left int
}

func (l *tokenLimit) Read(p []byte) (int, error) {
	if l.left <= 0 {
		return 0, errToken
	}
	n, err := l.r.Read(p)
	l.left -= n
	return n, err
}

func newDocument(r io.Reader, space string) *document {
	limit := &tokenLimit{r: r, left: maxTokenBytes}
	return &document{dec: xml.NewDecoder(limit), limit: limit, space: space}
}

func (d *document) token() (xml.Token, error) {
	d.limit.left = maxTokenBytes
	t, err := d.dec.Token()
	if err != nil {
		return nil, err
	}
	switch t.(type) {
	case xml.Directive:
		return nil, errDirective
	case xml.StartElement:
		if d.depth++; d.depth > maxDepth {
			return nil, errDepth
		}
	case xml.EndElement:
		d.depth--
	}
	return t, nil
}

// root calls read with the document's only element, which must be local, and
// then sees to it that nothing follows.
func (d *document) root(local string, read func(xml.StartElement) error) error {
	for seen := false; ; {
		t, err := d.token()
		switch {
		case errors.Is(err, io.EOF) && seen:
			return nil
		case errors.Is(err, io.EOF):
			return io.ErrUnexpectedEOF
		case err != nil:
			return err
		}
		start, ok := t.(xml.StartElement)
		if !ok {
			continue
		}
		if seen || start.Name.Space != d.space || start.Name.Local != local {
			return fmt.Errorf("unexpected element %.60q of namespace %.60q", start.Name.Local, start.Name.Space)
		}
		seen = true
		if err := read(start); err != nil {
			return err
		}
	}
}

// children calls read for every element of the namespace until the current one
// ends. read must consume the element to its end, by text, children or skip.
func (d *document) children(read func(xml.StartElement) error) error {
	for {
		t, err := d.token()
		if err != nil {
			return unexpectedEOF(err)
		}
		switch t := t.(type) {
		case xml.EndElement:
			return nil
		case xml.StartElement:
			if t.Name.Space != d.space {
				err = d.skip()
			} else {
				err = read(t)
			}
			if err != nil {
				return err
			}
		}
	}
}

// text gives the characters of the current element, unchanged, and consumes it.
func (d *document) text() (string, error) {
	var text strings.Builder
	for {
		t, err := d.token()
		if err != nil {
			return "", unexpectedEOF(err)
		}
		switch t := t.(type) {
		case xml.EndElement:
			return text.String(), nil
		case xml.StartElement:
			return "", errNested
		case xml.CharData:
			if text.Len()+len(t) > maxTokenBytes {
				return "", errToken
			}
			text.Write(t)
		}
	}
}

// skip consumes the current element with all that is in it.
func (d *document) skip() error {
	for outside := d.depth - 1; d.depth > outside; {
		if _, err := d.token(); err != nil {
			return unexpectedEOF(err)
		}
	}
	return nil
}

func unexpectedEOF(err error) error {
	if errors.Is(err, io.EOF) {
		return io.ErrUnexpectedEOF
	}
	return err
}

func attribute(start xml.StartElement, local string) string {
	for _, a := range start.Attr {
		if a.Name.Space == "" && a.Name.Local == local {
			return a.Value
		}
	}
	return ""
}

// parseTime reads an xs:dateTime. One without a zone is taken as UTC, as the
// standard wants everything; what isn't a time is the zero time.
func parseTime(s string) time.Time {
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05.999999999"} {
		if t, err := time.Parse(layout, strings.TrimSpace(s)); err == nil {
			return t.UTC()
		}
	}
	return time.Time{}
}

// formatTime writes an xs:dateTime, or "" for a time that it can't express:
// the zero time, and years that have other than four digits.
func formatTime(t time.Time) string {
	if !hasDate(t) {
		return ""
	}
	return string(appendTime(nil, t))
}

// hasDate reports whether appendTime can write t.
func hasDate(t time.Time) bool {
	year := t.UTC().Year()
	return !t.IsZero() && year >= 1 && year <= 9999
}

func appendTime(dst []byte, t time.Time) []byte {
	return t.UTC().AppendFormat(dst, "2006-01-02T15:04:05.999999999Z07:00")
}

package mhl

import (
	"bufio"
	"encoding/xml"
	"io"
	"strconv"
	"time"
	"unicode/utf8"

	"bothy/daemon/checksum"
)

const writeBufferBytes = 64 << 10

// untrusted is added to the comment of a manifest whose dates mean little.
const untrusted = "The clock was not synchronised; the dates of this generation are not to be relied on."

// xmlWriter writes elements line by line. The first error stays and makes the
// rest do nothing.
type xmlWriter struct {
	w       *bufio.Writer
	indent  int
	scratch []byte
	err     error // of what is written; those of w are in w
}

const xmlDeclaration = `<?xml version="1.0" encoding="UTF-8"?>` + "\n"

func newXMLWriter(w io.Writer) *xmlWriter { return startXML(w, xmlDeclaration) }

// startXML is newXMLWriter for a document that begins in another way.
func startXML(w io.Writer, begin string) *xmlWriter {
	x := &xmlWriter{w: bufio.NewWriterSize(w, writeBufferBytes)}
	x.w.WriteString(begin)
	return x
}

// attr is an attribute; one without a value isn't written.
type attr struct{ name, value string }

// start writes a tag. It doesn't take a list of attributes only because that
// would make garbage for every element.
func (x *xmlWriter) start(name string, a, b attr) {
	x.spaces()
	x.w.WriteByte('<')
	x.w.WriteString(name)
	x.attribute(a)
	x.attribute(b)
	x.w.WriteByte('>')
}

func (x *xmlWriter) spaces() {
	for range x.indent {
		x.w.WriteString("  ")
	}
}

func (x *xmlWriter) attribute(a attr) {
	if a.value != "" {
		x.w.WriteByte(' ')
		x.w.WriteString(a.name)
		x.w.WriteString(`="`)
		x.escaped(a.value)
		x.w.WriteByte('"')
	}
}

func (x *xmlWriter) end(name string) {
	x.w.WriteString("</")
	x.w.WriteString(name)
	x.w.WriteString(">\n")
}

// escaped writes characters; most texts have none that needs care.
func (x *xmlWriter) escaped(text string) {
	for i := range len(text) {
		switch c := text[i]; {
		case c < ' ', c >= utf8.RuneSelf, c == '"', c == '\'', c == '&', c == '<', c == '>':
			x.scratch = append(x.scratch[:0], text...)
			xml.EscapeText(x.w, x.scratch) // its error stays in w
			return
		}
	}
	x.w.WriteString(text)
}

// text writes an element that holds characters.
func (x *xmlWriter) text(name, text string) { x.textWith(name, text, attr{}, attr{}) }

func (x *xmlWriter) textWith(name, text string, a, b attr) {
	x.start(name, a, b)
	x.escaped(text)
	x.end(name)
}

// group writes an element that holds what inside writes.
func (x *xmlWriter) group(name string, inside func()) { x.groupWith(name, attr{}, attr{}, inside) }

func (x *xmlWriter) groupWith(name string, a, b attr, inside func()) {
	x.open(name, a, b)
	inside()
	x.close(name)
}

func (x *xmlWriter) open(name string, a, b attr) {
	x.start(name, a, b)
	x.w.WriteByte('\n')
	x.indent++
}

func (x *xmlWriter) close(name string) {
	x.indent--
	x.spaces()
	x.end(name)
}

// optional writes an element only when it has text.
func (x *xmlWriter) optional(name, text string) {
	if text != "" {
		x.text(name, text)
	}
}

// finish writes what is still in the buffer, if nothing is wrong with it.
func (x *xmlWriter) finish() error {
	if x.err != nil {
		return x.err
	}
	return x.w.Flush()
}

// writeManifest writes a page as it comes. Only what is in the buffer of w is
// held.
func writeManifest(w io.Writer, p page) error {
	x := newXMLWriter(w)
	x.groupWith("hashlist", attr{"version", "2.0"}, attr{"xmlns", manifestSpace}, func() {
		x.group("creatorinfo", func() { writeCreator(x, p.Generation) })
		x.group("processinfo", func() {
			x.text("process", string(p.Process))
			x.group("roothash", func() { writeFolderHash(x, p, p.first) })
			x.group("ignore", func() {
				for _, pattern := range p.Ignore {
					x.text("pattern", pattern)
				}
			})
		})
		x.group("hashes", func() { writeHashes(x, p) })
		if len(p.references) > 0 {
			x.group("references", func() { writeReferences(x, p.references) })
		}
	})
	return x.finish()
}

func writeCreator(x *xmlWriter, g Generation) {
	x.text("creationdate", formatTime(g.At))
	x.text("hostname", g.Creator.Hostname)
	x.textWith("tool", g.Creator.Tool, attr{"version", g.Creator.Version}, attr{})
	x.optional("author", g.Creator.Author)
	x.optional("location", g.Creator.Location)
	comment := g.Creator.Comment
	if !g.ClockTrusted {
		if comment != "" {
			comment += " "
		}
		comment += untrusted
	}
	x.optional("comment", comment)
}

func writeReferences(x *xmlWriter, references []Reference) {
	for _, ref := range references {
		x.group("hashlistreference", func() {
			x.text("path", ref.Path)
			x.text(checksum.C4, ref.C4)
		})
	}
}

// writeHashes writes folders and files. The schema wants at least one of them,
// so a root in which there is nothing is written as a folder of its own.
func writeHashes(x *xmlWriter, p page) {
	some := false
	folder := func(i int, path string) {
		some = true
		x.group("directoryhash", func() {
			x.text("path", path)
			writeFolderHash(x, p, i)
		})
	}
	for i, path := range p.dirs() {
		folder(i, path)
	}
	dates := dateCache{}
	for r, err := range p.records() {
		if err != nil {
			x.err = err
			return
		}
		some = true
		writeFile(x, r, &dates)
	}
	if !some {
		folder(p.first, ".")
	}
}

func writeFile(x *xmlWriter, r *record, dates *dateCache) {
	x.open("hash", attr{}, attr{})
	x.spaces()
	x.w.WriteString("<path")
	if r.SizeBytes >= 0 {
		x.w.WriteString(` size="`)
		x.w.Write(strconv.AppendInt(x.w.AvailableBuffer(), r.SizeBytes, 10))
		x.w.WriteByte('"')
	}
	if hasDate(r.ModTime) {
		x.w.WriteString(` lastmodificationdate="`)
		x.w.Write(appendTime(x.w.AvailableBuffer(), r.ModTime))
		x.w.WriteByte('"')
	}
	x.w.WriteByte('>')
	x.escaped(r.Path)
	x.end("path")
	action, date := attr{"action", string(r.Action)}, attr{"hashdate", dates.format(r.HashedAt)}
	for i := range r.set.all() {
		x.textWith(algorithms[i], r.sums[i], action, date)
	}
	x.optional("previousPath", r.PreviousPath)
	x.close("hash")
}

// dateCache keeps the spelling of the date before: often the next is the same.
type dateCache struct {
	at   time.Time
	text string
}

func (c *dateCache) format(t time.Time) string {
	if c.text == "" || !c.at.Equal(t) {
		c.at, c.text = t, formatTime(t)
	}
	return c.text
}

func writeFolderHash(x *xmlWriter, p page, folder int) {
	date := attr{"hashdate", formatTime(p.At)}
	for which, name := range []string{"content", "structure"} {
		x.group(name, func() {
			for i := range p.folders.set.all() {
				value, err := checksum.Encode(algorithms[i], p.folders.slot(folder, i, which))
				if err != nil {
					x.err = err
					return
				}
				x.textWith(algorithms[i], value, date, attr{})
			}
		})
	}
}

func writeChain(w io.Writer, links []link) error {
	x := newXMLWriter(w)
	x.groupWith("ascmhldirectory", attr{"xmlns", chainSpace}, attr{}, func() {
		for _, l := range links {
			x.groupWith("hashlist", attr{"sequencenr", strconv.Itoa(l.number)}, attr{}, func() {
				x.text("path", l.name)
				x.text(checksum.C4, l.c4)
			})
		}
	})
	return x.finish()
}

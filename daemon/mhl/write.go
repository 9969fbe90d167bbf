package mhl

import (
	"bufio"
	"encoding/xml"
	"io"
	"maps"
	"slices"
	"strconv"
	"time"

	"bothy/daemon/checksum"
)

const writeBufferBytes = 64 << 10

// untrusted is added to the comment of a manifest whose dates mean little.
const untrusted = "The clock was not synchronised; the dates of this generation are not to be relied on."

// xmlWriter writes elements line by line. The first error stays and makes the
// rest do nothing.
type xmlWriter struct {
	w      *bufio.Writer
	indent int
}

func newXMLWriter(w io.Writer) *xmlWriter {
	x := &xmlWriter{w: bufio.NewWriterSize(w, writeBufferBytes)}
	x.w.WriteString(`<?xml version="1.0" encoding="UTF-8"?>` + "\n")
	return x
}

// attr is an attribute; one without a value isn't written.
type attr struct{ name, value string }

func (x *xmlWriter) start(name string, attrs []attr) {
	for range x.indent {
		x.w.WriteString("  ")
	}
	x.w.WriteString("<" + name)
	for _, a := range attrs {
		if a.value != "" {
			x.w.WriteString(" " + a.name + `="`)
			xml.EscapeText(x.w, []byte(a.value)) // its error stays in w
			x.w.WriteString(`"`)
		}
	}
	x.w.WriteString(">")
}

// text writes an element that holds characters.
func (x *xmlWriter) text(name, text string, attrs ...attr) {
	x.start(name, attrs)
	xml.EscapeText(x.w, []byte(text))
	x.w.WriteString("</" + name + ">\n")
}

// group writes an element that holds what inside writes.
func (x *xmlWriter) group(name string, inside func(), attrs ...attr) {
	x.start(name, attrs)
	x.w.WriteString("\n")
	x.indent++
	inside()
	x.indent--
	for range x.indent {
		x.w.WriteString("  ")
	}
	x.w.WriteString("</" + name + ">\n")
}

// optional writes an element only when it has text.
func (x *xmlWriter) optional(name, text string) {
	if text != "" {
		x.text(name, text)
	}
}

// page is all that one manifest says.
type page struct {
	Generation
	root       folderHash
	folders    map[string]folderHash // by path; Dirs gives the order
	references []Reference
}

func writeManifest(w io.Writer, p page) error {
	x := newXMLWriter(w)
	x.group("hashlist", func() {
		x.group("creatorinfo", func() { writeCreator(x, p.Generation) })
		x.group("processinfo", func() {
			x.text("process", string(p.Process))
			x.group("roothash", func() { writeFolderHash(x, p.root, p.At) })
			x.group("ignore", func() {
				for _, pattern := range p.Ignore {
					x.text("pattern", pattern)
				}
			})
		})
		x.group("hashes", func() { writeHashes(x, p) })
		if len(p.references) > 0 {
			x.group("references", func() {
				for _, ref := range p.references {
					x.group("hashlistreference", func() {
						x.text("path", ref.Path)
						x.text(checksum.C4, ref.C4)
					})
				}
			})
		}
	}, attr{"version", "2.0"}, attr{"xmlns", manifestSpace})
	return x.w.Flush()
}

func writeCreator(x *xmlWriter, g Generation) {
	x.text("creationdate", formatTime(g.At))
	x.text("hostname", g.Creator.Hostname)
	x.text("tool", g.Creator.Tool, attr{"version", g.Creator.Version})
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

// writeHashes writes folders and files. The schema wants at least one of them,
// so a root in which there is nothing is written as a folder of its own.
func writeHashes(x *xmlWriter, p page) {
	dirs := p.Dirs
	if len(dirs)+len(p.Files) == 0 {
		dirs = []string{"."}
	}
	for _, dir := range dirs {
		hash := p.folders[dir]
		if dir == "." {
			hash = p.root
		}
		x.group("directoryhash", func() {
			x.text("path", dir)
			writeFolderHash(x, hash, p.At)
		})
	}
	for _, f := range p.Files {
		x.group("hash", func() {
			x.text("path", f.Path, attr{"size", formatSize(f.SizeBytes)},
				attr{"lastmodificationdate", formatTime(f.ModTime)})
			writeValues(x, f.values(), attr{"action", string(f.Action)}, attr{"hashdate", formatTime(f.HashedAt)})
			x.optional("previousPath", f.PreviousPath)
		})
	}
}

func writeFolderHash(x *xmlWriter, hash folderHash, at time.Time) {
	x.group("content", func() { writeValues(x, hash.Content, attr{"hashdate", formatTime(at)}) })
	x.group("structure", func() { writeValues(x, hash.Structure, attr{"hashdate", formatTime(at)}) })
}

// writeValues keeps the order of the schema, which is that of the names.
func writeValues(x *xmlWriter, values map[string]string, attrs ...attr) {
	for _, algorithm := range slices.Sorted(maps.Keys(values)) {
		x.text(algorithm, values[algorithm], attrs...)
	}
}

func formatSize(n int64) string {
	if n < 0 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}

func writeChain(w io.Writer, links []link) error {
	x := newXMLWriter(w)
	x.group("ascmhldirectory", func() {
		for _, l := range links {
			x.group("hashlist", func() {
				x.text("path", l.name)
				x.text(checksum.C4, l.c4)
			}, attr{"sequencenr", strconv.Itoa(l.number)})
		}
	}, attr{"xmlns", chainSpace})
	return x.w.Flush()
}

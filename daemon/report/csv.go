package report

import (
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"bothy/daemon/state"
)

// csvHeader names the columns. The first one is also the mark of the table.
var csvHeader = []string{
	csvMark, "day", "offload", "card", "verdict", "file", "size_bytes", "missing_bytes", "file_time", "checksum_algorithm", "checksum",
	"drive", "drive_id", "folder", "copy", "proven_at", "verify",
}

const csvMark = "bothy_report_of_box"

// CSV writes the day as RFC 4180 has it, in UTF-8, with one row per file and copy.
// A file without a copy has a row without a drive, and so has an offload without
// files. What could be read in part only has a row with missing_bytes, and without
// a checksum. Times are RFC 3339 in UTC. Text is written by Cell.
func CSV(w io.Writer, d *Day) error {
	buffered := bufio.NewWriterSize(w, bufferBytes)
	t := table{w: csv.NewWriter(buffered), day: d}
	t.w.UseCRLF = true
	t.row(csvHeader)
	for i := range d.Offloads {
		if err := t.offload(&d.Offloads[i]); err != nil {
			return fmt.Errorf("write table of offload %s: %w", d.Offloads[i].ID, err)
		}
	}
	t.w.Flush()
	if err := t.w.Error(); err != nil {
		return fmt.Errorf("write table: %w", err)
	}
	return buffered.Flush()
}

// bufferBytes is how much is written at once.
const bufferBytes = 64 << 10

type table struct {
	w   *csv.Writer
	day *Day
}

func (t *table) row(cells []string) { _ = t.w.Write(cells) } // the error stays until Flush

func (t *table) offload(o *Offload) error {
	lead := []string{t.day.BoxID, Cell(t.day.Date), Cell(o.ID), Cell(o.CardLabel), verdictWord(o)}
	copies := make([][]string, len(o.Copies))
	for i, c := range o.Copies {
		copies[i] = []string{Cell(c.Drive), Cell(c.DriveID), Cell(c.Folder), Cell(c.Status)}
	}
	none := []string{"", "", "", ""}
	write := func(file, on []string, proven time.Time) {
		cells := make([]string, 0, len(csvHeader))
		cells = append(append(append(cells, lead...), file...), on...)
		t.row(append(cells, instant(proven), Cell(o.Verify)))
	}
	rows := 0
	if o.Files != nil {
		for f, err := range o.Files {
			if err != nil {
				return err
			}
			if rows++; rows%1024 == 0 && t.w.Error() != nil {
				return t.w.Error() // nobody takes what is written
			}
			file := []string{Cell(f.Path), strconv.FormatInt(f.SizeBytes, 10), "0", instant(f.ModTime), Cell(f.Algorithm), Cell(f.Checksum)}
			for i := range copies {
				write(file, copies[i], f.provenAt(i))
			}
			if len(copies) == 0 {
				write(file, none, time.Time{})
			}
		}
	}
	for _, s := range o.Salvaged {
		name := cmpOr(s.As, s.Path)
		if s.MoreFiles > 0 {
			name = fmt.Sprintf("(and %d more)", s.MoreFiles)
		}
		write([]string{Cell(name), strconv.FormatInt(s.SizeBytes, 10), strconv.FormatInt(s.MissingBytes, 10), "", "", ""}, none, time.Time{})
	}
	if rows == 0 && len(o.Salvaged) == 0 {
		for _, on := range append(copies, none)[:max(1, len(copies))] {
			write([]string{"", "", "", "", "", ""}, on, time.Time{})
		}
	}
	return nil
}

func verdictWord(o *Offload) string {
	switch {
	case o.Void:
		return "void"
	case o.released():
		return string(state.Release)
	}
	return string(state.Hold)
}

func instant(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

func cmpOr(a, b string) string {
	if a != "" {
		return a
	}
	return b
}

// Cell makes text safe in a table that a spreadsheet or a terminal shows. What is
// not harmless is spelled out as \u202e or \U000e0041, and a backslash as two. A
// cell that a spreadsheet might take for a formula (it begins with =, +, -, @, one
// of their wide forms, a tab or a line break, with or without blanks before it),
// and one that begins with an apostrophe, gets one apostrophe in front. So
// nothing is lost: without that apostrophe and with the escapes undone it is the
// text, but for bytes that are no UTF-8, which become U+FFFD.
func Cell(s string) string {
	var b strings.Builder
	if formula(s) {
		b.WriteByte('\'')
	}
	for _, r := range s {
		switch {
		case r == '\\':
			b.WriteString(`\\`)
		case state.Harmless(r):
			b.WriteRune(r)
		default:
			b.WriteString(state.SpellOut(r))
		}
	}
	return b.String()
}

// formula reports whether s begins as what is not plain text to a spreadsheet.
func formula(s string) bool {
	if strings.HasPrefix(s, "'") {
		return true
	}
	s = strings.TrimLeft(s, " ")
	for _, begin := range []string{"=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20"} {
		if strings.HasPrefix(s, begin) {
			return true
		}
	}
	return false
}

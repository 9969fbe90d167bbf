package report

import (
	"bytes"
	"encoding/csv"
	"encoding/xml"
	"errors"
	"io"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"bothy/testdata/shown"
)

// formulas are what a spreadsheet might work out or take for something else.
var formulas = []string{
	"=HYPERLINK(\"x\",\"y\")", "+1+cmd|' /C x'!A0", "-2+3", "@SUM(1)", "\t=1", "\r=1", "\n=1", " =1", "\uff1d1", "'=1", "a,b\"c\"", "\\u202e",
}

// structure reads the page as well-formed XML, which is stricter than what a
// browser asks for: every element closed, every attribute quoted. It gives the
// elements with their attributes, but for the day, and the text of cells.
func structure(t interface{ Fatalf(string, ...any) }, page []byte) (out, cells []string) {
	dec := xml.NewDecoder(bytes.NewReader(page))
	inside := false
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return out, cells
		}
		if err != nil {
			t.Fatalf("the page does not parse: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			line := "<" + e.Name.Local
			for _, a := range e.Attr {
				if a.Name.Local != "datetime" {
					line += " " + a.Name.Local + "=" + a.Value
				}
			}
			out = append(out, line)
			inside = line == "<td class=path"
		case xml.EndElement:
			out = append(out, "</"+e.Name.Local)
			if e.Name.Local == "td" {
				inside = false
			}
		case xml.CharData:
			if inside || len(out) > 0 && out[len(out)-1] == "<bdi" && out[len(out)-2] == "<td class=path" {
				cells = append(cells, string(e))
			}
		case xml.Comment:
			out = append(out, "comment")
		}
	}
}

// Whatever the strings, the page has the structure it has with harmless ones.
func TestHTML_hostile(t *testing.T) {
	t.Parallel()
	want, _ := structure(t, written(t, filled(func() string { return "puffin" }), FormatHTML))
	if len(want) < 100 {
		t.Fatalf("only %d elements", len(want))
	}
	for _, h := range slices.Concat(shown.Hostile, formulas) {
		page := written(t, filled(func() string { return h }), FormatHTML)
		shown.MustPrint(t, "page", string(page))
		got, cells := structure(t, page)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%.60q changes the page (-harmless +hostile):\n%s", h, diff)
		}
		if shown := strings.Join(cells, ""); shown != clean(h)+clean(h) {
			t.Errorf("%.60q is shown as %.200q", h, shown)
		}
	}
}

// uncell undoes Cell, as its comment says.
func uncell(t interface{ Fatalf(string, ...any) }, cell string) string {
	var b strings.Builder
	cell = strings.TrimPrefix(cell, "'")
	for i := 0; i < len(cell); {
		if cell[i] != '\\' {
			b.WriteByte(cell[i])
			i++
			continue
		}
		n := map[byte]int{'\\': 0, 'u': 4, 'U': 8}[cell[i+1]]
		if n == 0 {
			b.WriteByte('\\')
		} else {
			r, err := strconv.ParseUint(cell[i+2:i+2+n], 16, 32)
			if err != nil {
				t.Fatalf("%q: %v", cell, err)
			}
			b.WriteRune(rune(r))
		}
		i += 2 + n
	}
	return b.String()
}

func readTable(t interface{ Fatalf(string, ...any) }, data []byte) [][]string {
	r := csv.NewReader(bytes.NewReader(data))
	r.FieldsPerRecord = len(csvHeader) // every row
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatalf("the table does not parse: %v", err)
	}
	return rows
}

// No cell begins as a formula, and each gives back the text it was made of.
func checkTable(t interface {
	Fatalf(string, ...any)
	Errorf(string, ...any)
}, h string) {
	var b bytes.Buffer
	if err := CSV(&b, filled(func() string { return h })); err != nil {
		t.Fatalf("write: %v", err)
	}
	shown.MustPrint(t, "table", strings.ReplaceAll(b.String(), "\r\n", "\n"))
	rows := readTable(t, b.Bytes())
	if len(rows) != 1+2*2+1 { // the header, two files in two copies, one salvage
		t.Errorf("%.60q: %d rows", h, len(rows))
	}
	valid := strings.Map(func(r rune) rune { return r }, h) // as Go reads it: U+FFFD for what is no UTF-8
	for _, row := range rows[1:] {
		for i, cell := range row {
			if trimmed := strings.TrimLeft(cell, " "); trimmed != "" && strings.ContainsAny(trimmed[:1], "=+-@\t\r\n") {
				t.Errorf("a spreadsheet might work out %q", cell)
			}
			switch csvHeader[i] {
			case "day", "offload", "card", "verify":
				if got := uncell(t, cell); got != valid {
					t.Errorf("%s: %q comes back as %q", csvHeader[i], h, got)
				}
			case "file", "drive", "folder", "checksum":
				if got := uncell(t, cell); got != valid && cell != "" {
					t.Errorf("%s: %q comes back as %q", csvHeader[i], h, got)
				}
			}
		}
	}
}

func TestCSV_hostile(t *testing.T) {
	t.Parallel()
	for _, h := range slices.Concat(shown.Hostile, formulas) {
		checkTable(t, h)
	}
}

func TestWrite_anyNames(t *testing.T) {
	t.Parallel()
	want, _ := structure(t, written(t, filled(func() string { return "puffin" }), FormatHTML))
	odd := rapid.SampledFrom([]string{"<", ">", "&", "\"", "'", "=", "+", "-", "@", "\t", "\r", "\n", ",", ";", "\\", "u202e", "\u202e", "\x00", "\xff", " ", "\ufeff", "\U000e0041", "{{", "}}", "a"})
	text := rapid.OneOf(rapid.String(), rapid.Map(rapid.SliceOfN(odd, 1, 12), func(s []string) string { return strings.Join(s, "") }))
	rapid.Check(t, func(t *rapid.T) {
		h := text.Draw(t, "name")
		checkTable(t, h)
		var b bytes.Buffer
		if err := HTML(&b, filled(func() string { return h })); err != nil {
			t.Fatal(err)
		}
		got, _ := structure(t, b.Bytes())
		if h != "" && clean(h) != "" && !cmp.Equal(want, got) { // without a text, what it would stand in is left out
			t.Errorf("%q changes the page:\n%s", h, cmp.Diff(want, got))
		}
		shown.MustPrint(t, "page", b.String())
	})
}

// The rows say of each file and copy what the day says.
func TestCSV_rows(t *testing.T) {
	t.Parallel()
	rows := readTable(t, written(t, sampleDay(4), FormatCSV))
	if want := 1 + 4*2 + 3*2 + 1*2 + 1; len(rows) != want {
		t.Fatalf("%d rows, want %d", len(rows), want)
	}
	d, at := sampleDay(4), 1
	for _, o := range d.Offloads {
		for f, err := range o.Files {
			if err != nil {
				t.Fatal(err)
			}
			for i, c := range o.Copies {
				want := []string{d.BoxID, d.Date, o.ID, o.CardLabel, o.Verdict, f.Path, strconv.FormatInt(f.SizeBytes, 10), "0", instant(f.ModTime),
					f.Algorithm, f.Checksum, c.Drive, c.DriveID, c.Folder, c.Status, instant(f.provenAt(i)), o.Verify}
				if diff := cmp.Diff(want, rows[at]); diff != "" {
					t.Errorf("row %d (-day +table):\n%s", at, diff)
				}
				at++
			}
		}
		at += len(o.Salvaged)
	}
}

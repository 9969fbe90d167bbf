package report

import (
	"bufio"
	"crypto/sha256"
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"

	"bothy/daemon/state"
)

//go:embed report.html
var pageText string

//go:embed report.css
var style string

// pageTemplate is parsed once; html/template escapes by context.
var pageTemplate = template.Must(template.New("report").Parse(pageText))

// StyleSource names the report's one style sheet for a Content-Security-Policy.
func StyleSource() string {
	sum := sha256.Sum256([]byte(style))
	return "'sha256-" + base64.StdEncoding.EncodeToString(sum[:]) + "'"
}

// HTML writes the day as one file that needs nothing beside it. The files of each
// offload are asked for twice: for the sums, which come first, and for the list.
func HTML(w io.Writer, d *Day) error {
	v, err := newView(d)
	if err != nil {
		return fmt.Errorf("sum up %s: %w", d.Date, err)
	}
	buffered := bufio.NewWriterSize(w, bufferBytes)
	fmt.Fprintf(buffered, "%s%s -->\n", htmlMark, d.BoxID) // the template would drop a comment
	if err := pageTemplate.Execute(buffered, v); err != nil {
		return fmt.Errorf("render report: %w", err)
	}
	if v.err != nil {
		return fmt.Errorf("list the files of %s: %w", d.Date, v.err)
	}
	return buffered.Flush()
}

// Write writes the day in one format or the other.
func Write(w io.Writer, d *Day, format Format) error {
	if format == FormatCSV {
		return CSV(w, d)
	}
	return HTML(w, d)
}

// tone of a verdict or of a state.
func tone(good bool) string {
	if good {
		return "safe"
	}
	return "danger"
}

// copyWord says where a copy stands.
func copyWord(c *Copy) (word, tone string) {
	switch c.Status {
	case Proven:
		return "proven", "safe"
	case HandedOver:
		return "what was chosen of it, proven; counts for no release", "soft"
	case Unproven:
		return "written, not read back", "caution"
	case Incomplete:
		return "incomplete: what could be saved of the card", "danger"
	case Open, Finishing:
		return "unfinished", "caution"
	case Lost:
		return "was proven; missing or changed now", "danger"
	case Failed:
		return "given up after faults", "danger"
	}
	return "not known", "danger"
}

func clean(s string) string { return state.Clean(s) }

package report

import "strings"

// Format is how a report is written.
type Format string

// Formats, which are also the ends of files' names.
const (
	FormatHTML Format = "html"
	FormatCSV  Format = "csv"
)

// MarkBytes is how much of the beginning of a file Ours needs to see.
const MarkBytes = 1024

const htmlMark = "<!DOCTYPE html>\n<!-- bothy report of box "

// Ours reports whether a file that begins so is a report of this box, which may
// be replaced by a newer one. A table counts only with a row, and each report on
// a drive has one. One of another box is somebody else's.
func Ours(format Format, begin []byte, boxID string) bool {
	text := string(begin)
	if format == FormatHTML {
		return strings.HasPrefix(text, htmlMark+boxID+" -->\n")
	}
	header, rest, ok := strings.Cut(text, "\r\n")
	return ok && strings.HasPrefix(header, csvMark+",day,") && strings.HasPrefix(rest, boxID+",")
}

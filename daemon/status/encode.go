package status

import (
	"bytes"
	"encoding/json"
	"fmt"
	"unicode/utf16"
	"unicode/utf8"
)

// encode renders v as indented JSON that a terminal can show: every character
// outside printable text is written as an escape of RFC 8259 section 7, which
// any JSON parser turns back into the character. Nothing is lost.
func encode(v any) ([]byte, error) {
	raw, err := json.MarshalIndent(v, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("encode document: %w", err)
	}
	var out bytes.Buffer
	out.Grow(len(raw) + 1)
	for i := 0; i < len(raw); {
		r, size := utf8.DecodeRune(raw[i:])
		switch {
		case r == '\n' || harmless(r):
			out.Write(raw[i : i+size])
		case r > 0xffff:
			hi, lo := utf16.EncodeRune(r)
			fmt.Fprintf(&out, `\u%04x\u%04x`, hi, lo)
		default:
			fmt.Fprintf(&out, `\u%04x`, r)
		}
		i += size
	}
	out.WriteByte('\n')
	return out.Bytes(), nil
}

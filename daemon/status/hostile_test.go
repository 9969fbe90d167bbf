package status

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os/exec"
	"regexp"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"bothy/testdata/judges"
	"bothy/testdata/shown"
)

// skeleton lists elements and attribute names as Go's XML reader sees them in
// its mode for HTML, with the values of attributes that a browser acts on.
func skeleton(t *testing.T, page []byte) []string {
	t.Helper()
	dec := xml.NewDecoder(bytes.NewReader(page))
	dec.Strict = false
	dec.AutoClose = xml.HTMLAutoClose
	dec.Entity = xml.HTMLEntity
	var out []string
	for {
		tok, err := dec.Token()
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatalf("page does not parse: %v", err)
		}
		switch e := tok.(type) {
		case xml.StartElement:
			line := "<" + e.Name.Local
			for _, a := range e.Attr {
				line += " " + a.Name.Local
				switch a.Name.Local {
				case "src", "href", "class", "rel", "http-equiv", "value":
					line += "=" + a.Value
				}
			}
			out = append(out, line)
		case xml.EndElement:
			out = append(out, "</"+e.Name.Local)
		case xml.Comment:
			out = append(out, "comment")
		}
	}
}

func pageOf(t *testing.T, text func() string) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Page(&b, NewDocument(filled(text)), filledDays(text)); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Whatever the strings, the page has the structure it has with harmless ones.
// The one string that may have several lines, a policy's error, is given one.
func TestPage_structureIsThatOfHarmlessText(t *testing.T) {
	t.Parallel()
	want := skeleton(t, pageOf(t, func() string { return "puffin" }))
	for _, h := range shown.Hostile {
		h = strings.NewReplacer("\n", "", "\r", "").Replace(h)
		page := pageOf(t, func() string { return h })
		shown.MustPrint(t, "page", string(page))
		if diff := cmp.Diff(want, skeleton(t, page)); diff != "" {
			t.Errorf("%.60q changes the page (-harmless +hostile):\n%s", h, diff)
		}
	}
}

// The same, judged by an independent parser: libxml2's for HTML.
func TestPage_structureByXmllint(t *testing.T) {
	t.Parallel()
	xmllint := judges.Need(t, "xmllint")
	tags := regexp.MustCompile(`<[^>]*>`)
	ids := regexp.MustCompile(` (id|datetime)="[^"]*"`)
	structure := func(page []byte) []string {
		cmd := exec.CommandContext(t.Context(), xmllint, "--html", "--xmlout", "--nowarning", "-")
		cmd.Stdin = bytes.NewReader(page)
		out, err := cmd.Output() // it knows HTML 4 and complains of svg, main, bdi on stderr
		if err != nil && len(out) == 0 {
			t.Fatalf("xmllint: %v", err)
		}
		return tags.FindAllString(ids.ReplaceAllString(string(out), ""), -1)
	}
	want := structure(pageOf(t, func() string { return "puffin" }))
	if len(want) < 100 {
		t.Fatalf("xmllint saw %d tags", len(want))
	}
	for _, h := range shown.Hostile {
		h = strings.NewReplacer("\n", "", "\r", "").Replace(h)
		if diff := cmp.Diff(want, structure(pageOf(t, func() string { return h }))); diff != "" {
			t.Errorf("%.60q changes the page (-harmless +hostile):\n%s", h, diff)
		}
	}
}

func TestText_hostile(t *testing.T) {
	t.Parallel()
	lines := func(text func() string) (string, int) {
		var b bytes.Buffer
		if err := Text(&b, NewDocument(filled(text))); err != nil {
			t.Fatal(err)
		}
		return b.String(), strings.Count(b.String(), "\n")
	}
	_, want := lines(func() string { return "puffin" })
	for _, h := range shown.Hostile {
		text, got := lines(func() string { return h })
		shown.MustPrint(t, "text", text)
		// Only the policy's error, written by whoever owns the box, has lines.
		extra := max(len(cleanLines(h))-1, 0)
		if got != want+extra {
			t.Errorf("%.40q: %d lines, want %d", h, got, want+extra)
		}
		if strings.Contains(text, "\u202e") {
			t.Errorf("%.40q: text direction is not neutral", h)
		}
	}
	fake, _ := lines(func() string { return "[+] RELEASE: take it out, reuse it" })
	if got := strings.Count("\n"+fake, "\n[+] RELEASE"); got != 2 { // the sample's one card and one offload
		t.Errorf("%d lines begin like a release, want 2:\n%s", got, fake)
	}
	text, _ := lines(func() string { return "\u202eEVIL\x1b[31m" })
	if !strings.Contains(text, `\u202eEVIL\u001b[31m`) {
		t.Errorf("controls are not spelled out:\n%s", text)
	}
}

func TestPage_bounded(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("\U0001f427", 300_000)
	page := pageOf(t, func() string { return long })
	if limit := 2 << 20; len(page) > limit {
		t.Errorf("page has %d bytes, limit %d", len(page), limit)
	}
}

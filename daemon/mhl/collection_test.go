package mhl

import (
	"bytes"
	"encoding/xml"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A collection is accepted by the schema, gives back what it was given, whatever
// folders are called, and says whose it is in its first bytes.
func TestWriteCollection(t *testing.T) {
	t.Parallel()
	c4 := sumOf(t, "c4", "a manifest")
	want := []Member{
		{"2026-11-25/skua/ascmhl/0001_skua_2026-11-25_101500Z.mhl", c4},
		{`2026-11-25/<b>&"'--> ]]>` + "\n\t\r\u202e" + `/ascmhl/0002_x.mhl`, c4},
	}
	var out bytes.Buffer
	must(t, WriteCollection(&out, "box--1-", want))
	begin := CollectionBegin("box--1-")
	if !strings.HasPrefix(out.String(), begin) || strings.HasPrefix(out.String(), CollectionBegin("box")) || len(begin) > 200 {
		t.Errorf("it begins %q", begin)
	}
	var got struct {
		XMLName xml.Name `xml:"urn:ASC:MHL:DIRECTORY:v2.0 ascmhldirectory"`
		Lists   []struct {
			Number int    `xml:"sequencenr,attr"`
			Path   string `xml:"path"`
			C4     string `xml:"c4"`
		} `xml:"hashlist"`
	}
	must(t, xml.Unmarshal(out.Bytes(), &got))
	if len(got.Lists) != len(want) {
		t.Fatalf("%+v", got)
	}
	for i, l := range got.Lists {
		if l.Number != i+1 || l.Path != want[i].Path || l.C4 != want[i].C4 {
			t.Errorf("%+v, want %+v", l, want[i])
		}
	}
	dir := t.TempDir()
	must(t, os.WriteFile(filepath.Join(dir, CollectionName), out.Bytes(), 0o644))
	validates(t, dir, "ASCMHLDirectory.xsd", CollectionName)
}

func TestWriteCollection_refuses(t *testing.T) {
	t.Parallel()
	full := errors.New("no room")
	for _, members := range [][]Member{nil, {{"../x.mhl", ""}}, {{"a\x00", ""}}, {{"a\xff", ""}}, {{"", ""}}, {{"a//b", ""}}} {
		var out bytes.Buffer
		if err := WriteCollection(&out, "b", members); err == nil || out.Len() > 0 {
			t.Errorf("%q: %v, %q", members, err, out.String())
		}
	}
	if err := WriteCollection(refusing{full}, "b", []Member{{"a.mhl", "c4"}}); !errors.Is(err, full) {
		t.Errorf("%v", err)
	}
}

type refusing struct{ err error }

func (f refusing) Write([]byte) (int, error) { return 0, f.err }

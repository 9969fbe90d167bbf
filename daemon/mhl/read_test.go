package mhl

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"bothy/testdata/mutants"
)

func parse(text string) (*manifest, error) {
	total := maxTotalRecords
	var files []FileHash
	m, err := readManifest(strings.NewReader(text), &total, func(f FileHash) error {
		files = append(files, f)
		return nil
	})
	if err == nil {
		m.Files = files
	}
	return m, err
}

func TestReadManifest_standardForm(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	text, err := os.ReadFile("testdata/standard-form.mhl")
	must(t, err)
	must(t, os.WriteFile(filepath.Join(dir, "0001_A002_2026-11-25_143000.mhl"), text, 0o644))
	chain, err := os.ReadFile("testdata/standard-form-chain.xml")
	must(t, err)
	must(t, os.WriteFile(filepath.Join(dir, ChainName), chain, 0o644))
	accepted(t, dir)

	got, err := parse(string(text))
	if err != nil {
		t.Fatal(err)
	}
	want := &manifest{
		Generation: Generation{
			Process: InPlace, At: time.Date(2026, 11, 25, 14, 30, 0, 0, time.UTC),
			Creator: Creator{"notebook", "1.0", "ledge.local", "B. Fulmar", "north ledge", "first landing"},
			Ignore:  DefaultIgnore(), Dirs: []string{"Clips"},
			Files: []FileHash{
				{Path: "Clips/A002C006.mov", SizeBytes: 0, ModTime: time.Date(2026, 11, 25, 11, 0, 0, 5e8, time.UTC),
					Algorithm: "c4", Value: "c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT",
					Action: Original, HashedAt: time.Date(2026, 11, 25, 14, 30, 0, 0, time.UTC), PreviousPath: "Clips/unnamed.mov",
					Others: map[string]string{"md5": "d41d8cd98f00b204e9800998ecf8427e", "xxh128": "99aa06d3014798d86001c324468d497f",
						"xxh3": "2d06800538d394c2", "xxh64": "EF46DB3751D8E999"}},
				{Path: "Sidecar & æ.txt", SizeBytes: -1, Algorithm: "xxh64", Value: "3ab5a4166b9bde44", Action: Failed},
			},
		},
		References: []Reference{{"A003/ascmhl/0002_A003_2026-11-25_143000Z.mhl",
			"c45xZeXwMSpqXjpDumcHMA6mhoAmGHkUo7r9WmN2UgSEQzj9KjgseaQdkEJ11fGb5S1WEENcV3q8RFWwEeVpC7Fjk2"}},
		moved: map[string]string{}, folders: true,
	}
	if d := cmp.Diff(want, got, cmp.AllowUnexported(manifest{}), cmpopts.EquateEmpty()); d != "" {
		t.Error(d)
	}
	links, err := readChain(strings.NewReader(string(chain)))
	if err != nil || len(links) != 2 || links[1].number != 2 {
		t.Errorf("readChain() = %+v, %v", links, err)
	}
}

func manifestWith(hashes string) string {
	return `<hashlist version="2.0" xmlns="urn:ASC:MHL:v2.0"><hashes>` + hashes + `</hashes></hashlist>`
}

func hashOf(path string) string {
	return manifestWith("<hash><path>" + path + "</path><xxh64>ef46db3751d8e999</xxh64></hash>")
}

func TestReadManifest_hostile(t *testing.T) {
	t.Parallel()
	if _, err := parse(hashOf("a/b")); err != nil {
		t.Fatalf("a sound manifest is refused: %v", err)
	}
	tests := map[string]struct{ text, want string }{
		"empty":           {"", "EOF"},
		"not XML":         {"\x00\x01", ""},
		"cut off":         {hashOf("a")[:90], "EOF"},
		"entity":          {`<!DOCTYPE x [<!ENTITY a "b">]>` + hashOf("&a;"), errDirective.Error()},
		"outside entity":  {`<!DOCTYPE x SYSTEM "file:///etc/passwd">` + hashOf("a"), errDirective.Error()},
		"unknown entity":  {hashOf("&lol9;"), "entity"},
		"encoding":        {`<?xml version="1.0" encoding="UTF-7"?>` + hashOf("a"), "encoding"},
		"deep":            {strings.Repeat("<a>", 100_000), "unexpected element"},
		"deep inside":     {manifestWith(strings.Repeat("<metadata>", 100_000)), errDepth.Error()},
		"long name":       {"<" + strings.Repeat("a", 4<<20), errToken.Error()},
		"long attribute":  {`<hashlist version="` + strings.Repeat("a", 4<<20), errToken.Error()},
		"long text":       {hashOf(strings.Repeat("a", 4<<20)), errToken.Error()},
		"text in pieces":  {hashOf(strings.Repeat("aaaaaaaa<!-- -->", 200_000)), errToken.Error()},
		"other root":      {`<html/>`, "unexpected element"},
		"other namespace": {strings.Replace(hashOf("a"), "v2.0", "v3.0", 1), "unexpected element"},
		"other version":   {strings.Replace(hashOf("a"), `"2.0"`, `"1.0"`, 1), "version"},
		"two roots":       {hashOf("a") + hashOf("a"), "unexpected element"},
		"climbing":        {hashOf("../../etc/shadow"), errPath.Error()},
		"climbing inside": {hashOf("a/../../b"), errPath.Error()},
		"absolute":        {hashOf("/etc/shadow"), errPath.Error()},
		"no path":         {manifestWith("<hash><xxh64>ef46db3751d8e999</xxh64></hash>"), errPath.Error()},
		"empty path":      {hashOf(""), errPath.Error()},
		"endless path":    {hashOf(strings.Repeat("a/", 3000) + "a"), errPath.Error()},
		"folder climbing": {manifestWith("<directoryhash><path>../x</path></directoryhash>"), errPath.Error()},
		"element in path": {hashOf("<b>a</b>"), errNested.Error()},
		"bad value":       {manifestWith("<hash><path>a</path><xxh64>beef</xxh64></hash>"), "instead of"},
		"two values": {manifestWith("<hash><path>a</path><xxh64>ef46db3751d8e999</xxh64><xxh64>0f46db3751d8e999</xxh64></hash>"),
			"two values"},
	}
	for name, tt := range tests {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got, err := parse(tt.text); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("readManifest() = %+v, %v, want %q", got, err, tt.want)
			}
		})
	}
}

func TestReadManifest_countsRecords(t *testing.T) {
	t.Parallel()
	total := 3
	text := manifestWith(strings.Repeat("<hash><path>a</path></hash>", 4))
	if _, err := readManifest(strings.NewReader(text), &total, func(FileHash) error { return nil }); !errors.Is(err, errRecords) {
		t.Errorf("readManifest() = %v", err)
	}
}

func TestReadChain_hostile(t *testing.T) {
	t.Parallel()
	const c4 = "<c4>c459dsjfscH38cYeXXYogktxf4Cd9ibshE3BHUo6a58hBXmRQdZrAkZzsWcbWtDg5oQstpDuni4Hirj75GEmTc1sFT</c4>"
	chain := func(entries string) string {
		return `<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">` + entries + `</ascmhldirectory>`
	}
	entry := func(number, name string) string {
		return `<hashlist sequencenr="` + number + `"><path>` + name + `</path>` + c4 + `</hashlist>`
	}
	if _, err := readChain(strings.NewReader(chain(entry("1", "0001_a.mhl")))); err != nil {
		t.Fatalf("a sound chain is refused: %v", err)
	}
	for name, text := range map[string]string{
		"empty":          chain(""),
		"absolute":       chain(entry("1", "/etc/shadow")),
		"climbing":       chain(entry("1", "../0001_a.mhl")),
		"folder":         chain(entry("1", "0001_a/b.mhl")),
		"backslash":      chain(entry("1", `0001_..\a.mhl`)),
		"itself":         chain(entry("1", ChainName)),
		"other number":   chain(entry("1", "0002_a.mhl")),
		"no number":      chain(entry("", "0001_a.mhl")),
		"number 0":       chain(entry("0", "0000_a.mhl")),
		"negative":       chain(entry("-1", "0001_a.mhl")),
		"huge number":    chain(entry("99999999999999999999", "0001_a.mhl")),
		"same twice":     chain(entry("1", "0001_a.mhl") + entry("1", "0001_b.mhl")),
		"backwards":      chain(entry("2", "0002_a.mhl") + entry("1", "0001_b.mhl")),
		"no c4":          chain(`<hashlist sequencenr="1"><path>0001_a.mhl</path></hashlist>`),
		"bad c4":         strings.Replace(chain(entry("1", "0001_a.mhl")), "c459", "c450", 1),
		"name in a box":  chain(entry("1", "<b>0001_a.mhl</b>")),
		"name in pieces": chain(entry("1", "0001_<b/>a.mhl")),
		"c4 in a box":    strings.Replace(chain(entry("1", "0001_a.mhl")), "<c4>", "<c4><b/>", 1),
		"entity":         `<!DOCTYPE x [<!ENTITY a "0001_a.mhl">]>` + chain(entry("1", "&a;")),
		"other document": hashOf("a"),
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			if got, err := readChain(strings.NewReader(text)); err == nil {
				t.Errorf("readChain() = %+v, want an error", got)
			}
		})
	}
}

func fuzzedManifests(t testing.TB) []mutants.Seed {
	t.Helper()
	text, err := os.ReadFile("testdata/standard-form.mhl")
	if err != nil {
		t.Fatal(err)
	}
	return []mutants.Seed{
		{string(text)}, {hashOf("a/b")}, {hashOf("../x")}, {`<!DOCTYPE x [<!ENTITY a "b">]>` + hashOf("&a;")}, {manifestWith(strings.Repeat("<metadata>", 70))},
		{manifestWith(`<hash><path size="3">a</path><md5 action="failed">d41d8cd98f00b204e9800998ecf8427e</md5><xxh64>ef46db3751d8e999</xxh64><previousPath>b</previousPath></hash>` +
			`<directoryhash><path>d</path><previousPath>e</previousPath></directoryhash>`)},
	}
}

// No path of a manifest leads out of its folder.
func checkManifest(t testing.TB, data []byte) (taken bool) {
	m, err := parse(string(data))
	if err != nil {
		return false
	}
	for _, file := range m.Files {
		if !filepath.IsLocal(file.Path) || (file.PreviousPath != "" && !filepath.IsLocal(file.PreviousPath)) {
			t.Errorf("path leads out: %q, before %q", file.Path, file.PreviousPath)
		}
	}
	for _, dir := range m.Dirs {
		if !filepath.IsLocal(dir) {
			t.Errorf("folder leads out: %q", dir)
		}
	}
	for dir, before := range m.moved {
		if !filepath.IsLocal(dir) || !filepath.IsLocal(before) {
			t.Errorf("folder leads out: %q, before %q", dir, before)
		}
	}
	for _, r := range m.References {
		if r.Path != "" && !filepath.IsLocal(r.Path) {
			t.Errorf("nested history leads out: %q", r.Path)
		}
	}
	return true
}

func FuzzReadManifest(f *testing.F) {
	for _, seed := range fuzzedManifests(f) {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkManifest(t, data) })
}

func TestReadManifest_mutants(t *testing.T) {
	mutants.Try(t, "FuzzReadManifest", fuzzedManifests(t), func(t testing.TB, input [][]byte) bool { return checkManifest(t, input[0]) })
}

func fuzzedChains(t testing.TB) []mutants.Seed {
	t.Helper()
	text, err := os.ReadFile("testdata/standard-form-chain.xml")
	if err != nil {
		t.Fatal(err)
	}
	return []mutants.Seed{{string(text)}, {strings.Replace(string(text), "0001_A002", "../0001_A002", 1)}, {`<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0"/>`}}
}

// A chain names manifests beside it, and numbers them from one.
func checkChain(t testing.TB, data []byte) (taken bool) {
	links, err := readChain(bytes.NewReader(data))
	if err != nil {
		return false
	}
	for _, l := range links {
		if !filepath.IsLocal(l.name) || strings.Contains(l.name, "/") || l.number < 1 {
			t.Errorf("a chain led to %+v", l)
		}
	}
	return true
}

func FuzzReadChain(f *testing.F) {
	for _, seed := range fuzzedChains(f) {
		f.Add([]byte(seed[0]))
	}
	f.Fuzz(func(t *testing.T, data []byte) { checkChain(t, data) })
}

func TestReadChain_mutants(t *testing.T) {
	mutants.Try(t, "FuzzReadChain", fuzzedChains(t), func(t testing.TB, input [][]byte) bool { return checkChain(t, input[0]) })
}

func TestEncodablePath(t *testing.T) {
	t.Parallel()
	for path, want := range map[string]bool{
		"DCIM/100SKUA_/SKUA0001.JPG": true, "<b>&\"'": true, "æøå ʕ•ᴥ•ʔ": true, "tab\there": true, "line\nbreak": true,
		" spaces ": true, "...": true, "\u007f\u0085": true, "\U0001F426": true,
		"": false, ".": false, "..": false, "../a": false, "/a": false, "a//b": false, "a/./b": false, "a/": false,
		"\x00": false, "\x01": false, "\x1b[31m": false, "\xff": false, "a\xc3": false, "\uFFFE": false,
		strings.Repeat("a", 4096): true, strings.Repeat("a", 4097): false,
	} {
		if got := EncodablePath(path); got != want {
			t.Errorf("EncodablePath(%q) = %v", path, got)
		}
	}
}
